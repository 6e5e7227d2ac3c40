"""The hours ahead by night and day: what a person looks at first.

A night is 18-10 local: the morning belongs to the night that cooled the cylinders.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from monitor.model.outlook import HourOutlook, NightOdds
from monitor.model.site import Basis
from monitor.outlook.bands import NIGHT_FROM, NIGHT_TO
from monitor.outlook.stretch import runs

HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Block:
    """One night or day. `day` is the local date on which it begins. None = not known (a gap, no level).

    `least_headroom_w`, `least_hold_s`, `level_needed` (share of full; None with `beyond_any_level` = at no level) are
    those of the hours in which the household may burn, of all hours where it may not. `least_hold_s` leaves out hours
    with no stated burn, in which a continuous appliance alone may burn: None where that is all. `uncovered` are local
    spans.
    `probability` of a night is that of any of its hours where the outlook's own nights are given, else that of its
    worst hour.
    """

    part: Literal["night", "day"]
    day: date
    hours: int
    missing: int
    coldest_k: float | None
    coldest_at: datetime | None
    least_headroom_w: float | None
    least_hold_s: float | None
    level_needed: float | None
    beyond_any_level: bool
    uncovered: tuple[tuple[datetime, datetime], ...]
    probability: float | None
    state: Literal["covered", "uncovered", "unknown", "idle"]


def _key(time: datetime, zone: ZoneInfo) -> tuple[date, Literal["night", "day"]]:
    local = time.astimezone(zone)
    if NIGHT_TO <= local.hour < NIGHT_FROM:
        return local.date(), "day"
    return (local.date() if local.hour >= NIGHT_FROM else local.date() - timedelta(days=1)), "night"


def blocks(
    hours: Sequence[HourOutlook], timezone: str, basis: Basis, nights: Sequence[NightOdds] = ()
) -> tuple[Block, ...]:
    """Cut the hours of an outlook into nights and days of the household's own clock; `nights` has their joint odds."""
    zone = ZoneInfo(timezone)
    groups: dict[tuple[date, Literal["night", "day"]], list[HourOutlook]] = {}
    for hour in hours:
        groups.setdefault(_key(hour.time, zone), []).append(hour)
    joint = {_key(n.start, zone): n.probability for n in nights}
    return tuple(_block(key, part, zone, basis, joint.get(key)) for key, part in groups.items())


def _least(values: Sequence[float | None]) -> float | None:
    return min((v for v in values if v is not None), default=None)


def _block(
    key: tuple[date, Literal["night", "day"]],
    part: list[HourOutlook],
    zone: ZoneInfo,
    basis: Basis,
    joint: float | None,
) -> Block:
    burning = [h for h in part if h.may_burn] or part
    known = [h for h in part if h.air_k is not None]
    coldest = min(known, key=lambda h: h.air_k or 0.0, default=None)
    spans = tuple(
        (part[a].time.astimezone(zone), (part[b - 1].time + HOUR).astimezone(zone))
        for a, b in runs([h.uncovered is True for h in part])
    )
    needed = [h.level_needed.get(basis) for h in burning if h.air_k is not None]
    odds = [h.probability_uncovered for h in part if h.probability_uncovered is not None]
    state: Literal["covered", "uncovered", "unknown", "idle"] = "covered"
    if spans:
        state = "uncovered"
    elif not any(h.may_burn for h in part):
        state = "idle"
    elif any(h.uncovered is None for h in burning):
        state = "unknown"
    return Block(
        part=key[1],
        day=key[0],
        hours=len(part),
        missing=len(part) - len(known),
        coldest_k=coldest.air_k if coldest else None,
        coldest_at=coldest.time.astimezone(zone) if coldest else None,
        least_headroom_w=_least([h.headroom_w for h in burning]),
        least_hold_s=_least([h.hold_s for h in burning if state == "idle" or h.needed_hold_s != 0.0]),
        level_needed=None if None in needed else max((n for n in needed if n is not None), default=None),
        beyond_any_level=bool(needed) and None in needed,
        uncovered=spans,
        probability=max(odds, default=None) if joint is None else joint,
        state=state,
    )
