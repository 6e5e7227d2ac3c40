"""Arrangements in the real winters: questions, and the plain reading of a winter that the quick one is held against."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor import physics
from monitor.model.site import Basis
from monitor.outlook.arrange import Candidate, Container, Past, Question, named
from monitor.outlook.arrange_winters import Winters, gather, share_left
from monitor.outlook.hours import dewpoint_k
from tests.physics.sites import INCH, LB, SIZES, site
from tests.reference import oracle_winters
from tests.weather.truth import Truth, illinois, new_york

Series = NDArray[np.float64]
NEAR = 0.1  # of the stated burn: closer to it than this the oracle is asked


def container(size: str) -> Container:
    """One of the sizes made by hand for the physics tests."""
    water, across, tare = SIZES[size]
    return Container(f"{size} lb", water * LB, tare * LB, across * INCH, full_kg=0.42 * water * LB)


def past(truth: Truth) -> Past:
    """A measured series as past winters."""
    dew = None if truth.humidity is None else dewpoint_k(truth.air_k, truth.humidity)
    return Past(truth.start, truth.air_k, truth.wind_m_s, None, dew, truth.name)


def question(truths: tuple[Truth, ...], basis: Basis = "weather", **changes: Any) -> Question:
    """A range of 65,000 Btu/h, 0.6 kg a day, in the measured winters."""
    place = replace(site(), timezone=truths[0].timezone, latitude=truths[0].latitude)
    place = replace(place, supply=replace(place.supply, basis=basis))
    base: dict[str, Any] = {"site": place, "use_kg_d": 0.6, "winters": tuple(past(t) for t in truths)}
    return Question(**(base | changes))


@cache
def places() -> dict[str, tuple[Truth, ...]]:
    """The two places with real winters; New York as its three airports."""
    return {"Illinois": (illinois(),), "New York": tuple(new_york(a) for a in ("EWR", "JFK", "LGA"))}


@dataclass(frozen=True)
class Plain:
    """One arrangement with one start, hour by hour from the engine as the outlook asks it: (winters, hours)."""

    winters: Winters
    share: Series
    hold_s: Series

    def judged(self) -> NDArray[np.bool_]:
        """Hours in which the household may burn and a hold is known."""
        return (self.winters.stated_s > 0.0) & (self.winters.night >= 0) & np.isfinite(self.hold_s)

    def nights(self, short: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Nights (nights,) with one of the hours in `short`."""
        found = np.zeros(self.winters.nights, dtype=bool)
        found[self.winters.night[short & self.judged()]] = True
        return found


def plain(asked: Question, candidate: Candidate, limit_s: float = 7200.0) -> Plain:
    """Every cylinder by itself, the level's own course in the rest, a hold from every hour: slow and straight."""
    winters = gather(asked.winters, asked.site)
    assert winters is not None
    plant = physics.Plant.of(named(asked, candidate))
    share = share_left(asked, candidate, winters.known.shape[1])[0]
    feeding = share[:, None] * np.where(plant.reserve, 0.0, plant.full_kg)
    charge = feeding + np.where(plant.reserve, plant.full_kg, 0.0)
    rest = physics.rest_k(plant, charge, winters.air, basis=asked.basis)
    gaps = replace(winters.air, air_k=np.where(winters.known, winters.air.air_k, np.nan))
    hold = physics.hold(plant, charge, gaps, rest, asked.site.demand_w, asked.basis, limit_s)
    return Plain(winters, share, hold.hold_s)


BLOCK_H, LEAD_H = 24, 96  # rest is read a day at a time, from four days before it


class Oracle:
    """The second reading of the same winters for one candidate with one start."""

    def __init__(self, asked: Question, candidate: Candidate, found: Plain) -> None:
        c = candidate.container
        self.one = {"wc": c.water_capacity_kg, "od": c.outside_diameter_m, "tare": c.tare_kg}
        self.demand = asked.site.demand_w
        changes = candidate.feed == "changeover"
        self.counts = (candidate.count // 2, candidate.count // 2) if changes else (candidate.count, 0)
        self.found, self.winters = found, found.winters
        self.yards: dict[int, oracle_winters.Yard] = {}
        self.rests: dict[tuple[int, int, bool], Series] = {}

    def yard(self, row: int) -> oracle_winters.Yard:
        """The weather of one winter."""
        if row not in self.yards:
            air = self.winters.air
            kelvin, dew = np.asarray(air.air_k)[row], np.asarray(air.dewpoint_k)[row]
            dew = np.where(np.isfinite(dew), np.minimum(dew, kelvin), kelvin - 4.0)
            wind, sky = np.asarray(air.wind_m_s)[row], np.asarray(air.sky)[row]
            self.yards[row] = oracle_winters.Yard(kelvin.tolist(), wind.tolist(), sky.tolist(), dew.tolist())
        return self.yards[row]

    def rest_k(self, row: int, hour: int, full: bool) -> float:
        """Liquid at rest at the start of an hour, at the level's course or full."""
        day = hour // BLOCK_H
        key = (row, day, full)
        first = max(0, day * BLOCK_H - LEAD_H)
        if key not in self.rests:
            share = np.ones_like(self.found.share) if full else self.found.share
            last = min((day + 1) * BLOCK_H, share.size)
            self.rests[key] = oracle_winters.rest(self.yard(row), self.one, share, first, last)
        return float(self.rests[key][hour - first])

    def hold_s(self, row: int, hour: int) -> float:
        """Hold (s) from rest at one hour."""
        state = [(float(self.found.share[hour]), self.rest_k(row, hour, False))]
        state.append((1.0, self.rest_k(row, hour, True)) if self.counts[1] else (0.0, 273.15))
        stated = float(self.winters.stated_s[row, hour])
        return oracle_winters.hold_s(self.yard(row), self.one, self.counts, state, self.demand, hour, stated)

    def short(self, hours: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Which of `hours` (winters, hours) are short; False elsewhere."""
        out = np.zeros(hours.shape, dtype=bool)
        for row, hour in np.argwhere(hours):
            out[row, hour] = self.hold_s(int(row), int(hour)) < self.winters.stated_s[row, hour]
        return out


def nights_by_oracle(asked: Question, candidate: Candidate, *, whole: bool, sample: int = 0) -> tuple[int, int, int]:
    """Short nights by the oracle, hours it was asked, and hours of the sample in which it saw otherwise than we.

    `whole`: every hour in which the household may burn. Else the hours within a tenth of the stated burn, in nights
    which no clear hour decides, and `sample` clear hours by chance, to see that clear is clear.
    """
    found = plain(asked, candidate)
    oracle, stated, judged = Oracle(asked, candidate, found), found.winters.stated_s, found.judged()
    ours = judged & (found.hold_s < stated)
    if whole:
        short = oracle.short(judged)
        return int(found.nights(short).sum()), int(judged.sum()), int((short != ours).sum())
    near = judged & (np.abs(found.hold_s - stated) < NEAR * stated)
    decided = found.nights(ours & ~near)
    asking = near & ~decided[np.maximum(found.winters.night, 0)]
    short = oracle.short(asking)
    rng = np.random.default_rng(20_171_231)
    air = np.asarray(found.winters.air.air_k, dtype=np.float64)
    clear = judged & ~near & (air < np.quantile(air, 0.2))
    places_ = np.argwhere(clear)
    picked = places_[rng.choice(len(places_), size=min(sample, len(places_)), replace=False)]
    chance = np.zeros_like(clear)
    chance[picked[:, 0], picked[:, 1]] = True
    odd = int((oracle.short(chance) != (ours & chance)).sum())
    return int((found.nights(short) | decided).sum()), int(asking.sum()), odd
