"""Readings into the store, beside bare sqlite3 in the same run; and what a day of a common household writes to disk.

    python -m tests.bench.ingest [--readings 40000] [--rounds 5] [--days 2] [--place FOLDER] [--device sda]

Both sides use the same file system, write-ahead log, synchronous=FULL, 1,000 rows to a transaction. The bare side
gets its tuples ready made; ours starts from Reading objects handed in one by one by another thread, and calls back
for each when it is durable. Goal: at least 0.6 of the bare rate; at most 20 MB a day with 4 sensors at a reading a
minute and an outlook every 10 minutes.
"""

from __future__ import annotations

import argparse
import gc
import math
import sqlite3
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from monitor import outlook
from monitor.model.forecast import Forecast
from monitor.model.health import SourceHealth
from monitor.model.reading import Level, Quantity, Reading
from monitor.model.site import Site
from monitor.site import load
from monitor.store import Store
from monitor.store.pack import stamp
from monitor.store.writer import BATCH, Writer

START = datetime(2026, 1, 5, tzinfo=UTC)
SITE = Path(__file__).resolve().parents[2] / "config" / "example.toml"
SENSORS = ((Quantity.GROSS_WEIGHT, "A"), (Quantity.GROSS_WEIGHT, "B"), (Quantity.AIR_TEMPERATURE, "site"),
           (Quantity.CONTAINER_PRESSURE, "A"))  # fmt: skip
DAY_MINUTES = 1440
MINUTE = timedelta(minutes=1)


def readings(count: int) -> list[Reading]:
    """A reading a minute of each of four sensors, in the order in which they come."""
    out = []
    for n in range(count):
        minute, k = divmod(n, len(SENSORS))
        quantity, subject = SENSORS[k]
        at = START + timedelta(minutes=minute, seconds=7 * k, microseconds=123_456)
        value = 25.0 + math.sin(n / 700.0)
        out.append(Reading(at, at + timedelta(milliseconds=80), subject, quantity, value, f"sensor {k}", noise=0.05))
    return out


def bare(folder: Path, rows: Sequence[tuple[object, ...]], *, index: bool) -> float:
    """Insert with sqlite3 alone; return seconds."""
    db = sqlite3.connect(folder / f"bare-{index}-{time.monotonic_ns()}.db", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute(
        "CREATE TABLE reading (id INTEGER PRIMARY KEY, time INTEGER, received INTEGER, subject TEXT, quantity TEXT, "
        "value REAL, source TEXT, noise REAL, age_known INTEGER, corrects INTEGER, note TEXT)"
    )
    if index:
        db.execute("CREATE INDEX by_time ON reading (subject, quantity, source, time)")
    began = time.perf_counter()
    for k in range(0, len(rows), BATCH):
        db.execute("BEGIN IMMEDIATE")
        db.executemany(
            "INSERT INTO reading (time, received, subject, quantity, value, source, noise, age_known, corrects, note) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            rows[k : k + BATCH],
        )
        db.execute("COMMIT")
    took = time.perf_counter() - began
    db.close()
    return took


def ours(folder: Path, facts: Sequence[Reading]) -> float:
    """Hand readings to the writer from another thread; return seconds until the last is said to be durable."""
    durable = [0]

    def on_durable() -> None:
        durable[0] += 1

    writer = Writer(folder / f"ours-{time.monotonic_ns()}.db", commit_every_s=3600.0)
    began = time.perf_counter()
    for reading in facts:
        writer.submit_reading(reading, on_durable)
    writer.flush().result()
    took = time.perf_counter() - began
    writer.close()
    assert durable[0] == len(facts)
    return took


def ours_direct(folder: Path, facts: Sequence[Reading]) -> float:
    """The store without the thread, as a command that imports many rows uses it."""
    with Store.open(folder / f"direct-{time.monotonic_ns()}.db") as store:
        began = time.perf_counter()
        for k in range(0, len(facts), BATCH):
            store.add_readings(facts[k : k + BATCH])
        return time.perf_counter() - began


def rates(count: int, rounds: int, place: Path) -> None:
    """Print readings a second, each way, best of the rounds, all ways in each round."""
    facts = readings(count)
    rows = [
        (stamp(r.time), stamp(r.received), r.subject, str(r.quantity), r.value, r.source, r.noise, 1, None, "")
        for r in facts
    ]
    ways: dict[str, Callable[[Path], float]] = {
        "sqlite3 alone, no index": lambda folder: bare(folder, rows, index=False),
        "sqlite3 alone, index by series and time": lambda folder: bare(folder, rows, index=True),
        "the writer, one by one from another thread": lambda folder: ours(folder, facts),
        "the store, lists of 1,000": lambda folder: ours_direct(folder, facts),
    }
    best = dict.fromkeys(ways, math.inf)
    for _ in range(rounds):
        for name, way in ways.items():
            with tempfile.TemporaryDirectory(dir=place) as folder:
                gc.collect()
                best[name] = min(best[name], way(Path(folder)))
    plain, indexed = (count / best[name] for name in list(ways)[:2])
    print(f"{count:,} readings, {BATCH:,} to a transaction, WAL, synchronous=FULL, best of {rounds}")
    print(f"{'':44}{'readings/s':>12}{'of bare':>9}{'of indexed':>12}")
    for name, seconds in best.items():
        rate = count / seconds
        print(f"{name:44}{rate:12,.0f}{rate / plain:9.2f}{rate / indexed:12.2f}")


def written(device: str) -> int:
    """Bytes that this process has sent towards the disk (blocks dirtied, counted each time), or those of a device."""
    if device:
        return int(Path(f"/sys/block/{device}/stat").read_text().split()[6]) * 512
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes"):
            return int(line.split()[1])
    raise OSError("no write_bytes in /proc/self/io")


def forecast(at: datetime, members: int) -> Forecast:
    """Ten days of hours, smooth in time, members apart."""
    draw = np.random.default_rng(round(at.timestamp()))
    hours = np.arange(240)
    air = 263.0 + 6.0 * np.cos(hours / 24.0 * 2.0 * np.pi) + np.cumsum(draw.normal(0, 0.3, (members, 240)), axis=1)
    return Forecast("open-meteo", at, at, at, air, wind_m_s=np.abs(draw.normal(3, 1, 240)),
                    cloud=draw.uniform(0, 1, 240), humidity=draw.uniform(0.5, 1, 240))  # fmt: skip


class Day:
    """A day of the service, as fast as it goes: what is committed, and when, is as in a real day."""

    def __init__(self, folder: Path, site: Site, commit_every_s: float, members: int, device: str = "") -> None:
        self.device = device
        self.minute = self.oldest = 0.0
        self.site, self.members, self.every_s = site, members, commit_every_s
        self.path = folder / "day.db"
        self.commits = 0
        self.writer = Writer(self.path, commit_every_s=commit_every_s, monotonic=lambda: self.minute * 60.0)
        self.cast = forecast(START, members)

    def run(self, days: int) -> tuple[float, int, float]:
        """Return bytes written a day, commits a day, growth of the file a day."""
        facts = readings(DAY_MINUTES * len(SENSORS) * days)
        for sensor in range(len(SENSORS)):
            self.note(sensor, START)
        began, size = written(self.device), self.size()
        for minute in range(DAY_MINUTES * days):
            self.minute = float(minute)
            self.one_minute(facts[minute * len(SENSORS) : (minute + 1) * len(SENSORS)], START + minute * MINUTE)
        self.writer.close()
        grown = (self.size() - size) / days
        return (written(self.device) - began) / days, round(self.commits / days), grown

    def one_minute(self, facts: list[Reading], at: datetime) -> None:
        """What comes in and what is made in one minute."""
        if facts and not self.writer.waiting:
            self.oldest = self.minute
        for reading in facts:
            self.writer.submit_reading(reading)
        if (self.minute - self.oldest) * 60.0 >= self.every_s:
            self.flush()  # the writer's own clock would do it; this waits for it
        if at.minute == 17:
            self.cast = forecast(at, self.members)
            self.submit(lambda store: store.add_forecast(self.cast))
            self.submit(lambda store: store.put("next pull", at.isoformat()))
        if at.minute == 30:  # health that is noted again each hour
            for sensor in range(len(SENSORS)):
                self.note(sensor, at)
        if at.minute % 10 == 3:
            self.flush()  # as the service does before each round
            payload = self.outlook(at)
            self.submit(lambda store: store.add_outlook(at, payload))

    def note(self, sensor: int, at: datetime) -> None:
        """Write down that a sensor works."""
        health = SourceHealth(f"sensor {sensor}", "sensor", START, ok_at=at, interval_s=60.0)
        self.submit(lambda store: store.set_health(health))

    def outlook(self, at: datetime) -> dict[str, object]:
        """Make the outlook of that minute from levels that go down."""
        left = 12.0 - 6.0 * self.minute / DAY_MINUTES / 5.0
        levels = [Level(c.name, at, left, 0.3, 2e-6, 3e-7, at, "weighed a minute ago") for c in self.site.cylinders]
        made = outlook.make(self.site, self.cast, levels, at, settings=self.site.settings)
        return outlook.jsonable(made, self.site)

    def submit(self, job: Callable[[Store], object]) -> None:
        self.commits += 1
        self.writer.submit(job).result()

    def flush(self) -> None:
        self.commits += bool(self.writer.waiting)
        self.writer.flush().result()

    def size(self) -> int:
        return self.path.stat().st_size


def day(days: int, place: Path, device: str) -> None:
    """Print what a day writes, for several groupings."""
    site = load(SITE)
    print(
        f"\n4 sensors at one reading a minute, an outlook every 10 min, a forecast of 240 h an hour; {days} days each"
    )
    print(f"{'readings committed':22}{'members':>8}{'MB written/day':>16}{'commits/day':>13}{'file grows MB/day':>19}")
    for every_s, members in ((300.0, 1), (300.0, 51), (60.0, 51), (0.0, 51)):
        with tempfile.TemporaryDirectory(dir=place) as folder:
            wrote, commits, grown = Day(Path(folder), site, every_s, members, device).run(days)
        label = f"every {every_s / 60:.0f} min" if every_s else "each minute's at once"
        print(f"{label:22}{members:8}{wrote / 1e6:16.1f}{commits:13,}{grown / 1e6:19.2f}")


def main() -> None:
    """Run both parts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--readings", type=int, default=40_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--days", type=int, default=2)
    parser.add_argument("--place", type=Path, default=Path.cwd(), help="a folder on the disk that is meant")
    parser.add_argument(
        "--device", default="", help="count what this device wrote, such as sda; nothing else may use it"
    )
    said = parser.parse_args()
    rates(said.readings, said.rounds, said.place)
    if Path("/proc/self/io").exists():
        day(said.days, said.place, said.device)


if __name__ == "__main__":
    main()
