"""Invented households with sensors, whose truth is known: air, burn, levels, refills, and what each sensor would tell.

Shares no code with `monitor`: shapes by numerical integration and propane by CoolProp, from `second_reading`.
Everything comes from the seed. Nothing here is fitted to the filter: error sizes are drawn per sensor from ranges.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.model.reading import Quantity, Reading
from monitor.model.site import Appliance, Cylinder, Site
from tests.reference.second_reading import Vertical, _liquid

Series = NDArray[np.float64]
Way = Literal["scale", "ultrasonic", "gauge", "manual"]
WAYS: tuple[Way, ...] = ("scale", "ultrasonic", "gauge", "manual")
START = datetime(2024, 9, 1, tzinfo=UTC)
SIZES = {  # water capacity kg, outside diameter m, tare kg: common US sizes, some dimensions from memory
    20: (21.6, 0.312, 8.0),
    40: (43.2, 0.3175, 13.2),
    100: (108.0, 0.371, 31.5),
}


@dataclass
class Simulated:
    """One site: what the household has, the truth by hour, and the readings in the order of their time."""

    site: Site
    way: Way
    air_k: Series  # (hours,)
    left_kg: Series  # (hours, n): truth at the start of each hour
    burn_kg: Series  # (hours,): of the whole supply
    readings: list[Reading]
    refills: list[tuple[int, int, bool]] = field(default_factory=list)  # hour, cylinder, swapped

    def time(self, hour: float) -> datetime:
        """Time of an hour of the simulation."""
        return START + timedelta(hours=hour)


@functools.lru_cache(maxsize=8)
def shape(size: int) -> tuple[Vertical, Series, Series, Series]:
    """The solid of a size, with height, volume and wetted area on a grid."""
    water, outside, tare = SIZES[size]
    solid = Vertical(water, outside, tare)
    volume, area = solid.table
    b, top = solid.d / 4, solid.d / 4 + solid.straight
    height = np.concatenate(
        [
            b * (1 - np.cos(np.linspace(0, np.pi / 2, 400))),
            np.linspace(b, top, 3)[1:],
            solid.tall - b * (1 - np.cos(np.linspace(np.pi / 2, 0, 400)))[1:],
        ]
    )
    return solid, height, volume, area


@functools.lru_cache(maxsize=1)
def _density_table() -> tuple[Series, Series, Series]:
    import CoolProp.CoolProp as CP

    t = np.linspace(230.0, 325.0, 96)
    sound = np.array([CP.PropsSI("A", "T", x, "Q", 0, "Propane") for x in t])
    return t, np.array([_liquid(float(x))[0] for x in t]), sound


def density(t_k: Series | float) -> Series:
    """Saturated-liquid density (kg/m3) from CoolProp."""
    t, rho, _ = _density_table()
    return np.asarray(np.interp(t_k, t, rho))


def sound(t_k: Series | float) -> Series:
    """Sound speed in the saturated liquid (m/s) from CoolProp."""
    t, _, speed = _density_table()
    return np.asarray(np.interp(t_k, t, speed))


def weather(rng: np.random.Generator, hours: int) -> Series:
    """Hourly air (K) from September on: season, day, and weather that wanders; between about -25 and 35 degC."""
    t = np.arange(hours)
    mean, swing = rng.uniform(4.0, 12.0), rng.uniform(9.0, 14.0)
    season = mean + swing * np.cos(2 * np.pi * (t / 8766.0 + 46.0 / 365.25))
    day = -rng.uniform(2.0, 6.0) * np.cos(2 * np.pi * (t - 4) / 24.0)
    noise = np.empty(hours)
    state = 0.0
    kick = rng.normal(0.0, 4.5 * np.sqrt(1 - np.exp(-2 / 60.0)), hours)
    for k in range(hours):
        state = state * np.exp(-1 / 60.0) + kick[k]
        noise[k] = state
    return np.asarray(np.clip(season + day + noise, -25.0, 35.0) + 273.15, dtype=np.float64)


def lagged(air_k: Series, hours: float) -> Series:
    """First-order lag behind the air."""
    out = np.empty_like(air_k)
    state = air_k[0]
    keep = np.exp(-1.0 / hours)
    for k, value in enumerate(air_k):
        out[k] = state
        state = state * keep + value * (1 - keep)
    return out


def cooking(rng: np.random.Generator, hours: int, mean_kg_d: float) -> Series:
    """Burn by hour (kg): meals with chance in time and size, more at weekends, guests for some days, days away."""
    burn = np.zeros(hours)
    size = mean_kg_d / 0.92
    guests_until, away_until, away_wait = -1, -1, 0
    level = 1.0
    for day in range(hours // 24 + 1):
        level *= np.exp(rng.normal(0.0, 0.03)) * (1.0 / level) ** 0.02
        if day > guests_until and rng.random() < 0.02:
            guests_until = day + int(rng.integers(2, 6))
        if day > away_until and day > away_wait and rng.random() < 0.01:
            away_until = day + int(rng.integers(2, 8))
            away_wait = away_until + 20
        factor = size * level * (1.25 if day % 7 in {5, 6} else 0.9)
        factor *= 1.7 if day <= guests_until else 1.0
        if day <= away_until:
            continue
        for hour, chance, part in ((7, 0.6, 0.2), (12, 0.5, 0.3), (18, 0.85, 0.75)):
            if rng.random() < chance:
                k = day * 24 + hour + int(rng.integers(-1, 2))
                if 0 <= k < hours:
                    burn[k] += factor * part * rng.gamma(4.0, 0.25)
    return burn


def _levels(
    rng: np.random.Generator, size: int, count: int, burn: Series, refills_wanted: bool
) -> tuple[Series, list[tuple[int, int, bool]]]:
    """Levels by hour: the burn split by wetted wall (with a site's own unevenness), refills when it runs low."""
    _, _, volume, area = shape(size)
    full = 0.42 * SIZES[size][0]
    uneven = np.exp(rng.normal(0.0, 0.10, count))
    left = full * rng.uniform(0.2, 0.7, count) if refills_wanted else np.full(count, full)
    out = np.empty((len(burn), count))
    refills = []
    wait = 0
    for k, use in enumerate(burn):
        out[k] = left
        wall = np.where(left > 1e-3, np.interp(left / 515.0, volume, area) + 0.05, 0.0) * uneven
        if wall.sum() > 0:
            left = np.maximum(left - use * wall / wall.sum(), 0.0)
        wait -= 1
        if refills_wanted and left.sum() < count * full * 0.22 and wait <= 0 and k % 24 == 15 and rng.random() < 0.4:
            part = rng.uniform(0.6, 1.0) if rng.random() < 0.15 else rng.uniform(0.94, 1.0)
            swapped = bool(rng.random() < 0.4)
            for i in range(count):
                left[i] = full * part
                refills.append((k + 1, i, swapped))
            wait = 48
    return out, refills


def _quantised(value: float, step: float) -> float:
    return round(value / step) * step if step > 0 else value


@dataclass
class Sender:
    """One simulated sensor's own faults, drawn once."""

    way: Way
    size: int
    noise: float
    offset: float
    warm: float
    step: float
    spike: float

    @classmethod
    def drawn(cls, rng: np.random.Generator, way: Way, size: int) -> Sender:
        """Draw what one sensor of a kind is like."""
        if way == "scale":
            noise = float(np.exp(rng.uniform(np.log(0.03), np.log(0.6))))
            return cls(way, size, noise, rng.normal(0, 0.1), rng.normal(0, 0.005), 0.02, 0.003)
        if way == "ultrasonic":
            return cls(way, size, rng.uniform(0.002, 0.015), rng.normal(0, 0.003), rng.normal(0, 1e-4), 0.001, 0.004)
        if way == "gauge":
            return cls(way, size, rng.uniform(0.01, 0.05), rng.normal(0, 0.02), rng.normal(0, 3e-4), 0.01, 0.002)
        return cls(way, size, rng.uniform(0.05, 0.25), rng.normal(0, 0.15), 0.0, 0.1, 0.0)

    def tells(self, rng: np.random.Generator, left: float, liquid_k: float, air_k: float, tare_error: float) -> float:
        """Return the value sent (SI unit of the quantity) at the true charge."""
        drift = self.offset + self.warm * (air_k - 283.15)
        if self.way in {"scale", "manual"}:
            value = left + SIZES[self.size][2] + tare_error + drift + rng.normal(0, self.noise)
            if rng.random() < self.spike:
                value += rng.uniform(-8.0, 15.0)
            return _quantised(max(value, 0.0), self.step)
        solid, height, volume, _ = shape(self.size)
        filled = left / float(density(liquid_k))
        if self.way == "gauge":
            value = filled / solid.volume + drift + rng.normal(0, self.noise)
            if rng.random() < self.spike:
                value = rng.uniform(0, 1)
            return _quantised(min(max(value, 0.0), 1.0), self.step)
        value = float(np.interp(filled, volume, height)) + drift + rng.normal(0, self.noise)
        if rng.random() < self.spike:
            value = value * 2 if rng.random() < 0.5 else rng.uniform(0, solid.tall)
        value = _quantised(min(max(value, 0.001), solid.tall), self.step)
        return 2.0 * value / float(sound(liquid_k))


QUANTITY = {
    "scale": Quantity.GROSS_WEIGHT,
    "ultrasonic": Quantity.ECHO_TIME,
    "gauge": Quantity.GAUGE_PERCENT,
    "manual": Quantity.GROSS_WEIGHT,
}


def _readings(
    rng: np.random.Generator,
    site: Site,
    way: Way,
    size: int,
    truth: tuple[Series, Series],
    refills: list[tuple[int, int, bool]],
) -> list[Reading]:
    left, air = truth
    liquid = lagged(air, 2.5)
    out: list[Reading] = []
    for i, cylinder in enumerate(site.cylinders):
        sender = Sender.drawn(rng, way, size)
        swaps = {h for h, c, swapped in refills if c == i and swapped}
        filled = {h for h, c, _ in refills if c == i}
        tare_error, silent_until, next_manual = 0.0, -1, int(rng.integers(0, 72))
        for k in range(len(air)):
            if k in swaps:
                tare_error = rng.normal(0, 0.2)
            if way == "manual":
                if k - 1 in filled and rng.random() < 0.8:
                    next_manual = k  # weighed when it is put back
                if k != next_manual:
                    continue
                next_manual = k + 168 + int(rng.integers(-24, 25))
            else:
                if rng.random() < 0.0008:
                    silent_until = k + int(rng.integers(12, 72))
                if k < silent_until or rng.random() < 0.02:
                    continue
            time = START + timedelta(hours=k)
            value = sender.tells(rng, float(left[k, i]), float(liquid[k]), float(air[k]), tare_error)
            source = "manual" if way == "manual" else f"{way} {cylinder.name}"
            out.append(Reading(time, time, cylinder.name, QUANTITY[way], value, source))
    out.sort(key=lambda r: r.time)
    return out


def simulate(
    seed: int, way: Way, days: int, *, refills: bool = True, leak_kg_h: float = 0.0, leak_from_h: int = 0
) -> Simulated:
    """Simulate one site for `days`; without `refills` it burns so little that the first fill lasts.

    With a leak, `leak_kg_h` goes out of the supply from hour `leak_from_h` on, by day and by night.
    """
    rng = np.random.default_rng([seed, WAYS.index(way)])
    size = int(rng.choice([20, 40, 40, 100]))
    count = 1 if size == 100 else int(rng.integers(1, 3))
    water, outside, tare = SIZES[size]
    cylinders = tuple(Cylinder(name, water, tare, outside, 0.42 * water) for name in ("A", "B")[:count])
    site = Site("Invented", 45.0, 0.0, "UTC", cylinders, (Appliance("Range", 19_000.0, 3600.0),))
    hours = days * 24
    air = weather(rng, hours)
    burn = cooking(rng, hours, float(np.exp(rng.normal(np.log(0.25), 0.45))))
    if not refills:
        burn *= 0.85 * count * 0.42 * water / max(float(burn.sum()), 1e-9)
    burn[leak_from_h:] += leak_kg_h
    left, events = _levels(rng, size, count, burn, refills)
    found = _readings(rng, site, way, size, (left, air), events)
    return Simulated(site, way, air, left, burn, found, events)
