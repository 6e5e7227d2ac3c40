"""The sign of life and the summary, by the whole service."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from monitor.service.clock import SteppedClock
from monitor.store import Store
from tests.service import harness

START = datetime(2026, 1, 5, 20, 0, tzinfo=UTC)  # 14:00 at the site


class Watcher(ThreadingHTTPServer):
    """Counts calls; answers what it is told to."""

    daemon_threads = True

    def __init__(self) -> None:
        self.calls: list[str] = []
        self.status = 200
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outer.calls.append(self.path)
                self.send_response(outer.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        super().__init__(("127.0.0.1", 0), Handler)
        threading.Thread(target=self.serve_forever, args=(0.02,), daemon=True).start()


async def test_a_sign_of_life_after_good_rounds_only(tmp_path: Path) -> None:
    watcher = Watcher()
    clock, seen = SteppedClock(START), harness.Seen()
    more = f'\n[service]\nheartbeat_url = "http://127.0.0.1:{watcher.server_port}/life"\nheartbeat_every = "15 min"\n'
    async with harness.running(harness.write_site(tmp_path, harness.SITE, more), clock, seen.hooks()) as daemon:
        core = daemon.core
        await harness.until(lambda: seen.rounds and core.schedule.due("heartbeat") is not None)
        clock.advance(START + timedelta(minutes=15, seconds=1))
        await harness.until(lambda: watcher.calls == ["/life"], what="a sign of life")
        await harness.until(lambda: (h := core.board.get("heartbeat")) is not None and h.working)
        await harness.until(core.idle)  # no round comes in between
        core.board.fails("outlook", "loop", "cannot be made")
        clock.advance(START + timedelta(minutes=30, seconds=1))
        await harness.until(lambda: core.schedule.due("heartbeat") == START + timedelta(minutes=45))
        await harness.until(lambda: not core.calls.hanging())
        assert watcher.calls == ["/life"]  # no good round, no sign of life: that is the alarm
        core.board.works("outlook", "loop")
        watcher.status = 404
        clock.advance(START + timedelta(minutes=45, seconds=1))
        await harness.until(lambda: len(watcher.calls) == 2)
        await harness.until(lambda: (h := core.board.get("heartbeat")) is not None and bool(h.error))
        told = core.board.all()["heartbeat"]
        assert "404" in told.error
        assert told.permanent
        assert "127.0.0.1" not in told.error  # the address is a secret
    watcher.shutdown()
    watcher.server_close()


async def test_the_summary_comes_once_in_its_hour(tmp_path: Path) -> None:
    clock, seen = SteppedClock(START), harness.Seen()
    more = '\n[alerts]\nsummary = "daily"\nsummary_hour = 18\n'
    async with harness.running(harness.write_site(tmp_path, harness.SITE, more), clock, seen.hooks()) as daemon:
        await harness.until(lambda: seen.rounds)
        for hour in range(1, 30):
            rounds = len(seen.rounds)
            clock.advance(START + timedelta(hours=hour, seconds=5))
            await harness.until(lambda n=rounds: len(seen.rounds) > n, what=f"round {hour}")  # type: ignore[misc]
        with Store.open(daemon.store_path, readonly=True) as store:
            found = [n for n in store.notices(200) if n.key == "summary/site"]
            await harness.until(lambda: not store.due(clock.now()), what="delivery")
            rows = [r for r in store.outbox(500) if r.notice.key == "summary/site"]
    assert [n.at for n in reversed(found)] == [
        START + timedelta(hours=4, seconds=5), START + timedelta(hours=28, seconds=5)
    ]  # fmt: skip
    assert all(n.headline.startswith("Test yard") for n in found)
    assert {r.channel for r in rows} == {"log"}
