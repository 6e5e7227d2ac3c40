"""The world around a soaked service: broker, radio, forecast server, hook for alerts, somebody who sees the page."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt

from monitor.sensors.bthome import UUID
from monitor.service.clock import FastClock, uptime_s
from tests.notify.sinks import Web, web_server
from tests.service.soaked import world
from tests.support.bluez import Bluez
from tests.support.broker import USER, Mosquitto, close, free_port
from tests.weather.servers.base import Asked, Reply
from tests.weather.servers.open_meteo import OpenMeteo

ROOT = Path(__file__).parents[2]
START = datetime(2031, 1, 6, 20, 0, tzinfo=UTC)
RADIO = "C0:FF:EE:00:00:07"
PAGES = ("/", "/outlook?hours=240", "/past?days=31", "/inputs", "/alerts", "/readings", "/v1/outlook", "/metrics")
SENSORS = """
[[sensor]]
name = "{name}"
way = "{way}"
{subject}
quantity = "{quantity}"
{more}
interval = "10 min"
"""
MORE = """
[broker]
host = "127.0.0.1"
port = {port}
username = "{user}"
password_file = "{password_file}"

[[weather]]
kind = "open-meteo"
base_url = "{weather}"

[[channel]]
name = "hook"
url = "json://127.0.0.1:{hook}"

[alerts]
low_fuel = ["20 %", "15 %"]
quiet = false

[service]
listen = "127.0.0.1:{page}"
"""


def _sensor(name: str, way: str, of: str, quantity: str, more: str) -> str:
    subject = 'subject = "site"' if of == "site" else f'cylinder = "{of}"'
    return SENSORS.format(name=name, way=way, subject=subject, quantity=quantity, more=more)


def site_text(broker: Mosquitto, weather: str, hook: int, page: int) -> str:
    """The demo's household with sensors of every kind, all with an interval of ten minutes."""
    base = (ROOT / "config" / "demo.toml").read_text().partition("[[sensor]]")[0]
    sensors = [
        _sensor("scale", "mqtt", "A", "gross_weight", 'topic = "yard/scale"\nunit = "kg"\nnoise = "0.1 kg"'),
        _sensor("yard", "mqtt", "site", "air_temperature", 'topic = "yard/air"\nunit = "°C"\npointer = "/air/c"'),
        _sensor("battery", "mqtt", "A", "battery", 'topic = "yard/pack"\nsenml_name = "urn:x:battery"'),
        _sensor("radio scale", "ble", "B", "gross_weight", f'address = "{RADIO}"\nnoise = "0.1 kg"'),
        _sensor("radio battery", "ble", "B", "battery", f'address = "{RADIO}"'),
        _sensor("gauge", "simulated", "B", "gauge_percent", 'unit = "%"\nnoise = "2 %"\nspikes = 0.01'),
        _sensor("second scale", "simulated", "A", "gross_weight", 'unit = "lb"\nnoise = "0.3 lb"\ndrop_outs = 0.05'),
    ]
    more = MORE.format(
        port=broker.port, user=USER, password_file=broker.password_file, weather=weather, hook=hook, page=page
    )
    return base + "".join(sensors) + more


class Moving(OpenMeteo):
    """A forecast server whose own time is that of the soak; a new run of the model every six hours."""

    def __init__(self, clock: FastClock) -> None:
        super().__init__(clock.now())
        self._clock = clock

    def honest(self, asked: Asked) -> Reply:
        self.now = self._clock.now()
        self.run = self.now.replace(hour=self.now.hour // 6 * 6, minute=0, second=0, microsecond=0)
        self.asked.clear()  # days of requests are not kept
        return super().honest(asked)


@dataclass
class Soak:
    """A running soak: samples as the service told them, and what the world around it saw."""

    clock: FastClock
    page: int
    hook: Web
    samples: list[dict[str, Any]] = field(default_factory=list)
    sent: dict[str, int] = field(default_factory=lambda: {"scale": 0, "yard": 0, "battery": 0})
    looks_s: list[float] = field(default_factory=list)
    ill: list[str] = field(default_factory=list)  # pages that did not come, with what came instead

    def days(self) -> float:
        """Days of the service's clock so far."""
        return (self.clock.now() - START).total_seconds() / 86_400.0


def _hear(process: subprocess.Popen[str], soak: Soak) -> None:
    assert process.stdout is not None
    for line in process.stdout:
        soak.samples.append(json.loads(line))


def _send(soak: Soak, client: mqtt.Client, bluez: Bluez, over: threading.Event) -> None:
    """Every ten minutes of the soak's clock one message a sensor, and the radio's advertisement four times as often."""
    truth, turn = world(START), 0
    while not over.wait(soak.clock.real_s(150.0)):
        now, turn = soak.clock.now(), turn + 1
        grams = round((13.3 + truth.left_kg("B", now)) * 100)
        data = b"\x40\x00" + bytes([turn // 4 % 256]) + b"\x01\x5a\x06" + grams.to_bytes(2, "little")
        bluez.advertise(RADIO, service={UUID: data})
        if turn % 4:
            continue
        scale = 13.15 + truth.left_kg("A", now) + 0.01 * (turn // 4 % 5)
        pack = [{"n": "urn:x:battery", "u": "/", "v": 0.9}]
        air = {"air": {"c": round(truth.air_k(now) - 273.15 + 0.1 * (turn // 4 % 7), 1)}}
        for name, topic, text in (("scale", "scale", f"{scale:.2f}"), ("yard", "air", json.dumps(air)),
                                  ("battery", "pack", json.dumps(pack))):  # fmt: skip
            client.publish(f"yard/{topic}", text, 1)
            soak.sent[name] += 1


def _look(soak: Soak, over: threading.Event) -> None:
    """One page a second, as a household that leaves it open on several devices would ask."""
    turn = 0
    while not over.wait(1.0):
        path, began, turn = PAGES[turn % len(PAGES)], time.monotonic(), turn + 1
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{soak.page}{path}", timeout=30) as answer:
                answer.read()
        except (urllib.error.URLError, OSError) as problem:
            soak.ill.append(f"{path}: {problem}")
        soak.looks_s.append(time.monotonic() - began)


@contextmanager
def soaking(folder: Path, speed: float) -> Iterator[Soak]:
    """Start everything; yield once the service listens and its page answers."""
    with ExitStack() as stack:
        broker = Mosquitto(folder / "mosquitto")
        broker.start()
        stack.callback(broker.kill)
        bluez = Bluez()
        stack.callback(bluez.close)
        hook = stack.enter_context(web_server())
        origin = uptime_s()
        clock = FastClock(START, speed)
        weather = stack.enter_context(Moving(clock))
        soak = Soak(clock, free_port(), hook)
        site, store = folder / "site.toml", folder / "store.db"
        site.write_text(site_text(broker, weather.url, hook.port, soak.page))
        with (folder / "log").open("w") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "tests.service.soaked", str(site), str(store), START.isoformat(), str(speed),
                 str(origin)], stdout=subprocess.PIPE, stderr=log, text=True, cwd=ROOT,
                env={**os.environ, "DBUS_SYSTEM_BUS_ADDRESS": bluez.address, "PYTHONPATH": str(ROOT)},
            )  # fmt: skip
        over = threading.Event()
        hearing = threading.Thread(target=_hear, args=(process, soak), daemon=True)
        hearing.start()
        try:
            _listening(soak, process, folder / "log")
            client = broker.client("senders")
            works = [
                threading.Thread(target=_send, args=(soak, client, bluez, over), daemon=True),
                threading.Thread(target=_look, args=(soak, over), daemon=True),
            ]
            for work in works:
                work.start()
            yield soak
            over.set()
            for work in works:
                work.join(35)
            close(client)
            time.sleep(2.0)  # for what was sent last to arrive
        finally:
            over.set()
            process.send_signal(signal.SIGTERM)
            process.wait(20)
            hearing.join(5)
            assert process.stdout is not None
            process.stdout.close()


def _listening(soak: Soak, process: subprocess.Popen[str], log: Path) -> None:
    ends = time.monotonic() + 40
    while time.monotonic() < ends and process.poll() is None:
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{soak.page}/", timeout=10).close()
        except OSError:
            time.sleep(0.1)
            continue
        if soak.samples and soak.samples[-1]["rounds"] and soak.samples[-1]["forecasts"]:
            return
        time.sleep(0.1)
    raise RuntimeError(f"the service does not listen: {log.read_text()[-3000:]}")
