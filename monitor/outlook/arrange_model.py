"""What choosing an arrangement asks and answers: plain data, SI units, UTC."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.model.site import Basis, Cylinder, Site

Series = NDArray[np.float64]
FILLING_DENSITY = 0.42  # share of the water capacity by mass, as monitor.site.catalogue has it
Feed = Literal["together", "changeover"]
Mind = Literal["short-nights", "carrying", "trips", "cost"]
MINDS: tuple[Mind, ...] = ("short-nights", "carrying", "trips", "cost")
SHARES = (1.0, 0.5, 0.2)  # of full: what each arrangement is shown at
STARTS = (0.0, 0.25, 0.5, 0.75)  # how far into a filling the winter begins: every winter is played with each
WINTER_DAYS = 212  # October to April, or April to October south of the equator (214 there)
YEAR_DAYS = 365.25


class Finding(Protocol):
    """What a check of the supply train says: what is so, by which source, what follows, what to ask a fitter.

    `state` is "good", "look" (worth a fitter's look) or "unknown" (a fact is missing).
    """

    @property
    def state(self) -> str: ...

    @property
    def fact(self) -> str: ...

    @property
    def source(self) -> str: ...

    @property
    def consequence(self) -> str: ...

    @property
    def ask(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Container:
    """A kind of cylinder or tank that could be bought. `height_m` is its height as it stands; None = not known.

    `in_place` marks what a supplier fills where it stands. `unsure` names the values that come from memory or a rule.
    `length_m` is the room it takes along a wall, the outside diameter of one that stands.
    """

    name: str
    water_capacity_kg: float
    tare_kg: float
    outside_diameter_m: float
    height_m: float | None = None
    length_m: float | None = None
    shape: Literal["vertical", "horizontal"] = "vertical"
    in_place: bool = False
    unsure: tuple[str, ...] = ()
    full_kg: float = 0.0  # 0 = the filling density's

    @property
    def fill_kg(self) -> float:
        """Propane it may hold (kg)."""
        return self.full_kg or FILLING_DENSITY * self.water_capacity_kg

    @property
    def weight_full_kg(self) -> float:
        """Weight with a full charge (kg)."""
        return self.tare_kg + self.fill_kg

    def cylinder(self, name: str, side: Literal["service", "reserve"] = "service") -> Cylinder:
        """It as a cylinder of a site."""
        return Cylinder(
            name=name, water_capacity_kg=self.water_capacity_kg, tare_kg=self.tare_kg,
            outside_diameter_m=self.outside_diameter_m, full_kg=self.fill_kg, shape=self.shape, side=side,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Candidate:
    """So many of one kind, feeding together or over a changeover with half of them on each side."""

    container: Container
    count: int
    feed: Feed = "together"

    @property
    def name(self) -> str:
        """As people say it: "2 x 40 lb changeover"."""
        alone = self.count == 1
        return f"{self.count} × {self.container.name}" + ("" if alone else f" {self.feed}")

    @property
    def sets(self) -> int:
        """How many of the unit (one cylinder, or one on each side) stand side by side."""
        return self.count // 2 if self.feed == "changeover" else self.count

    @property
    def fuel_kg(self) -> float:
        """Propane on site when all is full (kg)."""
        return self.count * self.container.fill_kg


@dataclass(frozen=True, slots=True)
class Limits:
    """What an arrangement must keep to; None = no limit. `fuel_kg` is a local rule's most, as the user typed it."""

    carry_kg: float | None = None
    height_m: float | None = None
    width_m: float | None = None
    most: int | None = None
    fuel_kg: float | None = None
    delivery: bool = True
    scale_kg: float | None = None  # most that the scale under each cylinder weighs


@dataclass(frozen=True, slots=True)
class Prices:
    """In the user's own currency; what is not there is not known, and is not zero."""

    each: Mapping[str, float] = field(default_factory=dict)  # by container name, also "together" and "changeover"
    yearly: Mapping[str, float] = field(default_factory=dict)  # rent and the like, by container name
    gas_kg: float | None = None
    delivered_kg: float | None = None
    trip: float | None = None


@dataclass(frozen=True, eq=False)
class Past:
    """Hourly weather that was, from `start` (UTC, whole hour); (hours,) each; what was not measured is None."""

    start: datetime
    air_k: Series
    wind_m_s: Series | None = None
    sky: Series | None = None
    dewpoint_k: Series | None = None
    name: str = ""


@dataclass(frozen=True, eq=False)
class Question:
    """What is asked. `site` gives the place, the appliances and the supply's pressures; its cylinders do not count."""

    site: Site
    use_kg_d: float
    summer_kg_d: float | None = None
    coldest_k: float | None = None  # design low
    winters: tuple[Past, ...] = ()
    refill_share: float = 0.2  # together: all are filled when they are down to this share of full
    limits: Limits = Limits()
    prices: Prices = Prices()
    mind: Mind = "short-nights"
    starts: tuple[float, ...] = STARTS

    @property
    def basis(self) -> Basis:
        """The basis that decides."""
        return self.site.supply.basis

    @property
    def stated_s(self) -> float | None:
        """The longest burn of the appliances that burn by turns (s), None where there is none."""
        return max((a.hold_s for a in self.site.appliances if not a.continuous), default=None)

    @property
    def year_kg(self) -> float:
        """Propane used in a year (kg)."""
        summer = self.use_kg_d if self.summer_kg_d is None else self.summer_kg_d
        return self.use_kg_d * WINTER_DAYS + summer * (YEAR_DAYS - WINTER_DAYS)


@dataclass(frozen=True, slots=True)
class Short:
    """Short nights of one arrangement: nights in which, in an hour when the household may burn, demand is not held.

    Means over the starts; `worst` is the worst winter seen (its nights, mean over the starts), `best_start` and
    `worst_start` the spread between starts. `winters` counts winters of 212 nights' worth of data.
    """

    per_winter: float
    worst: float
    least_start: float
    most_start: float
    by_winter: Mapping[str, float]
    nights: int
    winters: float


@dataclass(frozen=True, slots=True)
class Arrangement:
    """All about one candidate. Tuples follow SHARES; NaN = not known or never. K, s, W, kg; money in the user's own.

    `carried_k`: coldest air in which everything burns without end. `held_k`: the same for the stated burn, from rest.
    `hold_s`: at the design low. `needed` / `needed_hold`: share of full for the design low, without end by basis and
    for the stated burn on the deciding basis. With a changeover both sides have the same share in these.
    """

    candidate: Candidate
    carried_k: Mapping[Basis, tuple[float, ...]]
    held_k: Mapping[Basis, tuple[float, ...]]
    hold_s: Mapping[Basis, tuple[float, ...]]
    needed: Mapping[Basis, float]
    needed_hold: float
    added_continuous_w: float
    added_hold_w: float
    short: Short | None
    trips_year: float
    lifts_year: float
    days_between: float
    first_cost: float | None
    yearly_cost: float | None
    unpriced: tuple[str, ...]
    reasons: tuple[str, ...] = ()  # why it fell out; empty = it is in
    within_limits: bool = True  # nothing but the cold speaks against it
    findings: tuple[Finding, ...] | None = None  # None = its supply train was not checked

    @property
    def name(self) -> str:
        """The candidate's name."""
        return self.candidate.name

    def but(self, **changes: Any) -> Arrangement:
        """The same with changes."""
        return replace(self, **changes)


@dataclass(frozen=True, slots=True)
class Result:
    """`chosen`: what is left, what the user minds most first; `out`: what fell out. `complete` False = broken off.

    `nearest`: the design low is too cold for every one; `chosen` then holds those within the limits, with reasons.
    """

    question: Question
    chosen: tuple[Arrangement, ...]
    out: tuple[Arrangement, ...]
    coldest_k: float | None
    complete: bool = True
    notes: tuple[str, ...] = ()
    nearest: bool = False


def named(question: Question, candidate: Candidate) -> Site:
    """The site with this arrangement's cylinders, A, B, …; with a changeover the first half is in service."""
    half = candidate.count // 2
    changeover = candidate.feed == "changeover"
    cylinders = tuple(
        candidate.container.cylinder(letter(i), "reserve" if changeover and i >= half else "service")
        for i in range(candidate.count)
    )
    supply = replace(question.site.supply, feed=candidate.feed)
    return replace(question.site, cylinders=cylinders, supply=supply, sensors=())


def letter(place: int) -> str:
    """Name of the cylinder at a place: A to Z, then A2, …"""
    return chr(ord("A") + place % 26) + (str(place // 26 + 1) if place >= 26 else "")


def unit_site(question: Question, container: Container, feed: Feed) -> Site:
    """The smallest site of the kind: n alike cylinders on one manifold are one of them with 1/n of the demand."""
    return named(question, Candidate(container, 2 if feed == "changeover" else 1, feed))
