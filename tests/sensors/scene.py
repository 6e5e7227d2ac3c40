"""One invented site for the sensors' tests, and what catches what a source hands on."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from monitor.model.health import SourceHealth
from monitor.model.reading import Reading, SetAside
from monitor.model.site import Appliance, Broker, Cylinder, SensorSpec, Site

AT = datetime(2026, 1, 5, 12, tzinfo=UTC)
A = Cylinder("A", 43.18, 13.15, 0.3175, 18.14)
B = Cylinder("B", 43.18, 13.34, 0.3175, 18.14, shape="horizontal")


def spec(quantity: str = "gross_weight", name: str = "s", **more: Any) -> SensorSpec:
    """A sensor; of cylinder A unless said otherwise."""
    fields: dict[str, Any] = {"way": "mqtt", "subject": "A", "address": f"t/{name}", "interval_s": 60.0, **more}
    return SensorSpec(name=name, quantity=quantity, **fields)


def site(*sensors: SensorSpec, broker: Broker | None = None) -> Site:
    """The site with these sensors."""
    return Site(
        "Test (invented)", 45.0, -100.0, "America/Denver", (A, B), (Appliance("Range", 19_000.0, 3600.0),),
        sensors=sensors, broker=broker,
    )  # fmt: skip


@dataclass
class Caught:
    """Everything that a source handed on. `hold` keeps back the word that a reading is durable."""

    readings: list[Reading] = field(default_factory=list)
    aside: list[SetAside] = field(default_factory=list)
    health: list[SourceHealth] = field(default_factory=list)
    hold: bool = False
    held: list[Callable[[], None]] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def reading(self, reading: Reading, done: Callable[[], None]) -> None:
        with self.lock:
            self.readings.append(reading)
            if self.hold:
                self.held.append(done)
                return
        done()

    def set_aside(self, item: SetAside, done: Callable[[], None]) -> None:
        with self.lock:
            self.aside.append(item)
        done()

    def tell(self, health: SourceHealth) -> None:
        with self.lock:
            self.health.append(health)

    def release(self) -> None:
        """Say of all that was held back that it is durable."""
        with self.lock:
            held, self.held = self.held, []
        for done in held:
            done()

    def values(self, source: str = "") -> list[float | None]:
        """The values in the order in which they came."""
        with self.lock:
            return [r.value for r in self.readings if not source or r.source == source]

    def last(self, name: str) -> SourceHealth | None:
        """The newest word about a source."""
        with self.lock:
            found = [h for h in self.health if h.name == name]
        return found[-1] if found else None
