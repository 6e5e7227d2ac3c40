"""A service in a process of its own, on a sped-up clock, that says every second how much of the machine it holds.

Usage: soaked.py SITE STORE START_ISO SPEED ORIGIN, where ORIGIN is the uptime (s) at which the clock shows START, so
that whoever started it can keep the same clock. One JSON object a line on standard output; SIGTERM ends it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import signal
import sqlite3
import sys
import threading
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

from monitor.model.site import Site
from monitor.sensors.simulated import Household, SimulatedSource
from monitor.service.board import Board
from monitor.service.clock import Clock, FastClock, uptime_s
from monitor.service.core import Hooks, Source, real_sources
from monitor.service.daemon import Daemon
from monitor.service.intake import Intake
from monitor.service.round import Found


def world(start: datetime) -> Household:
    """Two cylinders that last about ten days, each fetched full in turn for two months; the air of a cold January."""
    refills = [(start + timedelta(days=5 * k + 4), "AB"[k % 2], 17.5) for k in range(12)]
    return Household(start, {"A": 9.0, "B": 16.0}, {"A": 1.6, "B": 1.6}, lambda _: 263.0, refills)


def held() -> dict[str, float]:
    """What this process holds: resident memory (MB), open file handles, threads."""
    text = Path("/proc/self/status").read_text()
    return {
        "rss_mb": int(re.search(r"VmRSS:\s+(\d+)", text)[1]) / 1024,  # type: ignore[index]
        "handles": float(len(list(Path("/proc/self/fd").iterdir()))),
        "threads": float(re.search(r"Threads:\s+(\d+)", text)[1]),  # type: ignore[index]
    }


class Told:
    """What happened so far, and the widest gaps (seconds of the service's clock) between what has to happen again."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.count = {"readings": 0, "rounds": 0, "forecasts": 0, "notices": 0, "failed": 0}
        self.widest = {"rounds": 0.0, "forecasts": 0.0}
        self._last: dict[str, float] = {}
        self.sources: dict[str, int] = {}

    def happened(self, what: str) -> None:
        """Note one of `what`."""
        self.count[what] += 1
        if what in self.widest:
            now = self._clock.monotonic()
            self.widest[what] = max(self.widest[what], now - self._last.get(what, now))
            self._last[what] = now

    def reading(self, source: str) -> None:
        """Note a reading."""
        self.happened("readings")
        self.sources[source] = self.sources.get(source, 0) + 1

    def round(self, found: Found) -> None:
        """Note an outlook made and judged."""
        self.happened("rounds")
        self.count["failed"] += bool(found.failed)
        self.count["notices"] += len(found.judgement.notices)


def size_mb(store: Path) -> float:
    """The store (MB) as its pages count, those still in the write-ahead log included and free ones too."""
    with (
        contextlib.suppress(sqlite3.Error),
        contextlib.closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as db,
    ):
        pages, size = (db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size"))
        return float(pages * size) / 1e6
    return 0.0


def main() -> None:
    """Serve until SIGTERM."""
    site_path, store_path, start = Path(sys.argv[1]), Path(sys.argv[2]), datetime.fromisoformat(sys.argv[3])
    speed, origin = float(sys.argv[4]), float(sys.argv[5])
    clock = FastClock(start + timedelta(seconds=(uptime_s() - origin) * speed), speed)
    told = Told(clock)
    truth = world(start)

    def sources(site: Site, intake: Intake, board: Board, clock: Clock) -> Sequence[Source]:
        invented = SimulatedSource(site, truth, intake.reading, intake.set_aside, board.put, clock)
        return [*real_sources(site, intake, board, clock), invented]

    hooks = Hooks(
        sources=sources, on_reading=lambda r: told.reading(r.source), on_round=told.round,
        on_forecast=lambda _: told.happened("forecasts"), page=True,
    )  # fmt: skip
    daemon = Daemon(site_path, store_path, clock, hooks)
    over = threading.Event()

    def say() -> None:
        while not over.wait(1.0):
            table = daemon.supervisor.table()
            late = [loop.name for loop in table if loop.state != "running" or loop.restarts]
            line = {
                "day": (clock.now() - start) / timedelta(days=1), **held(), **told.count,
                "store_mb": size_mb(store_path), "late": late, "sources": dict(told.sources), "widest": told.widest,
            }  # fmt: skip
            sys.stdout.write(json.dumps(line) + "\n")
            sys.stdout.flush()

    async def run() -> None:
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, daemon.stop)
        threading.Thread(target=say, name="sampler", daemon=True).start()
        await daemon.run()

    asyncio.run(run())
    over.set()


if __name__ == "__main__":
    main()
