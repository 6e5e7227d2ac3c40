"""The coming nights from a stored outlook: cut by the same function as the command line's, put into words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from monitor.model.outlook import Band, HourOutlook, NightOdds
from monitor.model.site import Site
from monitor.model.units_out import duration, number, show
from monitor.outlook.blocks import HOUR, Block, blocks
from monitor.web import words
from monitor.web.answer import DOUBT, ZERO_C_K


@dataclass(frozen=True, slots=True)
class Night:
    """One coming night, or a day that is short: its coldest hour and what it leaves."""

    name: str
    coldest: str
    when: str
    headroom: str
    hold: str
    odds: str
    short: bool | None  # None: it cannot be judged
    idle: bool = False  # the household burns nothing in it
    doubtful: bool = False  # covered, but the odds of a shortfall are not slight

    @property
    def state(self) -> str:
        """How the night stands, in a word."""
        covered = "may be short" if self.doubtful else "covered"
        return {True: "short", False: "nothing burns" if self.idle else covered, None: "not known"}[self.short]


def _kelvin(celsius: float | None) -> float | None:
    return None if celsius is None else celsius + ZERO_C_K


def _band_k(celsius: Mapping[str, float] | None) -> Band | None:
    return None if celsius is None else Band(**{p: celsius[p] + ZERO_C_K for p in ("p10", "p50", "p90")})


def hour_of(entry: Mapping[str, Any]) -> HourOutlook:
    """Return one hour of the outlook's JSON form as it was before."""
    same = ("sustained_w", "headroom_w", "hold_s", "hold_ends", "level_needed", "film_w_m2k", "may_burn", "uncovered",
            "probability_uncovered", "charge_kg")  # fmt: skip
    return HourOutlook(
        time=datetime.fromisoformat(entry["time"]),
        air_k=_kelvin(entry["air_c"]),
        liquid_k=_kelvin(entry["liquid_c"]),
        air_band_k=_band_k(entry.get("air_band_c")),
        needed_hold_s=entry.get("needed_hold_s"),
        **{name: entry[name] for name in same},
    )


def _odds_of(entry: Mapping[str, Any]) -> NightOdds:
    start, end = (datetime.fromisoformat(entry[k]) for k in ("from", "to"))
    return NightOdds(start, end, entry["probability_uncovered"], _band_k(entry["coldest_c"]), None, None)


def ahead(payload: Mapping[str, Any], site: Site, now: datetime | None = None) -> list[tuple[Block, NightOdds | None]]:
    """Return the blocks of a stored outlook that are not over at `now`, nights with their own odds."""
    hours = [hour_of(h) for h in payload["hours"]]
    joint = [_odds_of(n) for n in payload.get("nights", ())]
    if now is not None:
        hours = [h for h in hours if h.time + HOUR > now]
    found = blocks(hours, site.timezone, payload["basis"], joint)
    by_end = {n.end: n for n in joint}
    ends: dict[int, NightOdds] = {}
    at = 0
    for k, block in enumerate(found):
        at += block.hours
        if block.part == "night" and hours[at - 1].time + HOUR in by_end:
            ends[k] = by_end[hours[at - 1].time + HOUR]
    return [(block, ends.get(k)) for k, block in enumerate(found)]


def nights(payload: Mapping[str, Any], site: Site, now: datetime | None = None) -> list[Night]:
    """Return each coming night (18-10 local), and each day between them that is short."""
    return [
        _night(block, odds, site)
        for block, odds in ahead(payload, site, now)
        if block.part == "night" or block.state == "uncovered"
    ]


def _night(block: Block, odds: NightOdds | None, site: Site) -> Night:
    day, units = block.day, site.units
    name = f"{day:%a} {day.day}" + (f" to {day + timedelta(days=1):%a}" if block.part == "night" else ", by day")
    cold = "–" if block.coldest_k is None else show(block.coldest_k, "temperature", units)
    band = odds.coldest_k if odds is not None else None
    if band is not None:
        cold += " ({:.0f} to {:.0f})".format(*(number(t, "temperature", units) for t in (band.p10, band.p90)))
    return Night(
        name=name,
        coldest=words.whole(cold),
        when="–" if block.coldest_at is None else words.clock(block.coldest_at, ZoneInfo(site.timezone)),
        headroom=words.whole(show(block.least_headroom_w, "power", units)),
        hold=duration(block.least_hold_s) if block.least_hold_s is not None else "–",
        odds="–" if block.probability is None else words.percent(block.probability),
        short={"uncovered": True, "unknown": None}.get(block.state, False),
        idle=block.state == "idle",
        doubtful=(block.probability or 0.0) >= DOUBT,
    )
