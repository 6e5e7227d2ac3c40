"""Datagrams as sd_notify(3) has them, to a socket of our own."""

from __future__ import annotations

import contextlib
import os
import socket
import time
from pathlib import Path

import pytest

from monitor.service import systemd
from monitor.service.systemd import Notifier, watchdog_s


@pytest.mark.parametrize("abstract", [False, True])
def test_tells_the_service_manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, abstract: bool) -> None:
    name = f"@boiloff-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name[1:] if abstract else name)
        manager.settimeout(30.0)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        notifier = Notifier()
        notifier.ready()
        assert manager.recv(200) == b"READY=1"
        notifier.alive()
        assert manager.recv(200) == b"WATCHDOG=1"
        notifier.status("two\nlines")
        assert manager.recv(200) == b"STATUS=two lines"
        notifier.reloading()
        lines = dict(line.split("=") for line in manager.recv(200).decode().split("\n"))
        assert lines["RELOADING"] == "1"
        assert int(lines["MONOTONIC_USEC"]) > 0
        notifier.stopping()
        assert manager.recv(200) == b"STOPPING=1"


def test_long_work_at_a_start_asks_for_time_until_it_is_done(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(systemd, "AGAIN_S", 0.05)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(30.0)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        with Notifier().busy():
            for _ in range(2):
                assert manager.recv(200) == b"EXTEND_TIMEOUT_USEC=90000000\nWATCHDOG=1"
        manager.setblocking(False)
        with contextlib.suppress(BlockingIOError):  # what was sent meanwhile
            while True:
                manager.recv(200)
        time.sleep(0.2)
        with pytest.raises(BlockingIOError):
            manager.recv(200)


def test_silent_without_a_manager(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not Notifier().tell(ready="1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "nobody"))
    assert not Notifier().tell(ready="1")


def test_watchdog_is_only_for_the_process_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    assert watchdog_s() is None
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    assert watchdog_s() == 30.0
    monkeypatch.setenv("WATCHDOG_PID", "1")
    assert watchdog_s() is None
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
    assert watchdog_s() == 30.0
