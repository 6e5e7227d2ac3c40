"""An invented household in a store of its own, and its page served on a free port."""

from __future__ import annotations

import asyncio
import math
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from monitor import outlook
from monitor.model.forecast import Forecast
from monitor.model.health import SourceHealth
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Channel, Site
from monitor.service.round import work
from monitor.site import load
from monitor.store import Store
from monitor.store.writer import Writer
from monitor.web import guard as doors
from monitor.web import server, view

CONFIG = Path(__file__).parents[2] / "config"
NOW = datetime(2031, 1, 6, 1, 30, tzinfo=UTC)  # an evening in the demo's yard


def site(**changes: object) -> Site:
    """The demo's household, with a channel that goes nowhere."""
    made = load(CONFIG / "demo.toml")
    return replace(made, channels=(Channel("mail", url="json://127.0.0.1:1/"),), **changes)  # type: ignore[arg-type]


def forecast(now: datetime, coldest_c: float) -> Forecast:
    """Ten days, 8 members, falling to about `coldest_c` in the fourth night."""
    start = now.replace(minute=0, second=0, microsecond=0)
    hours = np.arange(240)
    swing = 5.0 * np.sin((hours - 9) / 24 * 2 * math.pi)
    fall = (coldest_c + 6.0 + 5.0) * np.minimum(1.0, hours / 80.0)
    spread = np.linspace(-1.5, 1.5, 8)[:, None]
    air_k = 273.15 - 6.0 + fall + swing + spread
    return Forecast("file", now, now, start, air_k, wind_m_s=np.full(240, 2.0), cloud=np.full(240, 0.4),
                    credit="Invented forecast")  # fmt: skip


def fill(path: Path, of: Site, now: datetime = NOW, coldest_c: float = -23.0) -> None:
    """Thirty days of readings with one fill, a forecast, two rounds: the shortfall is raised."""
    readings = []
    for k in range(30 * 4):
        at = now - timedelta(hours=6 * (30 * 4 - k) - 1)
        a = 6.0 - 0.05 * k if k < 60 else 17.0 - 0.05 * (k - 60)
        for name, left, source in (("A", a, "scale under A"), ("B", 17.0 - 0.05 * k, "scale under B")):
            gross = of.cylinder(name).tare_kg + left
            readings.append(Reading(at, at, name, Quantity.GROSS_WEIGHT, gross, source, noise=0.1))
        air = 268.0 + 5.0 * math.sin(k / 4 * 2 * math.pi)
        readings.append(Reading(at, at, "site", Quantity.AIR_TEMPERATURE, air, "yard thermometer"))
    with Store.open(path) as store:
        newest, before = forecast(now, coldest_c), now - timedelta(hours=2)
        store.add_forecast(replace(newest, issued=before, received=before))  # what the first round goes by
        store.add_forecast(newest)
        store.add_readings(readings)
        health = {
            "scale under A": SourceHealth("scale under A", "sensor", now, ok_at=now, interval_s=3600.0),
            "file": SourceHealth("file", "forecast", now, ok_at=now, interval_s=3600.0),
        }
        for entry in health.values():
            store.set_health(entry)
        for at in (now - timedelta(hours=2), now):
            found = work(of, store, at, health)
            with store.transaction():
                store.add_outlook(found.at, outlook.jsonable(found.outlook, of))
                store.commit_judgement(found.judgement, ["log"])


@dataclass(frozen=True)
class House:
    """A served page."""

    url: str
    port: int
    store: Path
    guard: doors.Guard
    site: Site


@contextmanager
def served(path: Path, of: Site, *, now: datetime = NOW, **door: object) -> Iterator[House]:
    """Serve the page over the store at `path` in a thread; `door` are the guard's own fields."""
    guard = doors.Guard(hosts=frozenset({"localhost"}), monotonic=time.monotonic, **door)  # type: ignore[arg-type]
    writer = Writer(path)
    made = server.make(view.Context(lambda: of, path, writer, lambda: now, guard, site_path=CONFIG / "demo.toml"))
    listening = socket.socket(proto=socket.IPPROTO_TCP)  # so asyncio sends small pieces at once, as in the service
    listening.bind(("127.0.0.1", 0))
    port = listening.getsockname()[1]
    thread = threading.Thread(target=lambda: asyncio.run(made.serve(sockets=[listening])), daemon=True)
    thread.start()
    try:
        for _ in range(6_000):
            if made.started:
                break
            time.sleep(0.01)
        assert made.started
        yield House(f"http://127.0.0.1:{port}", port, path, guard, of)
    finally:
        made.should_exit = made.force_exit = True
        thread.join(60)
        writer.close()
