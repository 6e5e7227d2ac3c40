"""The main job scored: of the nights on which full-burner demand was truly uncovered, which were told, and how early.

One issue a day, at local noon, so that an early-morning shortfall told "at least a day ahead" is told from a forecast
41 h old or older: harder than for a service that pulls hourly. Levels fall as fixed here and are known to 2 % of full;
an outlook is judged up to the next refill only, which it cannot know of. Warned: a run of hours with odds of 20 % and
over within two days, 50 % and over within five (the alert's own rule, from the alert's own code).

Uncovered: in an hour in which the household may burn (05-23), the hold time from lagged rest is below the stated hour.
Truth is judged on the measured air. Where the product's own hold time lies within a tenth of the stated one, the
SciPy and CoolProp reading of the model (tests/reference/oracle.py) decides; further off both agree, as they differ by
under 0.5 %. Rest temperatures are the product's own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor import outlook, physics
from monitor.alerts import supply
from monitor.alerts.settings import DEFAULTS
from monitor.model.forecast import Forecast
from monitor.model.outlook import HourOutlook
from monitor.model.reading import Level
from monitor.model.site import Basis, Cylinder, Site
from monitor.outlook import air, hours, making
from monitor.outlook.learn import Learnt
from monitor.weather.yard import LEAST_NIGHTS
from tests.physics.sites import cylinder
from tests.weather import replay

Series = NDArray[np.float64]
HOUR = timedelta(hours=1)

ARRANGEMENTS: dict[str, tuple[Cylinder, ...]] = {
    "two 40-lb": (cylinder("40", "A"), cylinder("40", "B")),
    "one 100-lb": (cylinder("100", "A"),),
    "three 20-lb": tuple(cylinder("20", n) for n in "ABC"),
}
CYCLE_D = 24  # days from one refill to the next
FULLEST, EMPTIEST = 0.80, 0.16
SURE = 0.02  # of full, one standard deviation of the level as known
HORIZON_D = 5
HOLD_LIMIT_S = 2 * 3600.0  # beyond twice the stated hold nothing is decided
SOON, FAR = float(DEFAULTS["probability"]), float(DEFAULTS["probability_far"])


def share_of_full(day: float) -> float:
    """The level, the same in every cylinder, `day` days (with fraction) from the winter's first issue."""
    return FULLEST - (FULLEST - EMPTIEST) * ((day + 9.0) % CYCLE_D) / CYCLE_D


def days_to_refill(day: int) -> float:
    return CYCLE_D - (day + 9.0) % CYCLE_D


@dataclass(frozen=True)
class Night:
    """One night (noon to noon, by its morning): the first uncovered hour, and whether full cylinders would do."""

    morning: int
    first: datetime | None
    beyond: bool


@dataclass(frozen=True)
class Said:
    """What one issue said of one night: named by ours and by the chart basis, odds, raw minimum (K)."""

    issue: datetime
    morning: int
    named: bool
    odds: float
    chart: bool
    raw_min_k: float


def site_for(world: replay.World, cylinders: tuple[Cylinder, ...], basis: Basis) -> Site:
    site = replace(world.site, cylinders=cylinders)
    return replace(site, supply=replace(site.supply, basis=basis))


def _with_weather(world: replay.World, forecast: Forecast) -> Forecast:
    """Wind and humidity as measured where they were; else none, which counts as calm and clear."""
    start, count = forecast.start, forecast.hours
    truth = world.truth
    offset = truth.index(start)

    def cut(values: Series | None) -> Series | None:
        if values is None:
            return None
        out = np.full(count, np.nan)
        part = values[offset : offset + count]
        out[: part.size] = part
        return out

    return replace(forecast, wind_m_s=cut(truth.wind_m_s), humidity=cut(truth.humidity))


def night_of(time: datetime, zone: ZoneInfo) -> int:
    """Local day number of the morning of the night (noon to noon) that holds `time`."""
    local = time.astimezone(zone)
    return local.date().toordinal() + (local.hour >= 12)


def uncovered_truly(world: replay.World, site: Site) -> tuple[list[Night], int]:
    """Every night of the winter judged on the measured air; how many hours the oracle decided."""
    start = world.issues[0]
    count = int((world.issues[-1] - start) / HOUR) + 24
    plain = Forecast("truth", start, start, start, world.yard.at(start, count)[None, :])
    forecast = _with_weather(world, plain)
    past = world.yard.at(start - timedelta(hours=48), 48)
    times = [start + (k - 48) * HOUR for k in range(48)]
    view = hours.ahead(forecast, start, (times, past.tolist()))
    share = np.array([share_of_full(k / 24.0) for k in range(count)])
    short, asked = _short(site, view, share)
    beyond, _ = _short(site, view, np.ones(count))
    zone = ZoneInfo(site.timezone)
    found: dict[int, Night] = {}
    for k, time in enumerate(view.times):
        number = night_of(time, zone)
        night = found.setdefault(number, Night(number, None, False))
        if short[k]:
            found[number] = Night(number, night.first or time, night.beyond or bool(beyond[k]))
    return list(found.values()), asked


def _short(site: Site, view: hours.Ahead, share: Series) -> tuple[NDArray[np.bool_], int]:
    """Which hours are uncovered at `share` of full; the oracle decides those near the line."""
    plant = physics.Plant.of(site)
    full = np.array([c.full_kg for c in site.cylinders])
    charge = share[:, None] * full
    conditions = physics.Air(view.air_k, view.wind_m_s, view.sky, view.dewpoint_k)
    rest = np.asarray(physics.rest_k(plant, charge, conditions, history_air_k=view.history_k))
    basis = site.supply.basis
    hold = physics.hold(plant, charge, conditions, rest, site.demand_w, basis, HOLD_LIMIT_S).hold_s
    _, stated_s, _ = hours.may_burn(site, view.times)
    short = (stated_s > 0.0) & (hold < stated_s)
    near = np.flatnonzero((stated_s > 0.0) & (np.abs(hold / np.maximum(stated_s, 1.0) - 1.0) < 0.1))
    for k in near:
        short[k] = oracle_hold_s(site, view, share, rest, int(k)) < stated_s[k]
    return short, int(near.size)


def oracle_hold_s(site: Site, view: hours.Ahead, share: Series, rest: Series, k: int) -> float:
    """Hold time (s) from rest at hour k by the other reading of the model."""
    from tests.reference import oracle

    last = slice(k, k + 3)
    case = {
        "air": view.air_k[last].tolist(),
        "wind": view.wind_m_s[last].tolist(),
        "sky": view.sky[last].tolist(),
        "dew": np.where(np.isfinite(view.dewpoint_k), view.dewpoint_k, view.air_k - 4.0)[last].tolist(),
        "basis": site.supply.basis,
        "air_pa": site.air_pressure_pa,
        "inlet_pa": site.supply.lowest_inlet_pa,
        "demand": site.demand_w,
        "limit": HOLD_LIMIT_S,
        "changeover": False,
        "check": False,
        "start_k": np.broadcast_to(rest[k], (len(site.cylinders),)).tolist(),
        "cylinders": [
            {
                "wc": c.water_capacity_kg, "od": c.outside_diameter_m, "tare": c.tare_kg, "wall": c.wall_m,
                "shape": c.shape, "side": c.side, "gas": [1.0, 0.0, 0.0, 0.0],
                "share": share[k] * c.full_kg / (0.42 * c.water_capacity_kg),
            }
            for c in site.cylinders
        ],
    }  # fmt: skip
    return float(oracle.hold(case)["hold_s"])


def said(world: replay.World, site: Site, issue: int, forecast: Forecast, learnt: Learnt) -> list[Said]:
    """What was said at one issue of each night up to five days ahead or the next refill."""
    span = int(24 * min(HORIZON_D, days_to_refill(issue)))
    short = _with_weather(world, replace(forecast, air_k=forecast.air_k[:, :span]))
    at = forecast.issued
    slope = (FULLEST - EMPTIEST) / CYCLE_D / 86_400.0
    levels = [
        Level(c.name, at, share_of_full(issue) * c.full_kg, SURE * c.full_kg, slope * c.full_kg, 0.0, at, "fixed")
        for c in site.cylinders
    ]
    past = world.yard.at(at - timedelta(hours=48), 48)
    history = ([at + (k - 48) * HOUR for k in range(48)], past.tolist())
    ready = air.prepare(short, site, learnt=learnt if learnt.nights >= LEAST_NIGHTS else None)
    ours = outlook.make(site, ready, levels, at, history=history)
    chart = outlook.make(replace(site, supply=replace(site.supply, basis="chart")), short, levels, at, history=history)
    zone = ZoneInfo(site.timezone)
    named = {night_of(hour.time, zone) for run in supply._runs(ours.hours, SOON, FAR, at + supply.FAR) for hour in run}
    out = []
    for number, mine in _by_night(ours.hours, zone).items():
        raw = short.air_k[0, [int((h.time - short.start) / HOUR) for h in mine]]
        odds = max((h.probability_uncovered or 0.0 for h in mine if h.may_burn), default=0.0)
        by_chart = any(h.uncovered for h in chart.hours if night_of(h.time, zone) == number)
        out.append(Said(at, number, number in named, odds, by_chart, float(raw.min())))
    return out


def _by_night(found: tuple[HourOutlook, ...], zone: ZoneInfo) -> dict[int, list[HourOutlook]]:
    by: dict[int, list[HourOutlook]] = {}
    for hour in found:
        by.setdefault(night_of(hour.time, zone), []).append(hour)
    return by


@dataclass(frozen=True)
class Winter:
    """One winter of one arrangement."""

    nights: list[Night]
    said: list[Said]
    asked: int


def winter(world: replay.World, cylinders: tuple[Cylinder, ...], basis: Basis) -> Winter:
    """Play one winter. Holds are followed for two hours only: what is beyond is not needed here."""
    site = site_for(world, cylinders, basis)
    nights, asked = uncovered_truly(world, site)
    kept = making.LIMIT_S
    making.LIMIT_S = HOLD_LIMIT_S
    try:
        every = [s for k, forecast, learnt in known(world) for s in said(world, site, k, forecast, learnt)]
    finally:
        making.LIMIT_S = kept
    return Winter(nights, every, asked)


@cache
def known(world: replay.World) -> list[tuple[int, Forecast, Learnt]]:
    """Issues and what was learnt by each: the same for every arrangement."""
    return list(world.run())


@dataclass(frozen=True)
class Score:
    """How one way of warning did over some winters."""

    uncovered: int
    ahead: int
    at_all: int
    false_episodes: float  # a winter
    median_lead_h: float


def score(winters: list[Winter], warns: list[dict[tuple[datetime, int], bool]]) -> Score:
    """Score one way of warning; `warns` says for each winter whether an issue named a night."""
    total = ahead = at_all = false = 0
    leads: list[float] = []
    for played, named in zip(winters, warns, strict=True):
        truly = {n.morning: n for n in played.nights if n.first is not None}
        told: dict[int, list[datetime]] = {}
        for (issue, morning), yes in named.items():
            if yes:
                told.setdefault(morning, []).append(issue)
        for morning, night in truly.items():
            if night.beyond or night.first is None:
                continue
            total += 1
            before = [i for i in told.get(morning, []) if i <= night.first]
            at_all += bool(before)
            ahead += any(i <= night.first - timedelta(hours=24) for i in before)
            if before:
                leads.append((night.first - min(before)) / HOUR)
        false += _false_runs(sorted(told), set(truly))
    return Score(total, ahead, at_all, false / len(winters), float(np.median(leads)) if leads else 0.0)


def _false_runs(warned: list[int], truly: set[int]) -> int:
    """Runs of warned nights without an uncovered one."""
    count = 0
    run: list[int] = []
    for morning in [*warned, 10**9]:
        if run and morning != run[-1] + 1:
            count += not any(m in truly for m in run)
            run = []
        run.append(morning)
    return count


def ways(winters: list[Winter]) -> dict[str, Score]:
    """Ours beside a fixed temperature threshold tuned on the same data, and the chart basis on the raw forecast."""

    def named(rule: str, threshold_k: float = 0.0) -> list[dict[tuple[datetime, int], bool]]:
        def warns(s: Said) -> bool:
            return {"ours": s.named, "chart": s.chart, "threshold": s.raw_min_k <= threshold_k}[rule]

        return [{(s.issue, s.morning): warns(s) for s in played.said} for played in winters]

    ours = score(winters, named("ours"))
    trials = [score(winters, named("threshold", 273.15 + c)) for c in np.arange(-30.0, 6.0, 1.0)]
    as_many = next((t for t in trials if t.ahead >= ours.ahead), trials[-1])
    few = [t for t in trials if t.false_episodes <= max(ours.false_episodes, 2.0)]
    as_quiet = max(few, key=lambda t: t.ahead, default=trials[0])
    return {
        "ours": ours,
        "temperature, warns as often": as_many,
        "temperature, as few false": as_quiet,
        "chart basis, raw forecast": score(winters, named("chart")),
    }


def brier_skill(winters: list[Winter], hours_ahead: int = 36) -> tuple[float, int]:
    """Skill of the odds given at the last issue at least `hours_ahead` before each night's morning, and its nights."""
    odds, came = [], []
    for played in winters:
        truly = {n.morning: n.first is not None for n in played.nights}
        for s in played.said:
            lead = s.morning - s.issue.date().toordinal()
            if lead == hours_ahead // 24 + 1 and s.morning in truly:
                odds.append(s.odds)
                came.append(truly[s.morning])
    from monitor.outlook import verify

    skill = verify.brier(np.array(odds), np.array(came)).skill if odds else None
    return (float("nan") if skill is None else skill), len(odds)


def table(name: str, winters: list[Winter]) -> str:
    nights, asked = sum(len(w.nights) for w in winters), sum(w.asked for w in winters)
    beyond = sum(n.beyond for w in winters for n in w.nights)
    head = f"{name}: {len(winters)} winters, {nights} nights, {beyond} that no charge could have covered"
    lines = [f"{head}, {asked} hours decided by the oracle"]
    for way, s in ways(winters).items():
        share = max(s.uncovered, 1)
        lines.append(
            f"  {way:28s} uncovered {s.uncovered:4d}  told a day ahead {100 * s.ahead / share:5.1f} %  "
            f"at all {100 * s.at_all / share:5.1f} %  false episodes a winter {s.false_episodes:5.2f}  "
            f"median lead {s.median_lead_h:4.0f} h"
        )
    skill, n = brier_skill(winters)
    lines.append(f"  Brier skill of the odds at 41 h: {skill:+.2f} over {n} nights")
    return "\n".join(lines)
