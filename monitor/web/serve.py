"""The page as one of the service's loops: on its own event loop, without signal handlers, never in the way of the rest.

Light to import: the web framework is loaded when the page is on.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from monitor.model.errors import BadInput
from monitor.model.health import SourceHealth
from monitor.model.site import Site

if TYPE_CHECKING:
    from monitor.web.view import Writes

log = logging.getLogger(__name__)

NAME = "page"  # its name on the board
AGAIN_S = 30.0  # real seconds until a taken port is tried again
TURN_S = 5.0  # real seconds between looks at the settings
_KEYS = (
    "service.web", "service.listen", "service.hosts", "service.password_file", "service.proxy_user_header",
    "service.trusted_proxies", "page.session",
)  # fmt: skip


class Lent(Protocol):
    """What the page needs of the running service: its site, where that and the store are, writer, board and clock."""

    @property
    def site(self) -> Site: ...

    @property
    def site_path(self) -> Path: ...

    @property
    def store_path(self) -> Path: ...

    @property
    def writer(self) -> Writes: ...

    @property
    def board(self) -> Any: ...

    @property
    def clock(self) -> Any: ...


def _wanted(site: Site) -> tuple[Any, ...]:
    """Return the settings that a running page was made with."""
    return tuple(site.settings.get(key) for key in _KEYS)


async def loop(core: Lent, beat: Callable[[], None]) -> None:
    """Serve the page for as long as the site file wants it, anew where its settings change. Ends by cancelling."""
    while True:
        beat()
        wanted = _wanted(core.site)
        if not wanted[0]:
            await asyncio.sleep(TURN_S)
            continue
        try:
            await _serve(core, beat, wanted)
        except (OSError, BadInput) as error:
            reason = _reason(str(wanted[1]), error)
            if _error(core) != reason:
                log.error("%s", reason)
            core.board.fails(NAME, "service", reason)
            await _wait(core, beat, wanted)


def _reason(listen: str, error: Exception) -> str:
    if isinstance(error, OSError):
        return f"the page cannot be served at {listen} (service.listen): {error.strerror or error}"
    return f"the page is not served: {' / '.join(str(error).splitlines())}"


def _error(core: Lent) -> str:
    entry: SourceHealth | None = core.board.get(NAME)
    return entry.error if entry is not None else ""


async def _wait(core: Lent, beat: Callable[[], None], wanted: tuple[Any, ...]) -> None:
    waited = 0.0
    while waited < AGAIN_S and _wanted(core.site) == wanted:
        beat()
        await asyncio.sleep(TURN_S)
        waited += TURN_S


async def _serve(core: Lent, beat: Callable[[], None], wanted: tuple[Any, ...]) -> None:
    """Serve until the settings change. Raises OSError where the address is taken, BadInput for settings."""
    listening = _listen(str(wanted[1]))
    try:
        server = await asyncio.to_thread(_make, core)
    except BaseException:
        listening.close()
        raise
    running = asyncio.create_task(server.serve(sockets=[listening]), name="page server")
    log.info("the page is at http://%s/", wanted[1])
    core.board.works(NAME, "service")
    try:
        while _wanted(core.site) == wanted:
            beat()
            await asyncio.wait({running}, timeout=TURN_S)
            if running.done():
                running.result()
                raise OSError("it ended by itself")
    finally:
        server.should_exit = server.force_exit = True
        with contextlib.suppress(TimeoutError, asyncio.CancelledError):
            await asyncio.wait_for(asyncio.shield(running), 1.0)
        running.cancel()
        listening.close()


def _listen(listen: str) -> socket.socket:
    """Open the listening socket. Raises OSError."""
    host, _, port = listen.rpartition(":")
    host = host.strip("[]")
    family, kind, protocol, _, address = socket.getaddrinfo(host, int(port), type=socket.SOCK_STREAM)[0]
    made = socket.socket(family, kind, protocol)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(address)
        made.listen(128)
        made.setblocking(False)
    except BaseException:
        made.close()
        raise
    return made


def _make(core: Lent) -> Any:
    """Load the web framework and make the server; in a thread, as that takes a second or more on a small board."""
    from monitor.web import door, server

    site = core.site
    guard = door.make(site)
    return server.make(
        server.Context(
            site=lambda: core.site, store_path=core.store_path, writer=core.writer, now=_clock(core.clock), guard=guard,
            health=_board(core.board), site_path=core.site_path,
        )
    )  # fmt: skip


def _clock(clock: Any) -> Callable[[], datetime]:
    def now() -> datetime:
        time: datetime = clock.now()
        return time

    return now


def _board(board: Any) -> Callable[[], Mapping[str, SourceHealth]]:
    def health() -> Mapping[str, SourceHealth]:
        found: Mapping[str, SourceHealth] = board.all()
        return found

    return health
