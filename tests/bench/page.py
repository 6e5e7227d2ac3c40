"""How fast the page is over three years of minute readings of four cylinders, beside plain pandas on the same file.

    python tests/bench/page.py [--rows 6300000] [--store FILE]

Prints one table. `--store` keeps the filled store for another run. No test: it passes whatever it measures.
"""

from __future__ import annotations

import argparse
import gzip
import resource
import sqlite3
import statistics
import subprocess
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

import httpx
import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from monitor.model.site import Site  # noqa: E402
from monitor.store import Store  # noqa: E402
from tests.support import broker  # noqa: E402
from tests.web import house  # noqa: E402

TIMES = 15
PATHS = (
    "/", "/outlook?hours=240", "/map", "/past?days=31", "/past?days=366", "/past?days=1096",
    "/v1/past/shown?days=366", "/v1/past.csv?days=366", "/v1/outlook", "/inputs", "/alerts", "/record",
)  # fmt: skip


def site() -> Site:
    """The demo's household with four cylinders."""
    plain = house.site()
    four = [replace(plain.cylinders[0], name=name) for name in "ABCD"]
    return replace(plain, cylinders=tuple(four), channels=())


def fill(path: Path, rows: int, now: datetime, of: Site) -> None:
    """Minute readings of four cylinders up to `now`, written past the store's own checks to save time."""
    house.fill(path, house.site(), now)
    each = rows // 4
    start = now - timedelta(minutes=each)
    times = (int(start.timestamp()) + 60 * np.arange(each)) * 1_000_000
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA synchronous = OFF")
        db.execute("PRAGMA cache_size = -200000")
        random = np.random.default_rng(1)
        for c in of.cylinders:
            made = db.execute(
                "INSERT INTO stream (source, subject, quantity) VALUES (?, ?, 'gross_weight')",
                (f"minutes {c.name}", c.name),
            )
            saw = c.tare_kg + 17.0 - 15.0 * ((np.arange(each) / (60 * 24 * 40)) % 1.0)
            values = saw + random.normal(0.0, 0.1, each)
            stream = made.lastrowid
            db.executemany(
                "INSERT INTO reading (stream, time, received, value, noise, age_known) VALUES (?, ?, ?, ?, 0.1, 1)",
                ((stream, t, t, v) for t, v in zip(times.tolist(), values.tolist(), strict=True)),
            )
            db.commit()
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def best(function: Callable[[], Any]) -> tuple[float, float, float]:
    """Least and median milliseconds of several calls, and least processor time: the machine may be busy otherwise."""
    function()
    taken, worked = [], []
    for _ in range(TIMES):
        begun, cpu = time.perf_counter(), time.process_time()
        function()
        taken.append(1000 * (time.perf_counter() - begun))
        worked.append(1000 * (time.process_time() - cpu))
    return min(taken), statistics.median(taken), min(worked)


def with_pandas(path: Path, start: datetime, end: datetime) -> Any:
    """The year's chart as one would do it at a desk: read the rows, resample."""
    import pandas as pd

    with closing(sqlite3.connect(path)) as db:
        sql = "SELECT r.stream, r.time, r.value FROM reading r WHERE r.time >= ? AND r.time < ?"
        bounds = (int(start.timestamp() * 1e6), int(end.timestamp() * 1e6))
        frame = pd.read_sql_query(sql, db, params=bounds)
    frame["time"] = pd.to_datetime(frame["time"], unit="us", utc=True)
    step = (end - start) / 360
    return frame.groupby("stream").resample(step, on="time")["value"].median()


def pandas_latest(path: Path) -> Any:
    """The newest value of each stream with pandas."""
    import pandas as pd

    with closing(sqlite3.connect(path)) as db:
        frame = pd.read_sql_query("SELECT stream, time, value FROM reading", db)
    return frame.sort_values("time").groupby("stream").tail(1)


MEMORY = """
import asyncio, re, sys, threading, time, urllib.request
from pathlib import Path
from monitor.service.core import Hooks
from monitor.service.daemon import Daemon
daemon = Daemon(Path(sys.argv[1]), Path(sys.argv[2]), hooks=Hooks(page=True))
def rss():
    return int(re.search(r"VmRSS:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024
def look():
    url = "http://" + daemon.core.site.settings["service.listen"]
    for _ in range(300):
        try:
            urllib.request.urlopen(url).read(); break
        except OSError:
            time.sleep(0.1)
    for _ in range(200):
        told = daemon.core.board.get("broker")
        if told is not None and told.working: break
        time.sleep(0.05)
    else:
        print("no broker", told, file=sys.stderr); import os; os._exit(1)
    print("started", rss(), flush=True)
    for _ in range(5):
        for path in ("/", "/outlook?hours=240", "/map", "/past?days=366", "/explain", "/inputs", "/trip", "/record",
                     "/cost", "/v1/outlook"):
            urllib.request.urlopen(url + path).read()
    print("open", rss(), flush=True)
    urllib.request.urlopen(url + "/suppose?asked=1&more=2&open=A").read()
    print("supposed", rss(), flush=True)
    daemon.stop()
threading.Thread(target=look, daemon=True).start()
asyncio.run(daemon.run())
"""


def memory(folder: Path, store: Path) -> dict[str, float]:
    """Resident memory (MB) of the whole service with MQTT and the page open, in a process of its own."""
    own = broker.Mosquitto(folder / "broker")
    own.start()
    try:
        return _memory(folder, store, own)
    finally:
        own.stop()


def _memory(folder: Path, store: Path, own: broker.Mosquitto) -> dict[str, float]:
    text = (
        (ROOT / "config" / "demo.toml").read_text()
        + f"""
[service]
listen = "127.0.0.1:{broker.free_port()}"
[broker]
host = "127.0.0.1"
port = {own.port}
username = "{broker.USER}"
password_file = "{own.password_file}"
[[sensor]]
name = "scale by the broker"
topic = "yard/scale"
cylinder = "A"
quantity = "gross_weight"
unit = "kg"
"""
    )
    path = folder / "site.toml"
    path.write_text(text)
    done = subprocess.run([sys.executable, "-c", MEMORY, str(path), str(store)], capture_output=True, text=True,
                          cwd=ROOT, timeout=300, check=False)  # fmt: skip
    if done.returncode:
        raise SystemExit(done.stderr)
    return {line.split()[0]: float(line.split()[1]) for line in done.stdout.splitlines()}


def main() -> None:
    """Fill, measure, print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rows", type=int, default=6_300_000)
    options.add_argument("--store", type=Path)
    options.add_argument("--no-memory", action="store_true")
    given = options.parse_args()
    now = datetime.fromisoformat("2031-01-06T01:30:00+00:00")
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        store = given.store or folder / "store.db"
        if not store.exists():
            fill(store, given.rows, now, site())
        with Store.open(store, readonly=True) as look:
            look.integrity()
        measure(store, now)
        if not given.no_memory:
            lived = folder / "lived.db"  # up to this machine's own time: the service doubts a store from later
            fill(lived, given.rows, datetime.now(UTC), site())
            for what, megabytes in memory(folder, lived).items():
                print(f"memory of the service, {what:<46} {megabytes:8.0f} MB")
        print(f"largest memory of this bench {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def _get(client: httpx.Client, path: str) -> None:
    client.get(path).raise_for_status()


def measure(store: Path, now: datetime) -> None:
    """Ask the served page and pandas for the same things; print a row each."""
    year = now - timedelta(days=366)
    print("cpu: whole process, so with the client that asks; pandas once, without drawing or sending")
    heads = ("least ms", "median ms", "cpu ms", "kB gzip", "pandas ms", "ratio")
    print(f"{'what':<46} " + " ".join(f"{h:>9}" for h in heads))
    with house.served(store, site(), now=now) as made, httpx.Client(base_url=made.url) as client:
        plain = {"/": lambda: pandas_latest(store), "/past?days=366": lambda: with_pandas(store, year, now)}
        for path in PATHS:
            least, median, cpu = best(partial(_get, client, path))
            size = len(gzip.compress(client.get(path).content, 6)) / 1000
            other = plain.get(path)
            beside = ""
            if other is not None:
                begun = time.perf_counter()
                other()
                taken = 1000 * (time.perf_counter() - begun)
                beside = f"{taken:9.0f} {taken / least:9.0f}"
            print(f"{path:<46} {least:9.1f} {median:9.1f} {cpu:9.1f} {size:9.1f} {beside}")


if __name__ == "__main__":
    main()
