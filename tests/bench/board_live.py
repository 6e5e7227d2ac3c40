"""The running part of `tests.bench.board`: processes beside each other on one broker, looked at through /proc."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.service.household import write_forecast
from tests.support.broker import USER, Mosquitto, close, free_port

ROOT = Path(__file__).parents[2]
TICK = os.sysconf("SC_CLK_TCK")
CYLINDER = """
[[cylinder]]
name = "C{k}"
size = "40 lb"
tare = "29 lb"
"""
SENSOR = """
[[sensor]]
name = "scale {k}"
way = "mqtt"
cylinder = "C{k}"
quantity = "gross_weight"
topic = "yard/{k}"
unit = "kg"
pointer = "/kg"
time_pointer = "/at"
noise = "0.1 kg"
interval = "1 min"
"""
HEAD = """
[site]
name = "Board (invented)"
latitude = 44.0
longitude = -103.0
timezone = "America/Denver"
units = "us"

[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
when = "05-23"

[[appliance]]
name = "Heater"
input = "{heater} W"
continuous = true

[broker]
host = "127.0.0.1"
port = {port}
username = "{user}"
password_file = "{password}"

[[weather]]
kind = "file"
path = "{weather}"

[service]
listen = "127.0.0.1:{page}"
"""


def site_file(folder: Path, broker: Mosquitto, cylinders: int) -> Path:
    """Write a site with a scale under each cylinder, a forecast in a file and a page that nobody opens."""
    weather = folder / "forecast.csv"
    _forecast(weather)
    text = HEAD.format(heater=150 * cylinders, port=broker.port, user=USER, password=broker.password_file,
                       weather=weather, page=free_port())  # fmt: skip
    text += "".join(CYLINDER.format(k=k) + SENSOR.format(k=k) for k in range(cylinders))
    path = folder / "site.toml"
    path.write_text(text)
    return path


def _forecast(path: Path) -> None:
    """The demo's forecast, with this machine's own time."""
    from monitor.service import household

    write_forecast(path, household.START)
    shift = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - household.START
    lines = path.read_text().splitlines()
    moved = [lines[0]]
    for line in lines[1:]:
        when, *middle, issued = line.split(",")
        then = (datetime.fromisoformat(t) + shift for t in (when, issued))
        a, b = (t.strftime("%Y-%m-%dT%H:%M:%SZ") for t in then)
        moved.append(",".join([a, *middle, b]))
    path.write_text("\n".join(moved) + "\n")


@dataclass
class Seen:
    """One process over one window: processor (s), memory (MB), bytes written to files, seconds to the first word."""

    cpu_s: float
    rss_mb: float
    wrote: int
    ready_s: float
    told: dict[str, Any]
    peak_mb: float = 0.0

    def delay(self, share: float) -> float:
        """A quantile of the delays (ms)."""
        delays = self.told["delays"]
        return 1000.0 * float(delays[min(len(delays) - 1, int(share * len(delays)))]) if delays else float("nan")


def _stat(pid: int) -> tuple[float, float, int]:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    wrote = re.search(r"write_bytes: (\d+)", Path(f"/proc/{pid}/io").read_text())
    assert wrote is not None
    return (int(fields[11]) + int(fields[12])) / TICK, memory(pid, "VmRSS"), int(wrote[1])


def memory(pid: int | str, which: str) -> float:
    """Resident memory of a process (MB): VmRSS now, VmHWM at its highest."""
    found = re.search(rf"{which}:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    assert found is not None
    return int(found[1]) / 1024


class Process:
    """A program of `boarded`, started and waited for."""

    def __init__(self, *args: object) -> None:
        began = time.monotonic()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.boarded", *map(str, args)], stdout=subprocess.PIPE, text=True, cwd=ROOT
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline().strip() == "judged", args[:2]
        self.ready_s = time.monotonic() - began
        self.pid = self._process.pid
        self.before = (0.0, 0.0, 0)

    def mark(self) -> None:
        """The window begins."""
        self.before = _stat(self.pid)

    def seen(self) -> Seen:
        """The window ends; so does the process."""
        cpu, rss, wrote = _stat(self.pid)
        peak = memory(self.pid, "VmHWM")
        self._process.send_signal(signal.SIGTERM)
        out = self._process.communicate(timeout=30)[0]
        told = json.loads(out.strip().splitlines()[-1])
        return Seen(cpu - self.before[0], rss, wrote - self.before[2], self.ready_s, told, peak)


@contextlib.contextmanager
def broker_in(folder: Path) -> Iterator[Mosquitto]:
    """A broker of the bench's own."""
    made = Mosquitto(folder / "mosquitto")
    made.start()
    try:
        yield made
    finally:
        made.kill()


def beside(folder: Path, cylinders: int, seconds: float, settle_s: float) -> tuple[Seen, Seen]:
    """Service and bare program on the same messages, one a minute of each cylinder; a window of `seconds`."""
    with broker_in(folder) as broker:
        path = site_file(folder, broker, cylinders)
        topics = [f"yard/{k}" for k in range(cylinders)]
        bare = Process("bare", broker.port, broker.password_file, folder / "bare.db", *topics)
        service = Process("ours", path, folder / "store.db")
        sender = broker.client("senders")
        turn = _send(sender, topics, settle_s, 0)
        for process in (bare, service):
            process.mark()
        _send(sender, topics, seconds, turn)
        found = service.seen(), bare.seen()
        close(sender)
    return found


def _send(sender: Any, topics: list[str], seconds: float, turn: int) -> int:
    """A message a minute of each topic, spread over the minute."""
    gap, begun = 60.0 / len(topics), time.monotonic()
    sent = 0
    while time.monotonic() - begun < seconds:
        k = turn % len(topics)
        table = {"kg": round(25.0 - 0.0001 * (turn // len(topics)) + 0.01 * (turn % 5), 3), "at": time.time()}
        sender.publish(topics[k], json.dumps(table), 1)
        turn, sent = turn + 1, sent + 1
        time.sleep(max(0.0, begun + sent * gap - time.monotonic()))
    return turn


def starts(folder: Path, times: int) -> tuple[list[float], list[float]]:
    """Seconds from the start of the process to the first judged outlook, and to the bare program's subscription."""
    ours, bares = [], []
    with broker_in(folder) as broker:
        path = site_file(folder, broker, 4)
        for k in range(times):
            service = Process("ours", path, folder / f"start{k}.db")
            ours.append(service.ready_s)
            service.seen()
            bare = Process("bare", broker.port, broker.password_file, folder / f"bare{k}.db", "yard/0")
            bares.append(bare.ready_s)
            bare.seen()
    return ours, bares


def middle(values: list[float]) -> float:
    """The median."""
    return statistics.median(values)
