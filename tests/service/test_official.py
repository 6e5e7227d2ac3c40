"""Official warnings through the running service: asked, kept, told to the rules, and called off again."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from monitor.service.clock import SteppedClock
from monitor.service.core import Hooks
from monitor.service.daemon import Daemon
from monitor.service.round import Facts, know
from monitor.site import load
from monitor.store import Store
from monitor.weather import bulletin
from tests.weather.servers.base import html
from tests.weather.servers.nws import Nws, alert
from tests.weather.support import NOW

SITE = """
[site]
name = "Test yard (invented)"
latitude = 44.1
longitude = -93.6
timezone = "America/Chicago"
[[cylinder]]
name = "A"
size = "40 lb"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
[[weather]]
kind = "nws"
base_url = "{url}"
[forecast]
contact = "someone@example.org"
"""
VTEC = "/O.{action}.KMPX.EC.W.0003.260106T0000Z-260107T1800Z/"


@pytest.fixture
def server() -> Iterator[Nws]:
    with Nws(NOW) as running:
        running.alerts = [alert("Extreme Cold Warning", VTEC.format(action="NEW"), NOW - timedelta(hours=2))]
        yield running


async def until(true: Callable[[], bool], seconds: float = 60.0) -> None:
    for _ in range(int(seconds / 0.05)):
        if true():
            return
        await asyncio.sleep(0.05)
    raise AssertionError("it did not happen in time")


async def test_a_warning_comes_and_goes(server: Nws, tmp_path: Path) -> None:
    path, database = tmp_path / "site.toml", tmp_path / "b.db"
    path.write_text(SITE.format(url=server.url))
    clock = SteppedClock(NOW)
    daemon = Daemon(path, database, clock, Hooks())
    running = asyncio.create_task(daemon.run())

    def words() -> str:
        with Store.open(database, readonly=True) as store:
            site = load(path)
            known = know(store, site, Facts(None, None, ()), clock.now())
            return known.official_warning

    def stepped(seconds: float, true: Callable[[], bool]) -> Callable[[], bool]:
        def look() -> bool:
            clock.set(clock.now() + timedelta(seconds=seconds))
            return true()

        return look

    try:
        await until(stepped(5.0, lambda: database.exists() and "Extreme Cold Warning" in words()))
        asked = [a for a in server.asked if a.path == "/alerts/active"]
        assert asked[0].query == {"point": "44.1,-93.6"}
        server.alerts.append(alert("Extreme Cold Warning", VTEC.format(action="CAN"), clock.now()))
        await until(stepped(60.0, lambda: words() == ""))
        server.trap(html(403))
        await until(stepped(60.0, lambda: bool(daemon.core.board.all()["official warnings"].error)))
    finally:
        daemon.stop()
        await asyncio.wait_for(running, 30.0)


def test_kept_text_that_cannot_be_read_is_no_warning(tmp_path: Path, server: Nws) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE.format(url=server.url))
    with Store.open(tmp_path / "b.db") as store:
        store.put(bulletin.KEY, "{rubbish")
        assert know(store, load(path), Facts(None, None, ()), NOW).official_warning == ""
