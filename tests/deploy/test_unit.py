"""The systemd unit: its sandbox as systemd itself rates it, and that it fits the service and the installer."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.deploy.support import DEPLOY, ROOT, clean, run

UNIT = DEPLOY / "boiloff.service"


def unit() -> dict[str, dict[str, list[str]]]:
    found: dict[str, dict[str, list[str]]] = {}
    section = ""
    for line in UNIT.read_text().splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(section, {}).setdefault(key, []).append(value)
    return found


def analyze() -> str:
    found = shutil.which("systemd-analyze")
    if found is None:
        pytest.fail("systemd-analyze is not here: apt-get install -y systemd")
    return found


def test_exposure_at_most_1_5() -> None:
    said = run(analyze(), "security", "--offline=true", "--no-pager", UNIT)
    figure = re.search(r"Overall exposure level for boiloff.service: ([\d.]+)", said)
    assert figure is not None, said
    assert float(figure[1]) <= 1.5, said


def test_systemd_finds_no_fault(tmp_path: Path) -> None:
    """`systemd-analyze verify`, with a program that is there in place of ours."""
    copy = tmp_path / "boiloff.service"
    copy.write_text(UNIT.read_text().replace("/opt/boiloff/current/bin/boiloff serve", "/bin/true"))
    done = subprocess.run(
        [analyze(), "verify", "--man=no", "--recursive-errors=no", copy], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "boiloff.service" not in done.stderr, done.stderr


def test_it_fits_the_service() -> None:
    service = unit()["Service"]
    assert service["Type"] == ["notify"]
    assert service["Restart"] == ["always"]
    assert int(service["WatchdogSec"][0]) >= 60
    assert service["User"] == ["boiloff"]
    assert service["StateDirectory"] == ["boiloff"]
    assert "BOILOFF_STORE=/var/lib/boiloff/boiloff.db" in service["Environment"]
    assert "BOILOFF_SITE=/etc/boiloff/site.toml" in service["Environment"]
    assert service["RestrictAddressFamilies"] == ["AF_UNIX AF_INET AF_INET6"]
    assert unit()["Unit"]["StartLimitIntervalSec"] == ["0"]  # it is tried again for ever: nobody is there to do it


def test_it_runs_where_no_memory_may_be_both_written_and_run(tmp_path: Path) -> None:
    """MemoryDenyWriteExecute=, by the kernel's own form of it (PR_SET_MDWE, Linux 6.3), on a run of the main job."""
    code = (
        "import ctypes, os, sys\n"
        "libc = ctypes.CDLL(None)\n"
        "if libc.prctl(65, 1, 0, 0, 0): sys.exit(77)\n"
        "os.execv(sys.executable, [sys.executable, *sys.argv[1:]])\n"
    )
    job = (
        "import ctypes, numpy, cryptography.hazmat.bindings._rust, argon2, dbus_fast, pydantic_core, mmap\n"
        "import monitor.web.app, monitor.service.run\n"
        "argon2.PasswordHasher().hash('word')\n"
        "assert numpy.linalg.solve(numpy.eye(50) + 1, numpy.ones(50)).shape == (50,)\n"
        "libc = ctypes.CDLL(None); assert libc.prctl(66, 0, 0, 0, 0) == 1\n"
        "try: mmap.mmap(-1, 4096, prot=mmap.PROT_WRITE | mmap.PROT_EXEC)\n"
        "except PermissionError: print('held')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "-c", job],
        cwd=ROOT,
        env=clean(tmp_path),
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode == 77:
        pytest.skip("this kernel has no PR_SET_MDWE")
    assert done.returncode == 0, done.stderr
    assert done.stdout == "held\n"
