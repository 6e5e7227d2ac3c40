"""The refill plan: which cylinders to take, when, before which day, and why. Pure.

A plan is a trip on one of the days and hours that the household has, with some of the cylinders, so that: until then
the odds of running out or of an uncovered meal stay below the risk that is accepted; what stays behind carries the
meals while the others are away; nobody lifts or loads more than the limits say; and what comes back covers the coldest
night to be expected. Where no trip keeps every rule, the least bad one is told with the rule that gives way.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.outlook import HourOutlook
from monitor.model.reading import Level
from monitor.model.site import Cylinder, Site, Units
from monitor.model.units_out import show
from monitor.outlook.draw import Feed
from monitor.outlook.fuel import Ahead, burn_ahead, holds, least_share
from monitor.outlook.record import requalify_date
from monitor.outlook.trip_odds import DAY, DAYS_AHEAD, mendable_odds, odds_by_day
from monitor.outlook.use import Use
from monitor.physics import Air, Plant

Series = NDArray[np.float64]
WORTH_SHARE = 0.95  # a cylinder fuller than this is not worth a trip; our choice
CLOSED_SHARE = 0.1  # of full: a closed cylinder that holds more is opened before anyone goes for gas
RIDES_SHARE = 0.85  # a cylinder fuller than this saves no later trip by riding along
MOST_FLOOR = 0.6  # of full: more is not held for cold that no forecast tells yet; the forecast comes in time for it
MOST_CONSIDERED = 8  # emptiest first: more need no trying
CAUTION = (
    "Cylinders travel upright, secured, valves shut and plugged, never left in a closed hot car; check for leaks after "
    "connecting. Local codes and the filling station's rules come first."
)


@dataclass(frozen=True, slots=True)
class Rules:
    """What the household can do. SI units; None = no limit stated."""

    weekdays: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6)
    first_hour: int = 8
    last_hour: int = 18
    trip_s: float = 10_800.0
    at_once: int = 2
    lift_kg: float | None = None
    height_m: float | None = None
    reserve: float = 0.10
    risk: float = 0.05
    closed: frozenset[date] = frozenset()
    all_away: bool = False  # whether every cylinder may be away at once, between meals

    @classmethod
    def of(cls, settings: Mapping[str, Any]) -> Rules:
        """Read the rules from the site's settings `fuel.*`."""
        plain = cls()
        hours = settings.get("fuel.station_hours") or (plain.first_hour, plain.last_hour)
        lift, height = settings.get("fuel.lift"), settings.get("fuel.height_in_vehicle")
        return cls(
            weekdays=tuple(int(d) for d in settings.get("fuel.days") or plain.weekdays),
            first_hour=int(hours[0]),
            last_hour=int(hours[1]),
            trip_s=float(settings.get("fuel.trip") or plain.trip_s),
            at_once=int(settings.get("fuel.at_once") or plain.at_once),
            lift_kg=None if lift is None else float(lift),
            height_m=None if height is None else float(height),
            reserve=float(settings.get("fuel.reserve", plain.reserve)),
            risk=float(settings.get("fuel.risk", plain.risk)),
            all_away=bool(settings.get("fuel.all_away", plain.all_away)),
        )


@dataclass(frozen=True, slots=True)
class Take:
    """One cylinder to take: what it weighs when it goes and when it comes back filled."""

    cylinder: str
    goes_kg: float
    returns_kg: float
    adds_kg: float


@dataclass(frozen=True, slots=True)
class Plan:
    """What to do. `when` None = nothing to do in the time looked at. `gives_way` names rules that cannot be kept.

    `latest`: the last possible day that keeps the risk. `risk_before`: odds of run-out or an uncovered meal before the
    trip; `stays_covered`: what stays behind carries the meals meanwhile. `needed_share`: share of full needed after
    the return for the coldest night to be expected (None = at no level), `share_after`: what there will be.
    """

    made: datetime
    when: datetime | None
    take: tuple[Take, ...]
    latest: date | None
    risk_before: float | None
    stays_covered: bool | None
    needed_share: float | None
    share_after: float | None
    reasons: tuple[str, ...]
    gives_way: tuple[str, ...] = ()
    caution: str = CAUTION
    days: tuple[tuple[date, float], ...] = field(default=())  # each possible day and the odds of trouble before it


def _may_go(cylinder: Cylinder, rules: Rules, height_m: float, units: Units) -> str | None:
    """The rule that keeps a cylinder at home, or None."""
    filled = cylinder.tare_kg + cylinder.full_kg
    if rules.lift_kg is not None and filled > rules.lift_kg:
        heavy, limit = show(filled, "mass", units), show(rules.lift_kg, "mass", units)
        return f"{cylinder.name} weighs {heavy} filled, over the {limit} that can be lifted"
    if rules.height_m is not None and height_m > rules.height_m:
        high, limit = show(height_m, "length", units), show(rules.height_m, "length", units)
        return f"{cylinder.name} is about {high} high and does not stand upright in the vehicle's {limit}"
    return None


def heights_m(site: Site) -> dict[str, float]:
    """Height of each cylinder with collar and foot ring (20 cm more than the shell; from memory, no source)."""
    shells = Plant.of(site).shells
    return {c.name: s.height_m + 2.0 * c.wall_m + 0.20 for c, s in zip(site.cylinders, shells, strict=True)}


def _stays_covered(site: Site, charge: Mapping[str, float], away: frozenset[str], air_k: float, risk_kg: float) -> bool:
    """Whether what stays behind holds the stated burn from rest at `air_k` with `risk_kg` burnt meanwhile."""
    staying = [c for c in site.cylinders if c.valve_open and c.name not in away]
    if not staying or sum(charge[c.name] for c in staying) <= risk_kg:
        return False
    feed = Feed.of(site)
    left = np.array([charge[c.name] if c.name not in away else 0.0 for c in site.cylinders])
    left = feed.spend(left, np.array(risk_kg))
    return bool(holds(site, Plant.of(site), left, Air(np.array([air_k]), 0.0, 1.0))[0])


@dataclass(frozen=True)
class _Scene:
    """What all candidate trips share."""

    site: Site
    feed: Feed
    rules: Rules
    at: datetime
    charge: Mapping[str, float]
    ahead: Ahead
    odds: Series
    day_air_k: Series
    cold_k: float
    use: Use
    known: frozenset[str]
    air_k: Mapping[datetime, float]  # of the hours that the forecast tells: the colder of air and liquid
    mendable: Mapping[datetime, float]


def _days(scene: _Scene) -> list[tuple[int, datetime]]:
    """Possible trips: index of the day ahead and the local hour of departure (as UTC)."""
    zone = ZoneInfo(scene.site.timezone)
    local = scene.at.astimezone(zone)
    out = []
    for k in range(DAYS_AHEAD):
        day = local.date() + k * DAY
        if day.weekday() not in scene.rules.weekdays or day in scene.rules.closed:
            continue
        hour = scene.rules.first_hour
        last = scene.rules.last_hour - math.ceil(scene.rules.trip_s / 3600.0)
        if k == 0:
            hour = max(hour, local.hour + 1)
        if hour > max(last, scene.rules.first_hour):
            continue
        out.append((k, datetime(day.year, day.month, day.day, hour, tzinfo=zone).astimezone(UTC)))
    return out


def _departures(scene: _Scene, when: datetime) -> list[datetime]:
    """The day's first hour, and the one at which what stays behind has it warmest, where no risk is in waiting."""
    first = when.astimezone(ZoneInfo(scene.site.timezone))
    last = scene.rules.last_hour - math.ceil(scene.rules.trip_s / 3600.0)
    later = [when + timedelta(hours=h) for h in range(1, last - first.hour + 1)]
    waits = [t for t in later if all(scene.mendable.get(u, 0.0) <= scene.rules.risk for u in (when, *later) if u < t)]
    known = {t: air for t in waits if (air := _coldest_on_trip(scene, t)) is not None}
    return [when, *([max(known, key=lambda t: (known[t], -t.timestamp()))] if known else [])]


def _coldest_on_trip(scene: _Scene, when: datetime) -> float | None:
    """Coldest that what stays behind has while the others are away (K), None where the forecast does not tell."""
    hours = max(math.ceil(scene.rules.trip_s / 3600.0), 1)
    airs = [scene.air_k.get(when + timedelta(hours=h)) for h in range(hours)]
    told = [air for air in airs if air is not None]
    return min(told) if len(told) == hours else None


def _charge_on(scene: _Scene, k: int) -> dict[str, float]:
    """Charges expected on day `k` ahead, before its meals."""
    start = np.array([scene.charge[c.name] for c in scene.site.cylinders])
    burnt = 0.0 if k == 0 else float(scene.ahead.mean_kg[k - 1])
    left = scene.feed.spend(start, np.array(burnt))
    return {c.name: float(x) for c, x in zip(scene.site.cylinders, left, strict=True)}


def _risk_before(scene: _Scene, k: int) -> float:
    return float(scene.odds[k - 1]) if k > 0 else 0.0


def plan(
    site: Site,
    levels: Sequence[Level],
    hours: Sequence[HourOutlook],
    use: Use,
    at: datetime,
    *,
    rules: Rules | None = None,
    cold_k: float | None = None,
    day_air_k: Sequence[float] | None = None,
    leak: bool = False,
) -> Plan:
    """Plan the next refill from the levels, the hours of an outlook with its odds, and the learnt use.

    `cold_k`: coldest air to be expected until the refill after (K; else the coldest of the hours); `day_air_k`: mean
    air of the coming days. `leak`: one was found and is not known to be mended, so nothing closed is to be opened.
    `rules` from the site's settings unless given. Raises ValueError for a naive `at`.
    """
    if at.tzinfo is None:
        raise ValueError("at must carry its offset")
    at = at.astimezone(UTC)
    rules = Rules.of(site.settings) if rules is None else rules
    known = {x.cylinder: x for x in levels if x.reading_time is not None}
    if not any(c.valve_open for c in site.cylinders):
        what = LEFT_CLOSED if leak else OPENING
        return _nothing(at, (f"every valve is marked closed and nothing feeds the house: {what}",))
    if not any(c.valve_open and c.name in known for c in site.cylinders):
        return _nothing(at, ("no level of an open cylinder is known: weigh one first",))
    charge = {c.name: known[c.name].left_kg if c.name in known else 0.0 for c in site.cylinders}
    opened = [c for c in site.cylinders if c.valve_open]
    left = sum(charge[c.name] for c in opened)
    sd = math.sqrt(sum(known[c.name].sd_kg ** 2 for c in opened if c.name in known))
    ahead = burn_ahead(use, at, site.timezone, day_air_k)
    airs = [h.air_k for h in hours if h.air_k is not None]
    cold = min(airs, default=268.15) if cold_k is None else cold_k
    full = sum(c.full_kg for c in opened)
    blind = not airs and cold_k is None
    needed = None if blind else least_share(site, cold)
    beyond = max(rules.reserve, 0.0 if needed is None else min(needed, MOST_FLOOR))
    mendable = mendable_odds(site, hours, at)
    odds = odds_by_day(
        site, (left, sd), ahead, hours, mendable, (rules.reserve * full, beyond * full), rules.first_hour
    )
    days = np.full(DAYS_AHEAD, np.nan if not airs else float(np.mean(airs)))
    if day_air_k is not None:
        count = min(len(day_air_k), DAYS_AHEAD)
        days[:count] = np.asarray(day_air_k, dtype=np.float64)[:count]
    cooler = {h.time: min(h.air_k, h.air_k if h.liquid_k is None else h.liquid_k) for h in hours if h.air_k is not None}
    feed, read = Feed.of(site), frozenset(known)
    scene = _Scene(site, feed, rules, at, charge, ahead, odds, days, cold, use, read, cooler, mendable)
    found = _choose(scene, needed)
    found = found if leak else _opening_first(scene, found)
    return replace(found, stays_covered=None, reasons=(BLIND, *found.reasons)) if blind else found


OPENING = "open one first, every burner off, slowly; listen and smell"
LEFT_CLOSED = "leave them closed, as a leak was found and no check since says that it is tight"
BLIND = "there is no forecast: the cold is not judged, the odds are of the fuel alone"


def _opening_first(scene: _Scene, found: Plan) -> Plan:
    """Say first that a closed cylinder with fuel is to be opened, where a trip is wanted and it does not go along."""
    going = {t.cylinder for t in found.take}
    what = "before you go for gas" if found.take else "so that it feeds as well"
    shut = [
        f"{c.name} is closed and holds {show(scene.charge[c.name], 'mass', scene.site.units)}: open it {what}, "
        "every burner off, slowly; listen and smell"
        for c in scene.site.cylinders
        if not c.valve_open and scene.charge[c.name] > CLOSED_SHARE * c.full_kg and c.name not in going
    ]
    return replace(found, reasons=(*shut, *found.reasons)) if shut and (found.take or found.gives_way) else found


def _nothing(at: datetime, reasons: tuple[str, ...]) -> Plan:
    return Plan(at, None, (), None, None, None, None, None, reasons)


def _choose(scene: _Scene, needed: float | None) -> Plan:
    """The best trip: as late as the risk lets (fewer trips), never later; where none is good, the least bad."""
    possible = _days(scene)
    told = tuple(
        (when.astimezone(ZoneInfo(scene.site.timezone)).date(), _risk_before(scene, k)) for k, when in possible
    )
    if not possible:
        return _nothing(scene.at, ("no day on which a trip is possible lies within 45 days",))
    good = [(k, when) for k, when in possible if _risk_before(scene, k) <= scene.rules.risk]
    if len(good) == len(possible):
        last = scene.at + DAYS_AHEAD * DAY
        under = f"under {100 * scene.rules.risk:.0f} % until {last:%d %b}"
        words = f"the odds of trouble that a refill would mend stay {under}: no trip is needed yet"
        return Plan(
            scene.at, None, (), None, _risk_before(scene, possible[-1][0]), None, needed, None, (words,),
            (NO_CHARGE,) if needed is None else (), days=told,
        )  # fmt: skip
    gives: list[str] = []
    if not good:
        gives.append(f"risk: before the first possible day the odds of trouble are {100 * told[0][1]:.0f} %")
        good = [possible[0]]
    latest = good[-1]
    for k, first in reversed(good):
        for when in _departures(scene, first):
            taken, reasons, lost = _load(scene, k, when)
            if taken and not lost:
                reasons = (*reasons, LATER) if when > first else reasons
                return _made(scene, (k, when), latest[1], taken, (reasons, tuple(gives)), needed, told)
    k, when = latest
    taken, reasons, lost = _load(scene, k, when)
    if not taken:
        cold = (NO_CHARGE,) if needed is None else ()
        day, risk = when.astimezone(ZoneInfo(scene.site.timezone)).date(), _risk_before(scene, k)
        return Plan(
            scene.at,
            None,
            (),
            day,
            risk,
            None,
            needed,
            None,
            reasons or ("a trip would bring nothing",),
            (*gives, *lost, *cold),
            days=told,
        )
    return _made(scene, (k, when), latest[1], taken, (reasons, (*gives, *lost)), needed, told)


NO_CHARGE = "the coldest night: no charge covers it; burn less at once then, or cook before"
LATER = "at the first hour of that day what stays behind would not carry the meals: it is warmer later"


def _load(scene: _Scene, k: int, when: datetime) -> tuple[tuple[Cylinder, ...], tuple[str, ...], tuple[str, ...]]:
    """Which cylinders to take on day `k`, why, and which rules give way (none if all is well)."""
    units = scene.site.units
    charge = _charge_on(scene, k)
    tall = heights_m(scene.site)
    held_back = {c.name: _may_go(c, scene.rules, tall[c.name], units) for c in scene.site.cylinders}
    movable = [c for c in scene.site.cylinders if held_back[c.name] is None and c.name in scene.known]
    reasons = [text for text in held_back.values() if text is not None]
    reasons += [f"{c.name}: never read, so not planned with" for c in scene.site.cylinders if c.name not in scene.known]
    if not movable:
        return (), tuple(reasons), ("limits: no cylinder may be lifted or loaded",)
    worth = [c for c in movable if charge[c.name] < RIDES_SHARE * c.full_kg] or sorted(
        (c for c in movable if charge[c.name] < WORTH_SHARE * c.full_kg), key=lambda c: charge[c.name] / c.full_kg
    )[:1]
    if not worth:
        return (), tuple(reasons), ("a refill: what could be taken is full, or nearly",)
    worth = sorted(worth, key=lambda c: charge[c.name] / c.full_kg)[:MOST_CONSIDERED]
    meanwhile = scene.use.mean_kg_d(np.array([when.weekday()]))[0] * max(scene.rules.trip_s / 86_400.0, 0.25)
    air = _coldest_on_trip(scene, when)
    if air is None:
        air = scene.day_air_k[k] if np.isfinite(scene.day_air_k[k]) else scene.cold_k
    best: tuple[float, tuple[Cylinder, ...]] | None = None
    for count in range(1, min(scene.rules.at_once, len(worth)) + 1):
        for group in itertools.combinations(worth, count):
            away = frozenset(c.name for c in group)
            if not scene.rules.all_away and not _stays_covered(scene.site, charge, away, float(air), meanwhile):
                continue
            adds = sum(c.full_kg - charge[c.name] for c in group)
            if best is None or adds > best[0]:
                best = (adds, group)
    if best is not None:
        names = " and ".join(c.name for c in best[1])
        stay = ", ".join(c.name for c in scene.site.cylinders if c not in best[1] and c.valve_open)
        goes_in = f"take {names}: {show(best[0], 'mass', units)} goes in"
        carry = "carry" if "," in stay else "carries"
        meals = f"{stay} {carry} the meals meanwhile" if stay else "nothing stays: go between meals, burners off"
        reasons.append(f"{goes_in}; {meals}")
        return best[1], tuple(reasons), ()
    group = tuple(sorted(worth, key=lambda c: charge[c.name] - c.full_kg)[: scene.rules.at_once])
    adds = sum(c.full_kg - charge[c.name] for c in group)
    reasons.append(f"take {' and '.join(c.name for c in group)}: {show(adds, 'mass', units)} goes in")
    return group, tuple(reasons), ("meals meanwhile: what stays behind does not carry everything; go between meals",)


def _last_index(scene: _Scene, latest: datetime) -> int:
    zone = ZoneInfo(scene.site.timezone)
    return (latest.astimezone(zone).date() - scene.at.astimezone(zone).date()).days


def _overdue(site: Site, taken: Sequence[Cylinder], when: datetime) -> list[str]:
    """The cylinders whose date for requalification is past by then: they may not be filled."""
    own = site.settings.get("record.requalify_every")
    dates = [(c.name, requalify_date(c.marks, own)) for c in taken]
    return [
        f"the date of {name}: it may not be filled from {by:%b %Y} on; have it requalified, or exchange it"
        for name, by in dates
        if by is not None and by <= when
    ]


def _made(
    scene: _Scene,
    trip: tuple[int, datetime],
    latest: datetime,
    taken: tuple[Cylinder, ...],
    said: tuple[tuple[str, ...], tuple[str, ...]],
    needed: float | None,
    told: tuple[tuple[date, float], ...],
) -> Plan:
    """Put the plan together, with the charge there will be after the return against the one needed."""
    k, when = trip
    reasons, gives = said
    charge = _charge_on(scene, k)
    takes = tuple(
        Take(c.name, c.tare_kg + charge[c.name], c.tare_kg + c.full_kg, c.full_kg - charge[c.name]) for c in taken
    )
    opened = [c for c in scene.site.cylinders if c.valve_open]
    names = {c.name for c in taken}
    after = sum(c.full_kg if c.name in names else charge[c.name] for c in opened) / sum(c.full_kg for c in opened)
    risk = _risk_before(scene, k)
    following = next(
        (odds for day, odds in told if day > latest.astimezone(ZoneInfo(scene.site.timezone)).date()), None
    )
    why = [f"odds before then of running low, or of an uncovered meal that a refill would cover: {100 * risk:.0f} %"]
    if following is not None:
        why.append(f"on the next possible day they would be {100 * following:.0f} %")
    if k < _last_index(scene, latest):
        why.append("on a later day what stays behind would no longer carry the meals")
    gives = (*gives, *_overdue(scene.site, taken, when))
    if needed is None:
        gives = (*gives, NO_CHARGE)
    elif after < needed:
        gives = (
            *gives,
            f"the coldest night needs {100 * needed:.0f} % in every cylinder, there will be {100 * after:.0f} %",
        )
    return Plan(
        made=scene.at,
        when=when,
        take=takes,
        latest=latest.astimezone(ZoneInfo(scene.site.timezone)).date(),
        risk_before=risk,
        stays_covered=not any(g.startswith("meals") for g in gives),
        needed_share=needed,
        share_after=after,
        reasons=(*why, *reasons),
        gives_way=gives,
        days=told,
    )
