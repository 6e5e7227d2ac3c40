"""What the service costs a small board, and how that grows with cylinders and with years: each beside bare libraries.

    OPENBLAS_NUM_THREADS=1 python -m tests.bench.board [--part idle|ingest|cylinders|years] [--window 180]

The bare side of idle and ingest is paho's loop writing into sqlite3, numpy loaded, on the same messages at the same
time; of a round it is numpy working out one heat balance for each member, hour and cylinder, solving nothing; of the
years it is sqlite3 reading the rows that a round starts from. Goals: idle 0.5 % of a core, 125 MB, 3 s to the first
judged outlook. The machine may be busy otherwise: the load is printed, of repeated timings the least is taken.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import httpx  # noqa: E402
import numpy as np  # noqa: E402

from monitor import outlook  # noqa: E402
from monitor.model.reading import Quantity, Reading  # noqa: E402
from monitor.model.site import Site  # noqa: E402
from monitor.outlook import banks  # noqa: E402
from monitor.outlook.follow import Follower  # noqa: E402
from monitor.service.levels import Levels  # noqa: E402
from monitor.service.round import work  # noqa: E402
from monitor.store import Store  # noqa: E402
from tests.bench import board_live, page  # noqa: E402
from tests.web import house  # noqa: E402

NOW = datetime(2031, 1, 6, 1, 30, tzinfo=UTC)
COUNTS = (4, 50, 250, 1000)


def row(what: str, ours: float, bare: float | None, unit: str, goal: str = "") -> None:
    """Print one line of the table."""
    beside = "" if bare is None else f"{bare:12.4g} {ours / bare if bare else float('nan'):8.1f}"
    print(f"{what:<58} {ours:11.4g} {beside:<21} {unit:<10} {goal}", flush=True)


def head() -> None:
    """Print the heads of the columns, and how busy the machine is."""
    print(
        f"\nload {', '.join(f'{x:.1f}' for x in os.getloadavg())} on {os.cpu_count()} cores, Python {sys.version[:6]}"
    )
    print(f"{'':<58} {'ours':>11} {'bare':>12} {'ratio':>8} {'':<10} goal")


def least(function: Callable[[], Any], times: int = 3) -> tuple[float, float]:
    """Least (wall, processor) seconds of several calls."""
    wall, cpu = [], []
    for _ in range(times):
        began, busy = time.perf_counter(), time.process_time()
        function()
        wall.append(time.perf_counter() - began)
        cpu.append(time.process_time() - busy)
    return min(wall), min(cpu)


def idle(window_s: float) -> None:
    """Four cylinders, a message a minute of each, nobody at the page."""
    with tempfile.TemporaryDirectory() as place:
        ours, bares = board_live.starts(Path(place), 5)
    row("start to the first judged outlook (least of 5)", min(ours), min(bares), "s", "<= 3")
    row("  the same, middle of 5", statistics.median(ours), statistics.median(bares), "s")
    with tempfile.TemporaryDirectory() as place:
        service, bare = board_live.beside(Path(place), 4, window_s, 75.0)
    share = 100 / window_s
    row(f"idle: share of a core over {window_s:.0f} s", share * service.cpu_s, share * bare.cpu_s, "%", "<= 0.5")
    row("resident memory, page on and not used", service.rss_mb, bare.rss_mb, "MB", "<= 125")
    a_day = 86_400 / window_s / 1e6
    row("written to files in that window, as a day", service.wrote * a_day, bare.wrote * a_day, "MB/day", "<= 20")
    begun = time.time() - window_s
    print(f"  rounds in the window: {sum(t >= begun for t in service.told['rounds'])}; "
          f"heavy libraries loaded: {', '.join(service.told['loaded']) or 'none'}")  # fmt: skip


def ingest(window_s: float) -> None:
    """A thousand cylinders in one site, a reading a minute of each."""
    with tempfile.TemporaryDirectory() as place:
        service, bare = board_live.beside(Path(place), 1000, window_s, 75.0)
    row(f"1,000 cylinders, a reading a minute: share of a core, {window_s:.0f} s", 100 * service.cpu_s / window_s,
        100 * bare.cpu_s / window_s, "%")  # fmt: skip
    row("  resident memory", service.rss_mb, bare.rss_mb, "MB")
    row("  start to the first judged outlook", service.ready_s, bare.ready_s, "s")
    row("  its highest, from the start on", service.peak_mb, bare.peak_mb, "MB")
    a_day = 86_400 / window_s / 1e6
    row("  written to files in that window, as a day", service.wrote * a_day, bare.wrote * a_day, "MB/day")
    begun = time.time() - window_s
    print(f"  rounds in the window: {sum(t >= begun for t in service.told['rounds'])}")
    for share, name in ((0.5, "middle"), (0.99, "99 of 100"), (1.0, "slowest")):
        row(f"  sender to taken in, {name}", service.delay(share), bare.delay(share), "ms")
    row("  readings taken in", service.told["count"], bare.told["count"], "")


def many(count: int) -> Site:
    """The demo's household with so many cylinders, a scale under each."""
    plain = house.site()
    cylinders = tuple(replace(plain.cylinders[0], name=f"C{k}") for k in range(count))
    scale = replace(plain.sensors[0], way="mqtt")
    sensors = tuple(replace(scale, name=f"scale {k}", subject=f"C{k}", address=f"t/{k}") for k in range(count))
    return replace(plain, cylinders=cylinders, sensors=sensors, channels=())


def weighed(of: Site, until: datetime, hours: float) -> list[Reading]:
    """A reading each half-hour of every cylinder."""
    found = []
    for k in range(int(hours * 2)):
        at = until - timedelta(hours=hours) + timedelta(minutes=30 * k + 1)
        for n, c in enumerate(of.cylinders):
            gross = c.tare_kg + 16.0 - 0.004 * k + 0.01 * ((k + n) % 5)
            found.append(Reading(at, at, c.name, Quantity.GROSS_WEIGHT, gross, f"scale {n}", noise=0.1))
    return found


def balances(count: int) -> np.ndarray[Any, Any]:
    """numpy alone: what a cylinder takes up in each member's hour, by one film and one saturation curve."""
    air_k = house.forecast(NOW, -20.0).air_k[..., None] + np.zeros(count)
    liquid_k = np.full_like(air_k, 243.0)
    pressure = np.exp(21.0 - 2300.0 / liquid_k) * liquid_k
    return np.asarray(np.where(pressure > 0.0, 3.0 * (air_k - liquid_k) * 0.35, 0.0))


def cylinders() -> None:
    """A round by the number of cylinders: the projection alone, the filter, and the whole from a store."""
    forecast = house.forecast(NOW, -20.0)
    for count in COUNTS:
        of = many(count)
        follower = Follower(of)
        follower.take(weighed(of, NOW, 3.0))
        levels = follower.levels(NOW)
        times = 3 if count < 1000 else 1
        bare, _ = least(lambda n=count: balances(n), times)  # type: ignore[misc]
        wall, _ = least(lambda s=of, x=levels: outlook.make(s, forecast, x, NOW), times)  # type: ignore[misc]
        row(f"projection, 240 h x 8 members x {count:,} cylinders", wall, bare, "s")
        _filter(of, count)
        _round(of, count)


def _filter(of: Site, count: int) -> None:
    """What a level reading costs in the filter, beside one filter over all cylinders."""
    told = weighed(of, NOW, 2.0)
    each = [1e6 * least(lambda: Follower(of).take(told), 1)[0] / len(told)]
    if count in {50, 250}:
        some = told[: 2 * count]
        with mock.patch("monitor.outlook.level.ONE_FILTER", 10**6):
            each.append(1e6 * least(lambda: Follower(of).take(some), 1)[0] / len(some))
    row(f"  a level reading into the filter (bare: one filter, not {banks.BANK}s)", each[0],
        each[1] if len(each) > 1 else None, "us")  # fmt: skip


def _round(of: Site, count: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "store.db"
        with Store.open(path) as store:
            store.add_forecast(house.forecast(NOW, -20.0))
            store.add_readings(weighed(of, NOW, 48.0))
            kept = Levels()
            began = time.perf_counter()
            found = work(of, store, NOW, {}, kept)
            first = time.perf_counter() - began
            with store.transaction():
                store.add_outlook(found.at, outlook.jsonable(found.outlook, of))
                store.commit_judgement(found.judgement, ["log"])
            store.add_readings(weighed(of, NOW + timedelta(minutes=30), 0.5))
            again, _ = least(lambda: work(of, store, NOW + timedelta(minutes=30), {}, kept), 1)
        row("  the first round after a start, two days of readings", first, None, "s")
        row("  a round from then on (with its half-hour's readings)", again, None, "s")
        row("  resident memory of this process at its highest so far", board_live.memory("self", "VmHWM"), None, "MB")
        with house.served(path, of, now=NOW) as made, httpx.Client(base_url=made.url, timeout=300.0) as client:
            client.get("/").raise_for_status()
            wall, _ = least(lambda: client.get("/").raise_for_status(), 2)
            row("  the first page", 1000 * wall, None, "ms")


def years() -> None:
    """A round and the page after no year, one and three of minute readings of four cylinders."""
    of = page.site()
    for count in (0, 1, 3):
        with tempfile.TemporaryDirectory() as place:
            path = Path(place) / "store.db"
            page.fill(path, count * 2_100_000, NOW, of)
            with Store.open(path) as store:
                kept = Levels()
                first, _ = least(lambda: work(of, store, NOW, {}, Levels()), 2)
                work(of, store, NOW, {}, kept)
                again, _ = least(partial(work, of, store, NOW + timedelta(minutes=10), {}, kept), 3)
                bare, _ = least(partial(_rows, path), 2)
            name = f"{count} years, {count * 2.1:.1f} million readings, {path.stat().st_size / 1e6:.0f} MB"
            row(f"{name}: first round", first, bare, "s")
            row("  a round from then on", again, None, "s")
            with house.served(path, of, now=NOW) as made, httpx.Client(base_url=made.url, timeout=60.0) as client:
                for address in ("/", "/past?days=31", "/past?days=366"):
                    client.get(address).raise_for_status()
                    wall, _ = least(partial(client.get, address), 5)
                    row(f"  page {address}", 1000 * wall, None, "ms")


def _rows(path: Path) -> list[Any]:
    """sqlite3 alone: 45 days of every stream's rows, the day's all, older ones one in a half-hour."""
    since = int((NOW - timedelta(days=45)).timestamp() * 1e6)
    fine = int((NOW - timedelta(days=1)).timestamp() * 1e6)
    with closing(sqlite3.connect(path)) as db:
        found = []
        for (stream,) in db.execute("SELECT id FROM stream").fetchall():
            sql = "SELECT time, value FROM reading WHERE stream = ? AND time >= ?"
            found += db.execute(sql, (stream, fine)).fetchall()
            sql = "SELECT min(time), value FROM reading WHERE stream = ? AND time >= ? AND time < ? GROUP BY time / ?"
            found += db.execute(sql, (stream, since, fine, 1_800_000_000)).fetchall()
        return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--part", choices=("idle", "ingest", "cylinders", "years"))
    parser.add_argument("--window", type=float, default=180.0)
    given = parser.parse_args()
    parts: dict[str, Callable[[], None]] = {
        "idle": lambda: idle(given.window),
        "ingest": lambda: ingest(min(given.window, 120.0)),
        "cylinders": cylinders,
        "years": years,
    }
    for name, part in parts.items():
        if given.part in {None, name}:
            head()
            part()


if __name__ == "__main__":
    main()
