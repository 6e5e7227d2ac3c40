"""`boiloff serve` as a process of its own, and faults that a machine can bring: a small disk, a read-only one.

Each fault has a way with root (mounts) and one without (limits of the process, modes of the folder).
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitor.service import status as view
from monitor.site import load
from monitor.store import Store
from tests.service import harness
from tests.support.broker import Mosquitto, close, wait_for

ROOT = Path(__file__).resolve().parents[2]
QUICK = '\n[service]\nweb = false\ncommit_every = "1 s"\noutlook_every = "10 s"\n'
SCALE = """
[[sensor]]
name = "scale A"
way = "mqtt"
cylinder = "A"
quantity = "gross_weight"
topic = "yard/A"
unit = "kg"
pointer = "/kg"
time_pointer = "/at"
interval = "1 min"
"""
MOST = 1200  # readings of one test
_BEGAN = datetime.now(UTC) - timedelta(minutes=MOST)
_NODEV, _RDONLY, _REMOUNT, _BIND, _DETACH = 4, 1, 32, 4096, 2


@dataclass
class Served:
    """A `boiloff serve` that runs, and its broker."""

    process: subprocess.Popen[bytes]
    site: Path
    store: Path
    broker: Mosquitto

    @property
    def log(self) -> str:
        """What it logged."""
        return self.site.with_name("log").read_text()

    def wait_log(self, words: str, seconds: float = 60.0) -> None:
        """Wait until it logs something."""
        wait_for(lambda: words in self.log or self.process.poll() is not None, seconds)
        assert words in self.log, self.log

    def values(self, source: str = "") -> list[float | None]:
        """The readings in the store."""
        with Store.open(self.store, readonly=True) as store:
            return [r.value for r in store.readings() if source in {"", r.source}]

    def troubles(self) -> dict[str, str]:
        """What `boiloff status` says is wrong."""
        return troubles(self.site, self.store)

    def listens(self) -> None:
        """Wait until its session is at the broker."""
        wait_for(lambda: self.broker.subscribed("boiloff-service", "yard/A"), 60.0)

    def end(self) -> int:
        """SIGTERM; return how it ended."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        return self.process.wait(60)


def troubles(site: Path, store_path: Path) -> dict[str, str]:
    """What `boiloff status` says is wrong on a store, by what it is of."""
    with Store.open(store_path, readonly=True) as store:
        seen = view.look(load(site), store, store_path, datetime.now(UTC))
    return {t.what: t.words for t in seen.troubles}


def begin(site: Path, store: Path, *, watching: bool = True) -> subprocess.Popen[bytes]:
    """Start `boiloff serve`; its log goes beside the site file."""
    log = site.with_name("log")
    before = log.read_text().count("watching") if log.exists() else 0
    with log.open("ab") as err:
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "serve", "--site", str(site), "--store", str(store)],
            stderr=err, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT), "WATCHDOG_USEC": str(3 * 10**6)},
        )  # fmt: skip
    if watching:
        wait_for(lambda: log.read_text().count("watching") > before or process.poll() is not None, 60.0)
        assert process.poll() is None, log.read_text()
    return process


@contextlib.contextmanager
def served(folder: Path, broker: Mosquitto, store: Path, *more: str) -> Iterator[Served]:
    """Run `boiloff serve` with a scale at a broker."""
    site = harness.write_site(folder, harness.SITE, SCALE, harness.broker_table(broker), QUICK, *more)
    run = Served(begin(site, store), site, store, broker)
    try:
        run.listens()
        yield run
    finally:
        if run.process.poll() is None:
            run.process.kill()
            run.process.wait(30)


def publish(broker: Mosquitto, values: list[float], topic: str = "yard/A") -> None:
    """Publish readings, each safe at the broker when this returns."""
    client = broker.client("faulting")
    try:
        for info in [
            client.publish(topic, json.dumps({"kg": v, "at": measured(v).isoformat()}), qos=1) for v in values
        ]:
            info.wait_for_publish(60)
    finally:
        close(client)


def several(count: int, first: float = 20.0) -> list[float]:
    """Weights in kg, no two the same, no step that matters."""
    return [round(first + 1e-3 * k, 5) for k in range(count)]


def measured(value: float) -> datetime:
    """When a weight of `several` was measured: a minute apart, as the sensor's interval is."""
    return _BEGAN + timedelta(minutes=round((value - 20.0) * 1e3))


def _libc(call: str, *arguments: object) -> None:
    if getattr(ctypes.CDLL(None, use_errno=True), call)(*arguments) != 0:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()), call)


def may_mount() -> bool:
    """Whether file systems may be mounted here."""
    return os.geteuid() == 0


@contextlib.contextmanager
def small_disk(folder: Path, size: int = 4 << 20) -> Iterator[Path | None]:
    """A disk of `size` bytes at `folder`; None where only root could mount it."""
    folder.mkdir(parents=True, exist_ok=True)
    try:
        _libc("mount", b"none", bytes(folder), b"tmpfs", _NODEV, f"size={size}".encode())
    except OSError:
        yield None
        return
    try:
        yield folder
    finally:
        _libc("umount2", bytes(folder), _DETACH)


def fill(disk: Path) -> Callable[[], None]:
    """Write a file until the disk has no byte left; return what takes it away."""
    ballast = disk / "ballast"
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(b"\0" * 4096)
    return ballast.unlink


@contextlib.contextmanager
def read_only(folder: Path) -> Iterator[str]:
    """A folder that cannot be written: mounted so where that is allowed, else by its modes. Yields which."""
    try:
        _libc("mount", bytes(folder), bytes(folder), None, _BIND, None)
    except OSError:
        kept = {p: p.stat().st_mode for p in [*folder.iterdir(), folder]}
        for path in kept:
            path.chmod(0o555 if path.is_dir() else 0o444)
        try:
            yield "modes"
        finally:
            for path, mode in reversed(kept.items()):
                path.chmod(mode)
        return
    try:
        _libc("mount", None, bytes(folder), None, _BIND | _REMOUNT | _RDONLY, None)
        yield "mount"
    finally:
        _libc("umount2", bytes(folder), _DETACH)
