"""The whole service in a test: a site file, a store on disk, hooks that tell what happened, a way to wait for it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.model.forecast import Forecast
from monitor.model.reading import Reading
from monitor.service.clock import Clock
from monitor.service.core import Hooks
from monitor.service.daemon import Daemon
from monitor.service.round import Found
from monitor.store import Store
from tests.support.broker import Mosquitto

SITE = """
[site]
name = "Test yard (invented)"
latitude = 40.12
longitude = -88.34
timezone = "America/Chicago"
units = "us"

[[cylinder]]
name = "A"
water_capacity = "95.2 lb"
tare = "29 lb"
outside_diameter = "12.5 in"
full = "40 lb"

[[cylinder]]
name = "B"
water_capacity = "95.2 lb"
tare = "29 lb"
outside_diameter = "12.5 in"
full = "40 lb"

[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
when = "05-23"
"""
SENSOR = """
[[sensor]]
name = "{name}"
way = "mqtt"
{of}
quantity = "{quantity}"
topic = "{topic}"
unit = "{unit}"
interval = "{interval}"
"""
BROKER = """
[broker]
host = "127.0.0.1"
port = {port}
username = "{user}"
password_file = "{password_file}"
client_id = "{client}"
"""


def sensors(interval: str = "1 h") -> str:
    """Two scales in kg and a yard thermometer in degC over MQTT, each a plain number."""
    parts = [
        SENSOR.format(name=f"scale {c}", of=f'cylinder = "{c}"', quantity="gross_weight", topic=f"yard/{c}", unit="kg",
                      interval=interval)
        for c in "AB"
    ]  # fmt: skip
    parts.append(
        SENSOR.format(name="yard air", of='subject = "site"', quantity="air_temperature", topic="yard/air", unit="°C",
                      interval=interval)
    )  # fmt: skip
    return "".join(parts)


def broker_table(broker: Mosquitto, client: str = "boiloff-service") -> str:
    """The [broker] table for a mosquitto of the tests."""
    described = broker.described(client)
    return BROKER.format(
        port=described.port, user=described.username, password_file=described.password_file, client=client
    )


def weather_table(url: str) -> str:
    """An Open-Meteo source on loopback."""
    return f'\n[[weather]]\nkind = "open-meteo"\nbase_url = "{url}"\n'


@dataclass
class Seen:
    """What the service did."""

    readings: list[Reading] = field(default_factory=list)
    forecasts: list[Forecast] = field(default_factory=list)
    rounds: list[Found] = field(default_factory=list)

    def hooks(self, **more: Any) -> Hooks:
        """Hooks that note everything."""
        return Hooks(
            on_reading=self.readings.append, on_forecast=self.forecasts.append, on_round=self.rounds.append, **more
        )


async def until(true: Callable[[], object], seconds: float = 45.0, what: str = "") -> None:
    """Wait until `true()` is; fail where it does not become so."""
    loop = asyncio.get_running_loop()
    end = loop.time() + seconds
    while not true():
        assert loop.time() < end, f"waited {seconds} s in vain: {what}"
        await asyncio.sleep(0.003)


def write_site(folder: Path, *text: str) -> Path:
    """Write the site file made of `text`; return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "site.toml"
    path.write_text("".join(text))
    return path


@contextlib.asynccontextmanager
async def running(site_path: Path, clock: Clock | None = None, hooks: Hooks | None = None) -> AsyncIterator[Daemon]:
    """Run the service on a site file, its store beside it."""
    daemon = Daemon(site_path, site_path.with_name("store.db"), clock, hooks)
    task = asyncio.create_task(daemon.run())
    try:
        yield daemon
    finally:
        daemon.stop()
        await asyncio.wait_for(task, 30.0)


def hears(daemon: Daemon, broker: Mosquitto) -> bool:
    """Whether the service has the broker and the broker its topics: what is published from now on reaches it."""
    health = daemon.core.board.get("broker")
    topics = [s.address for s in daemon.core.site.sensors if s.way == "mqtt"]
    return health is not None and health.working and broker.subscribed("boiloff-service", *topics)


def look(daemon: Daemon) -> Store:
    """A reading connection to the service's store; use it with `with`."""
    return Store.open(daemon.store_path, readonly=True)
