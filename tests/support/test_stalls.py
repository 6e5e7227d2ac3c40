"""The measure that takes off what the machine took, tried on a process of its own that is stopped and goes on."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CODE = """
import sys, time
from tests.support.stalls import running
with running() as took:
    print("ready", flush=True)
    if sys.argv[1] == "waits":
        sys.stdin.readline()
    else:
        ends = time.process_time() + 0.5
        while time.process_time() < ends:
            pass
    print(took.s, took.taken_s, flush=True)
"""


def _measured(what: str, stopped_s: float = 0.0) -> tuple[float, float]:
    """Return (seconds counted, seconds taken off) in a process that was stopped for a while."""
    with subprocess.Popen(
        [sys.executable, "-c", CODE, what], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as child:  # fmt: skip
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        if stopped_s:
            child.send_signal(signal.SIGSTOP)
            time.sleep(stopped_s)
            child.send_signal(signal.SIGCONT)
        if what == "waits":
            time.sleep(0.2)
            child.stdin.write("\n")
            child.stdin.flush()
        counted, taken = map(float, child.stdout.readline().split())
        return counted, taken


def test_what_a_stop_took_is_taken_off() -> None:
    counted, taken = _measured("waits", 1.0)
    assert taken > 0.9
    assert counted > 0.0


def test_waiting_and_working_count() -> None:
    assert max(_measured("waits")[0] for _ in range(3)) > 0.1  # the best: the machine may take from any of them
    assert _measured("works")[0] > 0.4
