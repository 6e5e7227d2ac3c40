"""Invented households over two years, day by day: what they burn, what is left, what their sensors tell.

Everything comes from the seed; sizes of effects are drawn from wide ranges and from nothing that the product knows.
Levels fall by the wall that each cylinder wets (numerically integrated solid), as in `simulated_sites`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from monitor.model.reading import Quantity, Reading
from monitor.model.site import Appliance, Cylinder, Site
from tests.reference.simulated_sites import SIZES, START, WAYS, Way, density, shape, sound

Series = NDArray[np.float64]
NOON_PART = 0.35  # of a day's burn is over at noon
KG_J = 21_548 * 2_326.0


@dataclass
class Household:
    """Truth by day and the readings. `run_out_d` are the times (days from the start) at which the supply ran dry and
    was filled; `left_kg` (days, n) at local midnight.
    """

    site: Site
    way: Way
    heater: bool
    used_kg: Series
    air_k: Series
    left_kg: Series
    run_out_d: list[float]
    readings: list[Reading]

    def time(self, day: float) -> datetime:
        """Time of a day of the simulation."""
        return START + timedelta(days=day)


def daily_air(rng: np.random.Generator, days: int) -> Series:
    """Daily mean air (K): season and weather that wanders."""
    t = np.arange(days)
    mean, swing = rng.uniform(4.0, 12.0), rng.uniform(9.0, 14.0)
    season = mean + swing * np.cos(2 * np.pi * (t / 365.25 + 46.0 / 365.25))
    kick = rng.normal(0.0, 4.5 * np.sqrt(1 - np.exp(-2 / 3.0)), days)
    noise = np.empty(days)
    state = 0.0
    for k in range(days):
        state = state * np.exp(-1 / 3.0) + kick[k]
        noise[k] = state
    return np.asarray(season + noise + 273.15, dtype=np.float64)


def daily_use(rng: np.random.Generator, days: int, air_k: Series, heater: bool) -> Series:
    """Daily burn (kg): weekday and weekend, guests, days away, holidays, a baking season, a heater some nights."""
    base = float(np.exp(rng.normal(np.log(0.25), 0.45)))
    weekend = rng.uniform(1.0, 1.7)
    cv = rng.uniform(0.4, 0.8)
    season = rng.uniform(0.0, 0.2)
    baking = rng.uniform(1.2, 1.7) if rng.random() < 0.5 else 1.0
    burn = np.empty(days)
    guests, away, level = -1, -1, 1.0
    for d in range(days):
        level *= np.exp(rng.normal(0.0, 0.02)) * level**-0.02
        when = START + timedelta(days=d)
        factor = level * (weekend if when.weekday() >= 5 else 1.0)
        factor *= 1.0 + season * np.cos(2 * np.pi * (d + 46.0) / 365.25)
        if (when.month, when.day) >= (11, 20) or (when.month, when.day) <= (1, 5):
            factor *= baking
        if d > guests and rng.random() < 10 / 365:
            guests = d + int(rng.integers(1, 6))
        if d > away and rng.random() < 4 / 365:
            away = d + int(rng.integers(2, 12))
        factor *= rng.uniform(1.4, 2.5) if d <= guests else 1.0
        factor *= 0.03 if d <= away else 1.0
        burn[d] = base * factor * rng.gamma(1 / cv**2, cv**2)
        if heater and away < d and rng.random() < 0.6:
            burn[d] += 0.012 * max(280.0 - air_k[d], 0.0) * rng.uniform(0.5, 1.5)
    return burn


def _senses(way: Way, rng: np.random.Generator) -> tuple[float, float]:
    """Noise and offset: kg for scales and weighings, share of volume for gauges, m for ultrasonic."""
    if way == "scale":
        return rng.uniform(0.05, 0.4), rng.normal(0, 0.1)
    if way == "ultrasonic":
        return rng.uniform(0.002, 0.012), rng.normal(0, 0.003)
    if way == "gauge":
        return rng.uniform(0.01, 0.04), rng.normal(0, 0.02)
    return rng.uniform(0.05, 0.25), rng.normal(0, 0.12)


def _told(way: Way, size: int, left: float, air_k: float, sense: tuple[float, float], noise: float) -> float:
    value_off = sense[1] + sense[0] * noise
    if way in {"scale", "manual"}:
        return max(left + SIZES[size][2] + value_off, 0.0)
    solid, height, volume, _ = shape(size)
    filled = left / float(density(air_k))
    if way == "gauge":
        return float(np.clip(round((filled / solid.volume + value_off) * 100) / 100, 0.0, 1.0))
    level = float(np.clip(np.interp(filled, volume, height) + value_off, 0.001, solid.tall))
    return 2.0 * level / float(sound(air_k))


QUANTITY = {
    "scale": Quantity.GROSS_WEIGHT,
    "manual": Quantity.GROSS_WEIGHT,
    "gauge": Quantity.GAUGE_PERCENT,
    "ultrasonic": Quantity.ECHO_TIME,
}


def simulate(seed: int, days: int = 730) -> Household:
    """Simulate one household; the way of sensing goes round with the seed."""
    rng = np.random.default_rng([seed, 77])
    way = WAYS[seed % len(WAYS)]
    heater = bool(rng.random() < 0.35)
    size, count = [(40, 2), (100, 1), (20, 2), (40, 1)][int(rng.integers(0, 4))]
    water, outside, tare = SIZES[size]
    cylinders = tuple(Cylinder(n, water, tare, outside, 0.42 * water) for n in "AB"[:count])
    appliances = [Appliance("Range", 19_000.0, 3600.0)]
    if heater:
        appliances.append(Appliance("Heater", 3000.0, 3600.0, continuous=True))
    site = Site("Invented", 45.0, 0.0, "UTC", cylinders, tuple(appliances))
    air = daily_air(rng, days)
    used = daily_use(rng, days, air, heater)
    full = 0.42 * water
    left = np.full(count, full * rng.uniform(0.4, 1.0))
    _, _, volume, area = shape(size)
    senses = [_senses(way, rng) for _ in range(count)]
    levels, outs, readings = np.empty((days, count)), [], []
    next_manual = 0
    for d in range(days):
        levels[d] = left
        filled = False
        for part, at in ((NOON_PART, 0.5), (1.0 - NOON_PART, 1.0)):
            want = used[d] * part
            if want >= left.sum():
                outs.append(d + (at - 0.5) + 0.5 * float(left.sum() / max(want, 1e-9)))
                want -= float(left.sum())
                left = np.full(count, full)
                filled = True
            wall = np.interp(left / 515.0, volume, area) + 0.05
            left = np.maximum(left - want * wall / wall.sum(), 0.0)
            if at == 0.5:
                tell = filled or (d >= next_manual if way == "manual" else rng.random() > 0.03)
                if tell:
                    next_manual = d + 6 + int(rng.integers(0, 3))
                    readings += _now(rng, site, (way, size), left, air[d], senses, d)
        if filled and way == "manual":
            next_manual = d + 1
    return Household(site, way, heater, used, air, levels, outs, readings)


def _now(
    rng: np.random.Generator,
    site: Site,
    kind: tuple[Way, int],
    left: Series,
    air_k: float,
    senses: list[tuple[float, float]],
    day: int,
) -> list[Reading]:
    way, size = kind
    time = START + timedelta(days=day + 0.5)
    out = []
    for i, cylinder in enumerate(site.cylinders):
        value = _told(way, size, float(left[i]), air_k, senses[i], float(rng.normal()))
        source = "manual" if way == "manual" else f"{way} {cylinder.name}"
        out.append(Reading(time, time, cylinder.name, QUANTITY[way], value, source))
    return out
