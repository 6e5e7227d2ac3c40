"""Invented winters for many households: weather, a forecast that errs, levels that fall and jump, eyes that close.

Not the physics: what a share of full carries is one straight line here. The alerts are on trial, not the model.
Forecast error by lead day is that of published verification, extrapolated from day 6 (sigma 1.4 to 2.8 K, days 1-5).
"""

from __future__ import annotations

import math
import zlib
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.alerts import conditions, judge
from monitor.alerts.operate import acknowledge
from monitor.alerts.wording import words
from monitor.model.alert import AlertState, Notice, Transition
from monitor.model.health import SourceHealth
from monitor.model.outlook import HourOutlook, Outlook
from monitor.model.reading import Level
from monitor.model.site import BASES, Site
from tests.alerts.scene import CYLINDER, SITE

START = datetime(2026, 11, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)
AHEAD = 120
SIGMA = np.repeat([1.4, 1.6, 1.9, 2.4, 2.8], 24)
ISSUE_EVERY = 6  # hours
FIRST, LAST = 5, 23
NONE_W: Mapping[Any, float | None] = dict.fromkeys(BASES)


def critical_k(share: float) -> float:
    """Return the air temperature below which this world's household is uncovered."""
    return 273.15 - 4.0 - 30.0 * share


@dataclass(slots=True)
class World:
    """One household's truth, hour by hour, and what it sees of it."""

    air_k: NDArray[np.float64]
    share: NDArray[np.float64]
    seen_share: NDArray[np.float64]
    sensor_down: NDArray[np.bool_]
    broker_down: NDArray[np.bool_]
    forecast_down: NDArray[np.bool_]
    local_hour: NDArray[np.int64]

    @property
    def uncovered(self) -> NDArray[np.bool_]:
        """Hours truly uncovered in which somebody may cook."""
        critical = 273.15 - 4.0 - 30.0 * self.share
        return (self.air_k < critical) & (self.local_hour >= FIRST) & (self.local_hour < LAST)


def _spells(rng: np.random.Generator, hours: int, per_day: float, longest: int) -> NDArray[np.bool_]:
    down = np.zeros(hours, bool)
    for start in np.flatnonzero(rng.random(hours) < per_day / 24.0):
        down[start : start + int(rng.integers(1, longest))] = True
    return down


def make_world(seed: int, days: int) -> World:
    """Return one household's winter."""
    rng = np.random.default_rng(seed)
    hours = days * 24
    local = (np.arange(hours) - 6) % 24
    slow = np.zeros(hours)
    for k in range(1, hours):
        slow[k] = 0.985 * slow[k - 1] + rng.normal(0.0, 1.0)
    air = 273.15 + rng.uniform(-6.0, 4.0) + slow + 4.0 * np.cos((local - 15) / 24 * 2 * np.pi)
    share = np.empty(hours)
    level, use = rng.uniform(0.5, 1.0), rng.uniform(0.004, 0.02)
    patience, low_since = int(rng.integers(24, 24 * 6)), -1
    for k in range(hours):
        if 17 <= local[k] <= 19:
            level -= use / 3 * rng.uniform(0.3, 1.7)
        low_since = k if level <= 0.20 and low_since < 0 else low_since
        if low_since >= 0 and k - low_since > patience and 9 <= local[k] <= 17:
            level, low_since = 1.0, -1
        level = max(level, 0.0)
        share[k] = level
    # A filter's view: noise of 1 % that hangs together over hours, quick at a refill.
    noise = np.zeros(hours)
    for k in range(1, hours):
        noise[k] = 0.9 * noise[k - 1] + rng.normal(0.0, 0.0044)
    return World(
        air, share, np.clip(share + noise, 0.0, 1.0), _spells(rng, hours, 0.05, 20), _spells(rng, hours, 0.01, 12),
        _spells(rng, hours, 0.03, 40), local,
    )  # fmt: skip


def _phi(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([0.5 * math.erfc(-v / math.sqrt(2.0)) for v in x])


def forecast(world: World, at: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return what a forecast issued at hour `at` says: truth plus an error that hangs together within a night."""
    truth = world.air_k[at : at + AHEAD]
    days = rng.normal(0.0, 1.0, 6)
    whole = np.interp(np.arange(len(truth)) / 24.0, np.arange(6), days)
    return truth + SIGMA[: len(truth)] * whole


def make_outlook(air: NDArray[np.float64], share: float, issued: datetime, local: NDArray[np.int64]) -> Outlook:
    """Return the outlook that this world's line makes of a forecast."""
    critical = critical_k(share)
    odds = _phi((critical - air) / np.hypot(SIGMA[: len(air)], 1.0))
    hours = []
    for k, (t, p) in enumerate(zip(air.tolist(), odds.tolist(), strict=True)):
        may_burn = bool(FIRST <= local[k] < LAST)
        hold = max(0.0, 3600.0 + 360.0 * (t - critical))
        hours.append(
            HourOutlook(
                issued + k * HOUR, t, t, NONE_W, 500.0 * (t - critical) - 1000.0, hold, "pressure", NONE_W, 5.0,
                may_burn, may_burn and t < critical, p,
            )
        )  # fmt: skip
    return Outlook(issued, SITE.name, "weather", 19_050.0, tuple(hours), (), None, (), "open-meteo", issued)


@dataclass(slots=True)
class Told:
    """What one household was told over its winter, and by a plain threshold rule."""

    days: int
    notices: list[Notice] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)
    plain: dict[str, list[datetime]] = field(default_factory=lambda: defaultdict(list))
    cold_events: list[tuple[int, bool]] = field(default_factory=list)  # first hour; could it have been foreseen
    low_events: list[int] = field(default_factory=list)
    silent_events: list[int] = field(default_factory=list)
    stale_events: list[int] = field(default_factory=list)
    foreseen: dict[int, int] = field(default_factory=dict)


def hash_share(text: str) -> float:
    """Return a share 0..1 that follows from the text."""
    return zlib.crc32(text.encode()) / 2**32


def time_of(hour: int) -> datetime:
    return START + hour * HOUR


def play(seed: int, days: int) -> Told:
    """Play one household's winter, judged each hour."""
    site = replace(SITE, sensors=SITE.sensors[:1])
    world, rng = make_world(seed, days), np.random.default_rng(seed + 10_000)
    told = Told(days)
    states: dict[str, AlertState] = {}
    outlook: Outlook | None = None
    issued_at, heard, seen = -99, 0, float(world.seen_share[0])
    plain: dict[str, bool] = {}
    chance: dict[int, float] = {}
    for hour in range(days * 24 - AHEAD):
        now = time_of(hour)
        if not world.forecast_down[hour] and hour - issued_at >= ISSUE_EVERY:
            issued_at = hour
            air = forecast(world, hour, rng)
        if not (world.sensor_down[hour] or world.broker_down[hour]):
            heard, seen = hour, float(world.seen_share[hour])
        if issued_at == hour or (outlook is not None and abs(seen - chance.get(-1, seen)) > 0.02):
            chance[-1] = seen
            outlook = make_outlook(air, seen, time_of(issued_at), world.local_hour[issued_at : issued_at + AHEAD])
        _round(site, world, told, states, outlook, hour, now, heard, seen, issued_at)
        _plain(told, plain, outlook, now, seen, hour - heard, hour - issued_at)
    _events(world, told, days)
    return told


def _round(
    site: Site, world: World, told: Told, states: dict[str, AlertState], outlook: Outlook | None, hour: int,
    now: datetime, heard: int, seen: float, issued_at: int,
) -> None:  # fmt: skip
    levels = [
        Level(c.name, now, seen * CYLINDER.full_kg, 0.01 * CYLINDER.full_kg, 0.0, 0.0, time_of(heard), "sensor")
        for c in site.cylinders
    ]
    down, broken = world.forecast_down[hour], world.broker_down[hour]
    health = {
        "scale-a": SourceHealth("scale-a", "sensor", START, ok_at=time_of(heard), interval_s=600.0),
        "broker": SourceHealth("broker", "broker", now, ok_at=START, error="refused" if broken else ""),
        "open-meteo": SourceHealth("open-meteo", "forecast", now, ok_at=START, error="no answer" if down else ""),
    }
    found = conditions(outlook, levels, site, now, health)
    for c in found:
        if c.kind == "cold-shortfall" and c.holds:
            start = datetime.fromisoformat(str(c.facts["start"]))
            told.foreseen[hour] = round((start - START) / HOUR)
    judgement = judge(found, states, now, site)
    states.update({s.key: s for s in judgement.states})
    told.notices += judgement.notices
    for key, state in list(states.items()):  # most people answer within hours, some never
        asked = state.told_at is not None and (now - state.told_at) > timedelta(hours=7)
        if state.state in {"unacknowledged", "returned"} and asked and hash_share(state.occurrence) < 0.7:
            states[key] = acknowledge(state, now, "Kim", words(site)).states[0]
    told.transitions += judgement.transitions


def _plain(
    told: Told, plain: dict[str, bool], outlook: Outlook | None, now: datetime, seen: float, silent: int, age: int
) -> None:
    """A rule without delay, deadband or odds on the same facts: each change is a notice."""
    cold = outlook is not None and any(h.uncovered and h.may_burn and h.time >= now - HOUR for h in outlook.hours)
    for key, holds in {"cold": cold, "low": seen <= 0.20, "silent": silent >= 1, "stale": age > 12}.items():
        if holds != plain.get(key, False):
            plain[key] = holds
            told.plain[key].append(now)


def _events(world: World, told: Told, days: int) -> None:
    """List what truly happened: the first hour of each, a day apart."""
    end = days * 24 - AHEAD
    last = -99
    for hour in np.flatnonzero(world.uncovered[:end]):
        if hour - last > 24:
            told.cold_events.append((int(hour), bool(not world.forecast_down[max(0, hour - 30) : hour].any())))
        last = int(hour)
    below = world.share[:end] <= 0.17
    told.low_events += [int(h) for h in np.flatnonzero(below[1:] & ~below[:-1]) + 1]
    _runs(world.sensor_down | world.broker_down, 2, end, told.silent_events)
    _runs(world.forecast_down, 13 + ISSUE_EVERY, end, told.stale_events)


def _runs(down: NDArray[np.bool_], least: int, end: int, into: list[int]) -> None:
    run = 0
    for hour in range(end):
        run = run + 1 if down[hour] else 0
        if run == least:
            into.append(hour)
