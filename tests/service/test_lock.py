"""One service per store."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.model.errors import BadInput
from monitor.service.lock import Lock, holder

HOLD = """
import sys, time
from pathlib import Path
from monitor.service.lock import Lock
Lock(Path(sys.argv[1])).take()
print("held", flush=True)
time.sleep(60)
"""


def test_the_second_is_refused_and_told_who_has_it(tmp_path: Path) -> None:
    store = tmp_path / "deep" / "s.db"
    assert holder(store) is None
    with Lock(store):
        assert holder(store) == os.getpid()
        with pytest.raises(BadInput, match=f"Process {os.getpid()} runs on it"):
            Lock(store).take()
    assert holder(store) is None
    with Lock(store):
        pass


def test_a_killed_service_leaves_no_lock(tmp_path: Path) -> None:
    store = tmp_path / "s.db"
    with subprocess.Popen([sys.executable, "-c", HOLD, str(store)], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        assert holder(store) == other.pid
        with pytest.raises(BadInput):
            Lock(store).take()
        other.send_signal(signal.SIGKILL)
        other.wait(30)
    assert holder(store) is None
    with Lock(store):
        assert holder(store) == os.getpid()
