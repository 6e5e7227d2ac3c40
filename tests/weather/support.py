"""Sites, times and contexts that the weather tests share."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from monitor.model.site import Appliance, Cylinder, Site, WeatherSource
from monitor.weather import Context
from monitor.weather.memory import Memory

NOW = datetime(2026, 1, 5, 14, 20, tzinfo=UTC)


def site(latitude: float = 44.123456, longitude: float = -93.654321, **more: Any) -> Site:
    cylinder = Cylinder("A", 43.2, 13.2, 0.3175, 18.1)
    base: dict[str, Any] = {
        "name": "Invented Cottage",
        "timezone": "America/Chicago",
        "cylinders": (cylinder,),
        "appliances": (Appliance("Range", 19_050.0, 3600.0),),
        "settings": {"forecast.contact": "someone@example.org"},
    }
    return Site(latitude=latitude, longitude=longitude, **{**base, **more})


class Slept(list[float]):
    """A sleep that only notes how long it should have been."""

    def __call__(self, seconds: float) -> None:
        self.append(seconds)


def context(now: datetime | Callable[[], datetime] = NOW, memory: Memory | None = None) -> Context:
    """A context at a fixed time, with a memory of its own and a sleep that does not wait."""
    return Context(now if callable(now) else lambda: now, Slept(), memory or Memory())


def source(kind: str, url: str = "", path: str = "", contact: str = "", **options: Any) -> WeatherSource:
    return WeatherSource(kind, url, path, contact, {"timeout": 5.0, **options})
