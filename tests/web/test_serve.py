"""The page within the running service: served on the loop it is given, never in the way of the rest."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import httpx

from monitor.service.core import Hooks
from monitor.service.daemon import Daemon
from tests.support.broker import free_port

SITE = """
[site]
name = "Test yard (invented)"
latitude = 40.0
longitude = -88.0
timezone = "America/Chicago"
[[cylinder]]
name = "A"
size = "40 lb"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
[service]
listen = "127.0.0.1:{port}"
{more}
"""


@asynccontextmanager
async def running(folder: Path, port: int, more: str = "") -> AsyncIterator[Daemon]:
    path = folder / "site.toml"
    path.write_text(SITE.format(port=port, more=more))
    daemon = Daemon(path, folder / "store.db", hooks=Hooks(sources=lambda *_: (), page=True))
    task = asyncio.create_task(daemon.run())
    try:
        yield daemon
    finally:
        daemon.stop()
        await asyncio.wait_for(task, 30)


async def until(true: Callable[[], bool], seconds: float = 20.0) -> bool:
    for _ in range(int(seconds / 0.05)):
        if true():
            return True
        await asyncio.sleep(0.05)
    return False


async def _get(port: int, path: str = "/") -> httpx.Response | None:
    try:
        async with httpx.AsyncClient() as client:
            return await client.get(f"http://127.0.0.1:{port}{path}", timeout=30)
    except httpx.TransportError:
        return None


async def test_the_service_serves_the_page(tmp_path: Path) -> None:
    port = free_port()
    async with running(tmp_path, port) as daemon:
        board = daemon.core.board
        assert await until(lambda: (h := board.get("page")) is not None and h.working)
        answer = await _get(port)
        assert answer is not None
        assert answer.status_code == 200
        assert "Test yard" in answer.text
        health = await _get(port, "/v1/health")
        assert health is not None
        assert "page" in {s["name"] for s in health.json()["sources"]}  # from the live board
    assert await _get(port) is None  # the port is given back


async def test_a_taken_port_is_told_and_stops_nothing(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        async with running(tmp_path, port) as daemon:
            board = daemon.core.board
            assert await until(lambda: bool((h := board.get("page")) is not None and h.error))
            entry = board.get("page")
            assert entry is not None
            assert f"127.0.0.1:{port}" in entry.error
            assert "service.listen" in entry.error
            names = {loop.name: loop.state for loop in daemon.supervisor.table()}
            assert names["outlook"] == "running"
            assert names["page"] == "running"


async def test_beyond_loopback_without_a_password_it_is_not_served(tmp_path: Path) -> None:
    port = free_port()
    path = tmp_path / "site.toml"
    async with running(tmp_path, port) as daemon:
        assert await until(lambda: (h := daemon.core.board.get("page")) is not None and h.working)
        text = path.read_text().replace("127.0.0.1:", "0.0.0.0:")
        path.write_text(text)
        daemon.reload()
        assert await until(lambda: bool((h := daemon.core.board.get("page")) is not None and h.error), 30)
        entry = daemon.core.board.get("page")
        assert entry is not None
        assert "password" in entry.error
        assert await _get(port) is None


async def test_switched_off_no_framework_is_loaded_and_nothing_listens(tmp_path: Path) -> None:
    port = free_port()
    async with running(tmp_path, port, "web = false") as daemon:
        await asyncio.sleep(0.5)
        assert await _get(port) is None
        assert not [t for t in threading.enumerate() if "page" in t.name]
        assert daemon.core.board.get("page") is None


def test_the_loop_itself_is_light() -> None:
    import subprocess
    import sys

    code = "import sys, monitor.web.serve\n"
    code += "print([m for m in ('fastapi', 'uvicorn', 'jinja2', 'starlette') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
