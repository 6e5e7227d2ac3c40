"""The whole service on a disk that is full, that takes no more, that is read-only, or whose database is held."""

from __future__ import annotations

import asyncio
import contextlib
import resource
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.service import faulting, harness
from tests.service.conftest import Note
from tests.service.test_faults import trouble
from tests.support.broker import Mosquitto, wait_for
from tests.support.stalls import running


def _has(run: faulting.Served, values: list[float]) -> bool:
    return set(values) <= set(run.values())


def _limit(run: faulting.Served) -> Callable[[], None]:
    """Let no file of the process grow; return what takes that back. The log is appended to, so it stays silent too."""
    size = max(p.stat().st_size for p in run.store.parent.glob(run.store.name + "*") if not p.name.endswith("-shm"))
    old = resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
    return lambda: resource.prlimit(run.process.pid, resource.RLIMIT_FSIZE, old) and None


@pytest.mark.parametrize("how", ["full", "limit"])
def test_disk_full(tmp_path: Path, broker: Mosquitto, fault: Note, how: str) -> None:
    """No byte left on the disk, then room again: "full" on a small disk, "limit" by a limit on the process's files."""
    values = faulting.several(faulting.MOST)
    with contextlib.ExitStack() as stack:
        disk = stack.enter_context(faulting.small_disk(tmp_path / "disk")) if how == "full" else None
        folder = disk or tmp_path / "disk"  # without root "full" goes by the limit as well
        folder.mkdir(exist_ok=True)
        run = stack.enter_context(faulting.served(tmp_path / "site", broker, folder / "store.db"))
        faulting.publish(broker, values[:5])
        wait_for(lambda: _has(run, values[:5]))
        room = faulting.fill(folder) if disk else _limit(run)
        faulting.publish(broker, values[5:])
        run.wait_log("cannot be written and are kept in memory")
        assert run.process.poll() is None
        wait_for(lambda: "store" in run.troubles())  # it looks every 5 s; the store itself cannot take it
        told = run.troubles()
        assert ("disk" in told) == bool(disk), told
        kept = set(run.values())
        assert not set(values) <= kept
        room()
        with running() as clock:
            wait_for(lambda: _has(run, values), 60.0)
            took = clock.s
        words = told["store"].replace(str(tmp_path), "")
        wait_for(lambda: not {"store", "disk"} & set(run.troubles()), 60.0)
        assert run.end() == 0
    assert took < 12.0  # it looks again at least every 10 s
    name = "disk full" if how == "full" else "no file may grow"
    fault(name, lost=f"0 of {len(values)} readings", recovered_s=took, told=words)


def test_disk_read_only_at_start(tmp_path: Path, broker: Mosquitto, fault: Note) -> None:
    """Mounted read-only: it says so and ends; when it can be written again it takes over what the broker kept."""
    folder = tmp_path / "disk"
    folder.mkdir()
    values = faulting.several(20)
    with faulting.served(tmp_path / "site", broker, folder / "store.db") as run:
        faulting.publish(broker, values[:5])
        wait_for(lambda: _has(run, values[:5]))
        assert run.end() == 0
    faulting.publish(broker, values[5:])
    with faulting.read_only(folder):
        log = len(run.log)
        failed = faulting.begin(run.site, run.store, watching=False)
        assert failed.wait(60) not in {0, -9}
        said = run.log[log:].strip()
    assert "Traceback" not in said
    assert "store.db" in said
    started = time.monotonic()
    run.process = faulting.begin(run.site, run.store)
    try:
        wait_for(lambda: _has(run, values), 60.0)
        took = time.monotonic() - started
        assert run.end() == 0
    finally:
        run.process.kill()
    words = said.splitlines()[-1].replace(str(tmp_path), "").strip()
    fault("read-only at start", lost=f"0 of {len(values)} readings", recovered_s=took, told=words)


async def test_disk_read_only_while_it_runs(
    tmp_path: Path, broker: Mosquitto, fault: Note, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the refusal of SQLite itself: no open file can be made read-only from outside, as a failing card does."""
    monkeypatch.setattr("monitor.service.loops.LOOK_S", 0.2)
    seen = harness.Seen()
    path = harness.write_site(tmp_path, harness.SITE, harness.sensors(), harness.broker_table(broker), faulting.QUICK)

    async with harness.running(path, hooks=seen.hooks()) as daemon:
        writer = daemon.core.writer

        def kept() -> int:
            with harness.look(daemon) as store:
                return len(store.readings())

        await harness.until(lambda: seen.rounds and harness.hears(daemon, broker))
        await asyncio.to_thread(broker.publish, "yard/A", "25.5")
        await harness.until(lambda: kept() == 1)
        writer.peek(lambda store: store._db.execute("PRAGMA query_only = ON")).result(30)
        await asyncio.to_thread(broker.publish, "yard/B", "24.5")
        await harness.until(lambda: trouble(daemon, "store") is not None, what="the store in status")
        said = trouble(daemon, "store")
        assert said is not None
        assert kept() == 1
        writer.peek(lambda store: store._db.execute("PRAGMA query_only = OFF")).result(30)
        started = time.monotonic()
        await harness.until(lambda: kept() == 2, what="what waited in memory")
        took = time.monotonic() - started
        await harness.until(lambda: trouble(daemon, "store") is None, what="the store works again")
    fault(
        "read-only while it runs", lost="0 of 2 readings", recovered_s=took, told=said.words.replace(str(tmp_path), "")
    )


def test_database_held_by_another(tmp_path: Path, broker: Mosquitto, fault: Note) -> None:
    """Another connection holds the write lock for some seconds."""
    values = faulting.several(50)
    with faulting.served(tmp_path / "site", broker, tmp_path / "store.db") as run:
        faulting.publish(broker, values[:5])
        wait_for(lambda: _has(run, values[:5]))
        with contextlib.closing(sqlite3.connect(run.store, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            faulting.publish(broker, values[5:])
            time.sleep(4.0)
            assert not _has(run, values)
            assert "outlook" not in run.troubles()  # the last one can be read meanwhile
            other.execute("ROLLBACK")
        started = time.monotonic()
        wait_for(lambda: _has(run, values), 60.0)
        took = time.monotonic() - started
        assert run.end() == 0
    fault(
        "database locked 4 s",
        lost=f"0 of {len(values)} readings",
        recovered_s=took,
        told="nothing: within 10 s it waits",
    )
