"""A power cut in the middle of a write.

The process is stopped (SIGSTOP) at random moments while it writes and the files are copied: all of them as they are at
one moment, as the page cache would have them. What the store said is durable is on the disk at that moment (it flushes
before it says so), so every reading acknowledged before the stop must be in the copy. That less than the page cache
reached the disk is tried in tests/store/test_power.py, where the log ends anywhere.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from random import Random

import pytest

from monitor.store import Store
from tests.service import faulting
from tests.service.conftest import Note
from tests.support.broker import wait_for

WRITES = """
import os, sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from monitor.model.reading import Quantity, Reading
from monitor.store.writer import Writer
writer = Writer(Path(sys.argv[1]))
at = datetime(2026, 1, 5, tzinfo=UTC)
for k in range(10**9):
    long = "x" * (k * 37 % 900)
    reading = Reading(at + timedelta(seconds=k), at, "A", Quantity.PROPANE_LEFT, 1.0 + k, "scale", note=long)
    said = str(k).encode() + b"\\n"
    writer.submit_reading(reading, lambda said=said: os.write(1, said), at_once=True)
    if k % 7 == 0:
        writer.flush().result()
"""


def _copy(store: Path, to: Path) -> None:
    to.mkdir()
    for name in (store.name, store.name + "-wal"):  # the index beside the log does not outlive the power
        if (file := store.with_name(name)).exists():
            shutil.copyfile(file, to / name)


def _stopped(pid: int) -> bool:
    stat = Path(f"/proc/{pid}/task")
    return all((t / "stat").read_text().rpartition(")")[2].split()[0] == "T" for t in stat.iterdir())


@pytest.mark.parametrize("cuts", [20, pytest.param(500, marks=[pytest.mark.soak, pytest.mark.timeout(3600)])])
def test_power_cut_in_the_middle_of_a_write(tmp_path: Path, fault: Note, cuts: int) -> None:
    chance, store, acknowledged = Random(11), tmp_path / "store.db", tmp_path / "acknowledged"
    with acknowledged.open("wb") as out:
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITES, str(store)], stdout=out, cwd=faulting.ROOT,
            env={**os.environ, "PYTHONPATH": str(faulting.ROOT)},
        )  # fmt: skip
    mid, longest = 0, 0.0
    try:
        wait_for(lambda: acknowledged.stat().st_size > 0, 60.0)
        for cut in range(cuts):
            time.sleep(chance.uniform(0.001, 0.06))
            writer.send_signal(signal.SIGSTOP)
            wait_for(lambda: _stopped(writer.pid))
            said = acknowledged.read_text().count("\n")
            _copy(store, tmp_path / f"cut{cut}")
            started = time.monotonic()
            with Store.open(tmp_path / f"cut{cut}" / store.name) as copy:
                values = [r.value for r in copy.readings()]
                assert copy.integrity(thorough=True) == []
                assert values[:said] == [1.0 + k for k in range(said)], f"lost at cut {cut}"
                assert values == [1.0 + k for k in range(len(values))]  # whole up to somewhere: no hole
            longest = max(longest, time.monotonic() - started)
            mid += len(values) > said  # stopped between commit and word: in the middle
            shutil.rmtree(tmp_path / f"cut{cut}")
            assert writer.poll() is None
            writer.send_signal(signal.SIGCONT)  # not before: what it writes meanwhile would make each look longer
    finally:
        writer.kill()
        writer.wait(30)
    assert said > cuts
    fault(
        f"power cut, {cuts} moments", lost=f"0 of {said} acknowledged readings", recovered_s=longest,
        told="at the next start: the last run ended without notice",
    )  # fmt: skip
