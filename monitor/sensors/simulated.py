"""Simulated sensors: an invented household's truth, told the way real senders tell it, through the same decoding.

Everything follows from the seed and the clock. A world says what is true; a sensor adds its noise, drop-outs, drift
and spikes, writes the number in its own unit, and what it wrote goes through `payload.readings` like a message does.
"""

from __future__ import annotations

import json
import logging
import math
import random
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any, Protocol

from monitor.model.reading import LEVEL_QUANTITIES, Quantity
from monitor.model.site import Cylinder, SensorSpec, Site
from monitor.sensors import payload
from monitor.sensors.condition import Clock, Condition, OnHealth
from monitor.sensors.gate import Gate, OnReading, OnSetAside
from monitor.sensors.plausible import SWITCHES
from monitor.site import units

log = logging.getLogger(__name__)


class World(Protocol):
    """What is true at the invented site."""

    def left_kg(self, cylinder: str, at: datetime) -> float:
        """Return the propane in a cylinder (kg)."""

    def air_k(self, at: datetime) -> float:
        """Return the air temperature (K)."""


@dataclass
class Household:
    """A world of its own: levels fall by meals and by what burns day and night, and are put back by refills.

    `use_kg_day` is that of each cylinder; `refills` are (time, cylinder, new kg). `air` gives K for a time.
    """

    start: datetime
    charge_kg: Mapping[str, float]
    use_kg_day: Mapping[str, float]
    air: Callable[[datetime], float]
    refills: Sequence[tuple[datetime, str, float]] = ()
    meals: Mapping[int, float] = field(default_factory=lambda: {7: 0.2, 12: 0.2, 18: 0.6})  # UTC hour -> part of a day

    def left_kg(self, cylinder: str, at: datetime) -> float:
        """Return the propane in a cylinder (kg), never below 0."""
        since, charge = self.start, self.charge_kg[cylinder]
        for time, name, kg in sorted(self.refills):
            if name == cylinder and since <= time <= at:
                since, charge = time, kg
        return max(0.0, charge - self.use_kg_day.get(cylinder, 0.0) * (self._days(at) - self._days(since)))

    def air_k(self, at: datetime) -> float:
        """Return the air temperature (K)."""
        return self.air(at)

    def _days(self, at: datetime) -> float:
        """Return days of use since the start: the day's meals take an hour each."""
        whole, rest = divmod((at - self.start).total_seconds() / 3600.0 + self.start.hour, 24.0)
        part = sum(share * min(max(rest - hour, 0.0), 1.0) for hour, share in self.meals.items())
        return whole + part / max(sum(self.meals.values()), 1e-9)


def true_value(spec: SensorSpec, site: Site, world: World, at: datetime) -> float:
    """Return what a perfect sensor would tell at `at`, in SI."""
    quantity = Quantity(spec.quantity)
    if quantity is Quantity.AIR_TEMPERATURE:
        return world.air_k(at)
    if quantity is Quantity.BATTERY:
        return 0.9
    if quantity is Quantity.SIGNAL:
        return -65.0
    if quantity in {Quantity.CHANGEOVER, Quantity.GAS_DETECTED}:
        return 0.0
    cylinder = site.cylinder(spec.subject)
    if quantity is Quantity.VALVE:
        return float(cylinder.valve_open)
    if quantity is Quantity.WALL_TEMPERATURE:
        return world.air_k(at)
    if quantity is Quantity.CONTAINER_PRESSURE:
        from monitor.physics import fluid

        return float(fluid.pressure_pa(world.air_k(at))) - site.air_pressure_pa
    return _level(quantity, cylinder, world.left_kg(cylinder.name, at), world.air_k(at))


def _level(quantity: Quantity, cylinder: Cylinder, left_kg: float, liquid_k: float) -> float:
    if quantity is Quantity.GROSS_WEIGHT:
        return cylinder.tare_kg + left_kg
    if quantity is Quantity.PROPANE_LEFT:
        return left_kg
    if quantity is Quantity.SHARE_OF_FULL:
        return left_kg / cylinder.full_kg
    from monitor.physics import fluid, shell

    volume_m3 = left_kg / float(fluid.density_kg_m3(liquid_k))
    if quantity is Quantity.LIQUID_VOLUME:
        return volume_m3
    if quantity is Quantity.GAUGE_PERCENT:
        return volume_m3 / shell.volume_m3(cylinder)
    height_m = _height_m(cylinder, left_kg, liquid_k)
    if quantity is Quantity.LIQUID_HEIGHT:
        return height_m
    if quantity is Quantity.ECHO_TIME:
        return 2.0 * height_m / float(fluid.sound_speed_m_s(liquid_k))
    return shell.inside_height_m(cylinder) - height_m


def _height_m(cylinder: Cylinder, left_kg: float, liquid_k: float) -> float:
    """Return the liquid's depth (m) by bisection of the shell's own mass at a height."""
    from monitor.physics import shell

    low, high = 0.0, shell.inside_height_m(cylinder)
    for _ in range(50):
        middle = (low + high) / 2.0
        if float(shell.mass_at_height_kg(cylinder, middle, liquid_k)) < left_kg:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


class Sender:
    """One simulated sensor: the truth made into what such a sensor would send. Same seed, same words."""

    def __init__(self, spec: SensorSpec, site: Site, world: World, seed: int = 0) -> None:
        self.spec = spec
        self._site = site
        self._world = world
        self._draw = random.Random(f"{seed}/{spec.options.get('seed', 0)}/{spec.name}")  # noqa: S311  a game of chance
        self._began: datetime | None = None

    def _option(self, key: str) -> float:
        value = self.spec.options.get(key, 0.0)
        return float(value) if isinstance(value, (int, float)) else 0.0

    def send(self, at: datetime) -> bytes | None:
        """Return the payload that it sends at `at`, None where the radio drops it.

        Options of the site file: `drop_outs` and `spikes` are shares of the readings, `drift` is in SI units a day,
        `step` the least difference that it shows, in its own unit.
        """
        self._began = self._began or at
        lost, spiked = self._draw.random() < self._option("drop_outs"), self._draw.random() < self._option("spikes")
        wander, leap = self._draw.gauss(0.0, 1.0), self._draw.uniform(0.3, 1.6)
        if lost:
            return None
        quantity = Quantity(self.spec.quantity)
        value = true_value(self.spec, self._site, self._world, at)
        if quantity not in SWITCHES:
            days = (at - self._began) / timedelta(days=1)
            value += wander * (self.spec.noise or 0.0) + self._option("drift") * days
            if spiked:
                value *= leap
            if quantity in LEVEL_QUANTITIES:
                value = max(value, 0.0)
        return self.written(value, at)

    def written(self, value: float, at: datetime) -> bytes:
        """Return `value` (SI) as this sensor writes it: uncalibrated, in its own unit, where its pointers say."""
        own = from_si(value, self.spec)
        step = self._option("step")
        if step > 0.0:
            own = round(own / step) * step
        own = round(own, 9)
        if not (self.spec.pointer or self.spec.time_pointer or self.spec.unit_pointer):
            return f"{own:.10g}".encode()
        document: dict[str, Any] = {}
        _put(document, self.spec.pointer or "/value", own)
        if self.spec.time_pointer:
            _put(document, self.spec.time_pointer, at.isoformat())
        if self.spec.unit_pointer:
            _put(document, self.spec.unit_pointer, self.spec.unit)
        return json.dumps(document).encode()


def from_si(value: float, spec: SensorSpec) -> float:
    """Return an SI value as the sensor shows it, before its calibration is applied: the way of `decode.to_si` back."""
    kind = units.KIND_OF_QUANTITY.get(spec.quantity)
    own = value
    if spec.quantity == Quantity.GROSS_WEIGHT.value:
        own += float(spec.options.get("allowance_kg", 0.0))
    if kind is not None and spec.unit:
        zero, one = units.convert(0.0, spec.unit, kind), units.convert(1.0, spec.unit, kind)
        own = (own - zero) / (one - zero)
    own = (own - spec.offset) / spec.scale
    return _back(spec.table, own) if spec.table else own


def _back(table: tuple[tuple[float, float], ...], true: float) -> float:
    for (x0, y0), (x1, y1) in pairwise(table):
        if min(y0, y1) <= true <= max(y0, y1) and y0 != y1:
            return x0 + (x1 - x0) * (true - y0) / (y1 - y0)
    return table[0][0] if abs(true - table[0][1]) < abs(true - table[-1][1]) else table[-1][0]


def _put(document: dict[str, Any], pointer: str, value: Any) -> None:
    from monitor.sensors.pointer import tokens

    *path, last = tokens(pointer)
    part = document
    for token in path:
        part = part.setdefault(token, {})
    part[last] = value


class SimulatedSource:
    """The simulated sensors of a site, each sending at its interval by the service's clock."""

    def __init__(
        self,
        site: Site,
        world: World,
        on_reading: OnReading,
        on_set_aside: OnSetAside,
        on_health: OnHealth,
        clock: Clock,
        *,
        seed: int = 0,
    ) -> None:
        self.site = site
        self.clock = clock
        self._senders = [Sender(s, site, world, seed) for s in site.sensors if s.way == "simulated"]
        conditions = {
            s.spec.name: Condition(s.spec.name, "sensor", clock, on_health, s.spec.interval_s) for s in self._senders
        }
        self._gate = Gate(clock, on_reading, on_set_aside, conditions)
        self._due: dict[str, datetime] = {}
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin; returns at once and raises nothing."""
        self._thread = threading.Thread(target=self._run, name="sensors-simulated", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End within a second."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(0.8)

    def round(self, now: datetime) -> float:
        """Let every sensor send what is due at `now`; return seconds of the clock until the next one is due."""
        for sender in self._senders:
            due = self._due.get(sender.spec.name, now)
            while due <= now:
                self._send(sender, due)
                due += timedelta(seconds=max(sender.spec.interval_s, 1.0))
            self._due[sender.spec.name] = due
        self._gate.look()
        return min(((due - now).total_seconds() for due in self._due.values()), default=math.inf)

    def _send(self, sender: Sender, at: datetime) -> None:
        data = sender.send(at)
        if data is None:
            return
        spec = sender.spec
        self._gate.offer(spec, lambda _received: payload.readings(spec, self.site, data, at), timed=True)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                wait_s = self.round(self.clock.now())
            except Exception:  # the demo must go on
                log.exception("simulated sensors")
                wait_s = 60.0
            self._stopping.wait(min(max(self.clock.real_s(wait_s), 0.005), 0.5))
