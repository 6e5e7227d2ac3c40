"""The installed service under a real systemd: its sandbox, watchdog, reboot, power cut, upgrade, the way back, removal.

sudo apt-get install debootstrap systemd-container
sudo .venv/bin/python -m pytest tests/deploy/test_boot.py -m soak -s -n 0
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor import __version__
from tests.deploy import booted
from tests.deploy.support import as_released, copied, released

READ = ("boiloff", "reading", "A", "--weighs")
# The watchdog of the unit file waits two minutes; here fifteen seconds, by the way that the unit file names.
DROP_IN = "[Service]\nWatchdogSec=15\nRestartSec=1\n"


@pytest.fixture(params=[("bookworm", "3.11"), ("trixie", "3.13")], ids=["debian-12", "debian-13"])
def machine(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[booted.Machine]:
    lacking = booted.missing()
    if lacking:
        pytest.fail(f"needs {', '.join(lacking)}")
    suite, python = request.param
    made = booted.Machine(tmp_path / "machine", suite, booted.wheel_house(tmp_path / "wheels", python))
    try:
        yield made
    finally:
        made.cut_power()


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_installed_it_lives_under_systemd(machine: booted.Machine, tmp_path: Path) -> None:
    first = next(iter(released()))
    older = machine.put(as_released(tmp_path / "older", first), "older")
    this = machine.put(copied(tmp_path / "this"), "this")
    broken = machine.put(_broken(tmp_path / "broken"), "broken")
    told: dict[str, float | str] = {"boot s": machine.boot()}

    said = machine.run(f"{older}/deploy/install", "--site", f"{older}/config/example.toml")
    assert "started the service" in said
    assert machine.state("is-active", "boiloff") == "active"
    assert machine.state("is-enabled", "boiloff") == "enabled"
    assert first in machine.run("boiloff", "--version")
    machine.run(*READ, "60 lb")
    _sandboxed(machine, told)

    _dies_and_hangs(machine, told)

    machine.run(*READ, "59 lb")
    machine.shut_down()
    told["boot again s"] = machine.boot()
    booted.until(lambda: machine.state("is-active", "boiloff") == "active", 60.0, "the service after a reboot")
    machine.run(*READ, "58 lb")
    machine.cut_power()
    machine.boot()
    booted.until(lambda: machine.state("is-active", "boiloff") == "active", 60.0, "the service after a power cut")
    assert _weights(machine) == ["58", "59", "60"]

    said = machine.run(f"{this}/deploy/install")
    assert f"current is now {__version__}" in said
    assert "copied the data" in said
    assert __version__ in machine.run("boiloff", "--version")
    assert _weights(machine) == ["58", "59", "60"]
    assert "Nothing to change" in machine.run(f"{this}/deploy/install")

    pid = machine.pid()
    said = machine.run(f"{broken}/deploy/install", check=False)
    assert "the new version did not start (above); the old one is back" in said
    assert __version__ in machine.run("boiloff", "--version")
    machine.back(pid, 60.0)
    assert _weights(machine) == ["58", "59", "60"]

    machine.run(f"{this}/deploy/install", "--uninstall")
    assert machine.state("is-active", "boiloff") == "inactive"
    assert (machine.root / "var/lib/boiloff/boiloff.db").exists()
    assert (machine.root / "etc/boiloff/site.toml").exists()
    assert "started the service" in machine.run(f"{this}/deploy/install")
    assert _weights(machine) == ["58", "59", "60"]
    machine.run(f"{this}/deploy/install", "--uninstall", "--purge")
    assert not (machine.root / "var/lib/boiloff").exists()
    assert not (machine.root / "etc/boiloff").exists()
    assert "boiloff" not in (machine.root / "etc/passwd").read_text()
    print(json.dumps(told, indent=1))


def _broken(to: Path) -> Path:
    """The checkout as a newer version that loads, but cannot serve."""
    tree = copied(to, "0.9.9")
    command = tree / "monitor/commands/serve.py"
    line = "    from monitor.service import run\n"
    assert line in command.read_text()
    command.write_text(command.read_text().replace(line, '    raise RuntimeError("this version is broken")\n'))
    return tree


def _dies_and_hangs(machine: booted.Machine, told: dict[str, float | str]) -> None:
    """It comes back when it is killed, and when it does nothing any more."""
    drop_in = machine.root / "etc/systemd/system/boiloff.service.d"
    drop_in.mkdir()
    (drop_in / "override.conf").write_text(DROP_IN)
    machine.run("systemctl", "daemon-reload")
    machine.run("systemctl", "restart", "boiloff")
    pid = machine.pid()
    machine.run("sh", "-c", f"kill -KILL {pid}")
    told["back after SIGKILL s"] = machine.back(pid, 60.0)
    pid = machine.pid()
    machine.run("sh", "-c", f"kill -STOP {pid}")
    told["back after hanging s (watchdog of 15 s)"] = machine.back(pid, 90.0)
    assert "Watchdog timeout" in machine.run("journalctl", "-u", "boiloff", "--no-pager")


def _sandboxed(machine: booted.Machine, told: dict[str, float | str]) -> None:
    """What the kernel says of the running process, and what systemd says of the unit."""
    status = machine.run("cat", f"/proc/{machine.pid()}/status")
    of = dict(line.split(":\t", 1) for line in status.splitlines() if ":\t" in line)
    assert of["NoNewPrivs"] == "1"
    assert of["Seccomp"] == "2"
    assert int(of["CapEff"], 16) == 0
    assert int(of["CapBnd"], 16) == 0
    assert of["Uid"].split()[0] != "0"
    told["RSS MB"] = int(of["VmRSS"].split()[0]) / 1024.0
    exposure = re.search(
        r"exposure level for boiloff.service: ([\d.]+)", machine.run("systemd-analyze", "security", "boiloff")
    )
    assert exposure is not None
    assert float(exposure[1]) <= 1.5
    told["exposure"] = exposure[1]


def _weights(machine: booted.Machine) -> list[str]:
    """The weighings kept, in order (lb)."""
    return sorted(re.findall(r"weighs +(\d+)\.0 lb", machine.run("boiloff", "reading", "--list")))
