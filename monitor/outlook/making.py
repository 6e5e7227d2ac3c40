"""The outlook: for each coming hour what the cylinders carry, for how long, and whether that covers the household."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.model.forecast import Forecast
from monitor.model.outlook import Band, FuelEnds, HoldEnds, HourOutlook, NightOdds, Outlook
from monitor.model.reading import Level
from monitor.model.site import BASES, Basis, Site
from monitor.outlook import bands, filled
from monitor.outlook import hours as clock
from monitor.outlook.draw import Feed, Series, falling
from monitor.outlook.fuel import ends as fuel_ends
from monitor.outlook.runout import first_estimate
from monitor.outlook.stretch import stretches
from monitor.outlook.use import Use
from monitor.physics import Air, Plant, film_w_m2k, level_needed, rest_k, sustained_w
from monitor.physics import hold as hold_time

_ENDS: tuple[HoldEnds, ...] = ("pressure", "fuel", "limit")
LIMIT_S = 86_400.0
BLOCK = 1 << 18  # hours x cylinders x members worked out at once: two megabytes an array
LEAST_MEMBERS = 2  # one alone is no odds


@dataclass(frozen=True)
class _Answer:
    """What the physics says, with any leading dimensions (members) before the hours."""

    liquid_k: Series
    sustained_w: Mapping[Basis, Series]
    level_needed: Mapping[Basis, Series]
    hold_s: Series
    ends: NDArray[np.int64]
    film: Series


def _charges(site: Site, levels: Sequence[Level]) -> tuple[Series, Series, list[str], bool]:
    """Charge and its deviation by cylinder (kg), notes, and whether anything open is known at all."""
    by_name = {level.cylinder: level for level in levels}
    charge, deviation = np.zeros(len(site.cylinders)), np.zeros(len(site.cylinders))
    notes, known = [], False
    for i, cylinder in enumerate(site.cylinders):
        level = by_name.get(cylinder.name)
        if level is None or level.reading_time is None:
            if cylinder.valve_open:
                notes.append(f"{cylinder.name}: never read, counted as empty")
            continue
        known = known or cylinder.valve_open
        charge[i] = min(max(level.left_kg, 0.0), cylinder.water_capacity_kg * 0.5)
        deviation[i] = level.sd_kg
    if not any(c.valve_open for c in site.cylinders):
        notes.append("every valve is shut: nothing feeds")
        known = True  # an answer: there is nothing
    elif not known:
        notes.append("no level of an open cylinder is known: capacity cannot be judged")
    return charge, deviation, notes, known


def _single(values: Any) -> Series:
    return np.asarray(values, dtype=np.float64)


def _feeding_mean(values: Series, charge_kg: Series, site: Site, extra_axis: bool) -> Series:
    """One number an hour where the physics gives one a cylinder: the lowest among the cylinders that feed."""
    if not extra_axis:
        return values
    feeds = np.array([c.valve_open for c in site.cylinders]) & (charge_kg > 1e-3)
    some = feeds.any(axis=-1)
    lowest = np.where(feeds, values, np.inf).min(axis=-1)
    return np.where(some, lowest, values[..., 0])


def _ask(site: Site, plant: Plant, view: clock.Ahead, air_k: Series, charge_kg: Series) -> _Answer:
    """Rest temperature, capacities, level needed and hold time; `air_k` (..., hours), `charge_kg` (..., hours, n)."""
    air = Air(air_k, view.wind_m_s, view.sky, view.dewpoint_k)
    basis = site.supply.basis
    rest = _single(rest_k(plant, charge_kg, air, history_air_k=view.history_k))
    hold = hold_time(plant, charge_kg, air, rest, site.demand_w, basis, LIMIT_S)
    return _Answer(
        liquid_k=_feeding_mean(rest, charge_kg, site, rest.ndim > air_k.ndim),
        sustained_w={b: _single(sustained_w(plant, charge_kg, air, b)) for b in BASES},
        level_needed={b: _single(level_needed(plant, air, site.demand_w, b)) for b in BASES},
        hold_s=_single(hold.hold_s),
        ends=np.asarray(hold.ends, dtype=np.int64),
        film=_single(film_w_m2k(plant, air, basis)),
    )


def judge(
    site: Site, hold_s: Series, capacity_w: Series, stated_s: Series, burning: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(short of hold, short for a continuous appliance) for each hour; NaN counts as neither.

    The rule: in an hour when the household may burn, the hold time from rest is shorter than the stated
    burn; for an appliance marked continuous, sustained capacity is below its demand. `stated_s` is 0 in an hour in
    which nothing may burn by turns.
    """
    with np.errstate(invalid="ignore"):
        hold_short = (stated_s > 0.0) & (hold_s < stated_s)
        continuous_short = burning & (capacity_w < site.continuous_w)
    return hold_short, continuous_short


def _none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


@dataclass(frozen=True)
class _Members:
    """What the members say, each (members, hours)."""

    uncovered: NDArray[np.bool_]
    air_k: Series
    capacity_w: Series
    hold_s: Series


def _odds(
    site: Site, plant: Plant, view: clock.Ahead, charge: tuple[Series, Series, Series], burn: tuple[Any, ...]
) -> _Members:
    """The answer by member and hour; each member also gets its own draw of the level's error (a fixed sequence)."""
    start_kg, deviation_kg, use_kg = charge
    full = np.array([c.water_capacity_kg * 0.5 for c in site.cylinders])
    starts = np.clip(start_kg + _scores(view.members_k.shape[0], start_kg.shape[0]) * deviation_kg, 0.0, full)
    feed, each = Feed.of(site), max(BLOCK // (start_kg.shape[0] * len(view.times)), 1)
    use = np.broadcast_to(use_kg, (len(starts), len(view.times)))
    blocks = [slice(k, k + each) for k in range(0, len(starts), each)]  # members are independent of each other
    parts = [_of_members(site, plant, view, some, falling(feed, starts[some], use[some])) for some in blocks]
    capacity, hold_s = (np.concatenate(both) for both in zip(*parts, strict=True))
    hold_short, continuous_short = judge(site, hold_s, capacity, *burn)
    return _Members(hold_short | continuous_short, view.members_k, capacity, hold_s)


def _scores(members: int, n: int) -> Series:
    """Standard scores (members, n) of the levels' errors: golden-ratio sequences, one start a cylinder."""
    normal = NormalDist()
    steps = (np.arange(1, n + 1) * 0.6180339887498949) % 1.0
    u = (0.5 + np.arange(members)[:, None] * steps[None, :] + np.arange(n)[None, :] * 0.37) % 1.0
    return np.array([[normal.inv_cdf(min(max(v, 1e-3), 1 - 1e-3)) for v in row] for row in u])


def _of_members(site: Site, plant: Plant, view: clock.Ahead, some: slice, fall_kg: Series) -> tuple[Series, Series]:
    """Sustained capacity (W) and hold time (s), each (members, hours), of `some` members with their charges."""
    air = Air(view.members_k[some], view.wind_m_s, view.sky, view.dewpoint_k)
    basis = site.supply.basis
    rest = _single(rest_k(plant, fall_kg, air, history_air_k=view.history_k))
    hold_s = _single(hold_time(plant, fall_kg, air, rest, site.demand_w, basis, LIMIT_S).hold_s)
    return _single(sustained_w(plant, fall_kg, air, basis)), hold_s


def make(
    site: Site,
    forecast: Forecast | None,
    levels: Sequence[Level],
    at: datetime,
    *,
    history: tuple[Sequence[datetime], Sequence[float]] | None = None,
    use_kg_s: float | None = None,
    settings: Mapping[str, Any] | None = None,
    learnt: Use | None = None,
) -> Outlook:
    """Make the outlook at `at` (aware) for the hours from the one that holds it to the forecast's end.

    `history` is air measured before `at` (times, K); `use_kg_s` a stated use (kg/s), else the one the levels show.
    `learnt` (see `learn_use`) is better than either where it is there and no use is stated. With two or more members
    in the forecast every hour and stretch gets its odds. Hours without air, and everything that rests on them, are
    None. `settings` is taken for what may come.
    """
    del settings  # nothing here has a setting yet that the site does not carry
    at = at.astimezone(UTC)
    run_out, run_words = first_estimate(site, levels, at, use_kg_s)
    fuel: tuple[FuelEnds, ...] = ()
    if learnt is not None and use_kg_s is None:
        fuel = _fuel(site, forecast, levels, learnt, at)
        run_out = fuel[0].dry if fuel else run_out
        run_words = f"run-out: {learnt.basis}" if fuel else run_words
    charge, deviation, notes, known = _charges(site, levels)
    notes += filled.said(levels, site)
    if forecast is None:
        notes.append("no forecast: nothing can be said about the hours ahead")
        told = (*notes, run_words)
        return Outlook(
            at, site.name, site.supply.basis, site.demand_w, (), (), run_out, tuple(levels), notes=told, fuel=fuel
        )
    view = clock.ahead(forecast, at, history)
    use_kg = _use(site, levels, at, view, use_kg_s, learnt)
    hours, found, members = _hours(site, view, (charge, deviation), use_kg, known)
    by_night: tuple[NightOdds, ...] = ()
    week = None
    if members is not None:
        m = members
        by_night = bands.nights(view.times, site.timezone, m.uncovered, m.air_k, m.capacity_w, m.hold_s)
        week = bands.week(view.times, m.uncovered, m.air_k)
    return Outlook(
        at=at,
        site=site.name,
        basis=site.supply.basis,
        demand_w=site.demand_w,
        hours=hours,
        uncovered=found,
        run_out=run_out,
        levels=tuple(levels),
        forecast_source=forecast.source,
        forecast_issued=forecast.issued,
        notes=(*notes, *view.notes, *forecast.notes, run_words),
        fuel=fuel,
        nights=by_night,
        probability_week=week,
    )


def _fuel(
    site: Site, forecast: Forecast | None, levels: Sequence[Level], learnt: Use, at: datetime
) -> tuple[FuelEnds, ...]:
    """When fuel ends by the learnt use, with the forecast's own days and its coldest hour (one chance in ten)."""
    if forecast is None:
        return fuel_ends(site, levels, learnt, at)
    view = clock.ahead(forecast, at)
    if not np.isfinite(view.air_k).any():
        return fuel_ends(site, levels, learnt, at)
    members = view.members_k[np.isfinite(view.members_k).any(axis=1)]
    cold_k = float(np.quantile(np.nanmin(members, axis=1), 0.1))
    return fuel_ends(site, levels, learnt, at, air_k=clock.daily_means(view, site.timezone), cold_k=cold_k)


def _use(
    site: Site,
    levels: Sequence[Level],
    at: datetime,
    view: clock.Ahead,
    use_kg_s: float | None,
    learnt: Use | None,
) -> Series:
    """Gas drawn in each hour ahead (kg); the first hour counts from `at`."""
    if use_kg_s is None and learnt is not None and learnt.days > 0:
        use = clock.spread_over_hours(view, site, learnt.mean_kg_d, learnt.hours)
    else:
        rate = use_kg_s
        if rate is None:
            open_names = {c.name for c in site.cylinders if c.valve_open}
            rate = sum(x.burn_kg_s for x in levels if x.cylinder in open_names and x.reading_time is not None)
        use = np.full(len(view.times), max(rate, 0.0) * clock.HOUR_S)
    if view.times and view.times[0] <= at:
        use[0] *= 1.0 - (at - view.times[0]).total_seconds() / clock.HOUR_S
    return use


def _hours(
    site: Site, view: clock.Ahead, charge: tuple[Series, Series], use_kg: Series, known: bool
) -> tuple[tuple[HourOutlook, ...], tuple[Any, ...], _Members | None]:
    """The hours, the uncovered stretches, and what the members say where there are enough."""
    if not view.times:
        return (), (), None
    anything, stated_s, burning = clock.may_burn(site, view.times)
    plant = Plant.of(site)
    fall = falling(Feed.of(site), charge[0], use_kg)
    answer = _ask(site, plant, view, view.air_k, fall)
    capacity = answer.sustained_w[site.supply.basis]
    hold_short, continuous_short = judge(site, answer.hold_s, capacity, stated_s, burning)
    judged = known & np.isfinite(answer.hold_s) & np.isfinite(capacity)
    members: _Members | None = None
    none: list[Band | None] = [None] * len(view.times)
    air_band, capacity_band, hold_band = none, none, none
    if known and view.members_k.shape[0] >= LEAST_MEMBERS:
        members = _odds(site, plant, view, (charge[0], charge[1], use_kg), (stated_s, burning))
        air_band, capacity_band = bands.by_hour(members.air_k), bands.by_hour(members.capacity_w)
        hold_band = bands.by_hour(members.hold_s)
    by_member = None if members is None else members.uncovered
    hours = []
    for k, time in enumerate(view.times):
        have = bool(judged[k])
        short = bool(hold_short[k] or continuous_short[k])
        hours.append(
            HourOutlook(
                time=time,
                air_k=_none(view.air_k[k]),
                liquid_k=_none(answer.liquid_k[k]),
                sustained_w={b: _none(answer.sustained_w[b][k]) if known else None for b in BASES},
                headroom_w=_none(capacity[k] - site.demand_w) if known else None,
                hold_s=_none(answer.hold_s[k]) if known else None,
                hold_ends=_ENDS[int(answer.ends[k])] if have else None,
                level_needed={b: _none(answer.level_needed[b][k]) for b in BASES},
                film_w_m2k=_none(answer.film[k]),
                may_burn=bool(anything[k]),
                uncovered=short if have or (known and short) else None,
                probability_uncovered=float(by_member[:, k].mean()) if by_member is not None and have else None,
                charge_kg={c.name: float(fall[k, i]) for i, c in enumerate(site.cylinders)} if known else {},
                air_band_k=air_band[k],
                capacity_band_w=capacity_band[k],
                hold_band_s=hold_band[k],
                needed_hold_s=float(stated_s[k]),
            )
        )
    return tuple(hours), stretches(hours, list(hold_short), list(stated_s), by_member), members
