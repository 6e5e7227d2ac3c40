"""A Debian of its own with systemd as its first process: made by debootstrap, started by systemd-nspawn. Needs root.

What a chroot cannot show is seen here: that the sandbox of the unit file lets the service live, that the watchdog acts,
that it comes back after a reboot and after a power cut. The network is this machine's.
"""

from __future__ import annotations

import os
import shutil
import signal
import ssl
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from packaging.utils import canonicalize_name

from tests.deploy.support import run
from tests.deploy.test_lock import entries, pinned

NEEDED = {"debootstrap": "debootstrap", "systemd-nspawn": "systemd-container", "nsenter": "util-linux"}
PACKAGES = "systemd,systemd-sysv,dbus,python3,python3-venv,ca-certificates"
PLATFORMS = ("manylinux2014", "manylinux_2_17", "manylinux_2_28", "manylinux_2_34")
_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"


def missing() -> list[str]:
    """Return what this machine lacks for it, in words."""
    lacking = [f"{tool} (apt-get install {package})" for tool, package in NEEDED.items() if shutil.which(tool) is None]
    return lacking + ([] if os.geteuid() == 0 else ["root's rights"])


class Machine:
    """One root and what runs in it."""

    def __init__(self, root: Path, suite: str, wheels: Path) -> None:
        """Make the root: Debian's base, the packages that systemd and the installer need, nothing else."""
        self.root = root
        run("debootstrap", "--variant=minbase", f"--include={PACKAGES}", suite, root)
        shutil.copy("/etc/resolv.conf", root / "etc/resolv.conf")
        self._wheels = wheels
        bundle = ssl.get_default_verify_paths().cafile
        if bundle:  # this machine's: it may stand behind a proxy of its own
            shutil.copy(bundle, root / "root/bundle.pem")
        self._nspawn: subprocess.Popen[bytes] | None = None
        self._first = 0

    def put(self, tree: Path, name: str) -> str:
        """Copy a tree to /root/NAME; return that path as seen inside."""
        shutil.copytree(tree, self.root / "root" / name, symlinks=True)
        return f"/root/{name}"

    def boot(self) -> float:
        """Start it; return the seconds until systemd has started everything."""
        began = time.monotonic()
        with (self.root.parent / f"{self.root.name}.console").open("ab") as console:
            self._nspawn = subprocess.Popen(
                ["systemd-nspawn", "--register=no", "--keep-unit", "-D", self.root, f"--bind-ro={self._wheels}:/wheels",
                 "--boot"],
                stdin=subprocess.DEVNULL, stdout=console, stderr=console, start_new_session=True,
            )  # fmt: skip
        until(self._found, 60.0, "the first process")
        until(lambda: self.state("is-system-running") in {"running", "degraded"}, 120.0, "a running system")
        return time.monotonic() - began

    def _found(self) -> bool:
        """Find the first process of the machine, as this one numbers it."""
        assert self._nspawn is not None
        assert self._nspawn.poll() is None, "systemd-nspawn ended: see the console file beside the root"
        pid = self._nspawn.pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        self._first = int(children[-1]) if children else 0
        return bool(self._first) and Path(f"/proc/{self._first}/root/run/dbus/system_bus_socket").exists()

    def run(self, *command: str, check: bool = True) -> str:
        """Run a command inside as root; return all it printed."""
        env = [f"PATH={_PATH}", "HOME=/root", "LANG=C.UTF-8", "PIP_FIND_LINKS=/wheels", "PIP_NO_INDEX=1",
               "SSL_CERT_FILE=/root/bundle.pem"]  # fmt: skip
        done = subprocess.run(
            ["nsenter", "-t", str(self._first), "-m", "-u", "-i", "-p", "-C", "-r", "-w", "env", "-i", *env, *command],
            capture_output=True, text=True, check=False, timeout=600,
        )  # fmt: skip
        said = done.stdout + done.stderr
        assert done.returncode == 0 or not check, f"{command}: {done.returncode}\n{said}"
        return said

    def state(self, verb: str = "is-active", *of: str) -> str:
        """What `systemctl VERB` answers."""
        return self.run("systemctl", verb, *of, check=False).strip()

    def pid(self) -> int:
        """The service's main process, as numbered inside; 0 where there is none."""
        return int(self.run("systemctl", "show", "-p", "MainPID", "--value", "boiloff", check=False).strip() or 0)

    def back(self, before: int, seconds: float) -> float:
        """Wait until the service runs with another process; return the seconds that took."""
        began = time.monotonic()
        until(lambda: self.pid() not in {0, before} and self.state("is-active", "boiloff") == "active", seconds,
              "the service")  # fmt: skip
        return time.monotonic() - began

    def shut_down(self) -> None:
        """Power it off as a person would."""
        if self._nspawn is not None:
            self.run("systemctl", "poweroff", check=False)
            self._nspawn.wait(120)
            self._nspawn = None

    def cut_power(self) -> None:
        """Every process in it is gone at once; nothing is asked."""
        if self._nspawn is not None:
            if self._first:
                os.kill(self._first, signal.SIGKILL)  # the kernel takes the whole process namespace with it
            self._nspawn.kill()
            self._nspawn.wait(60)
            self._nspawn = None


def until(true: Callable[[], bool], seconds: float, what: str) -> None:
    """Wait until `true()`."""
    ends = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < ends, f"waited {seconds:.0f} s for {what} in vain"
        time.sleep(0.2)


def wheel_house(folder: Path, python: str) -> Path:
    """Fetch what the two locks name for another Python (as "3.13"), so that the machine needs no package index."""
    machine = os.uname().machine
    tags = [f"--platform={name}_{machine}" for name in PLATFORMS]
    folder.mkdir()
    for lock in ("lock.txt", "lock-build.txt"):
        # pip reads an environment marker by the Python that it runs on itself, so the lock is put down without them
        chosen = pinned(lock, python, machine)
        plain = folder / lock
        plain.write_text("".join(
            f"{one.name}{one.specifier} {' '.join(f'--hash={value}' for value in hashes)}\n"
            for one, hashes in entries(lock) if str(one.specifier) == f"=={chosen[canonicalize_name(one.name)]}"
        ))  # fmt: skip
        run(
            "python3", "-m", "pip", "download", "--quiet", "--require-hashes", "--only-binary=:all:", "--no-deps",
            f"--python-version={python}", "--implementation=cp", f"--abi=cp{python.replace('.', '')}", "--abi=abi3",
            "--abi=none", *tags, "-d", folder, "-r", plain,
        )  # fmt: skip
    return folder
