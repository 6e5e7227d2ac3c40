"""What the gas costs: by month and year, a kilogram, a gallon and a kilowatt-hour, from the record. Pure.

A price that was not written down is missing, never nothing: sums say how many of their entries have none.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any, TypeVar
from zoneinfo import ZoneInfo

import numpy as np

from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from monitor.model.units_out import LIQUID_GALLON_KG
from monitor.outlook import record

if TYPE_CHECKING:
    from monitor.model.entry import Entry
    from monitor.outlook.use import DayLog

HEATING_VALUE_J_KG = 21_548 * 2_326.0  # NFPA 58 table of properties, commercial propane, gross
KWH_J = 3.6e6
KWH_KG = HEATING_VALUE_J_KG / KWH_J
TAKEN = ("fill", "exchange", "delivery")
THINGS = ("purchase", "regulator", "hose")
YEAR_D = 365.25
T = TypeVar("T")


@dataclass(frozen=True)
class Rates:
    """What the household states: money a trip, a kilogram, a metre driven; None = not stated.

    `efficiency` is the share of the gas's heat that reaches the pot (0 to 1); `yearly` what cylinders cost besides.
    """

    trip: float | None = None
    fuel_kg: float | None = None
    distance_m: float | None = None
    vehicle_m: float | None = None
    efficiency: float = 0.40
    yearly: float = 0.0
    currency: str = ""

    @classmethod
    def of(cls, settings: Mapping[str, Any]) -> Rates:
        """Return the rates that a site's settings hold."""
        share, yearly = settings.get("cost.burner_efficiency"), settings.get("cost.yearly")
        return cls(
            trip=settings.get("cost.trip"),
            fuel_kg=settings.get("cost.fuel"),
            distance_m=settings.get("cost.distance"),
            vehicle_m=settings.get("cost.vehicle"),
            efficiency=cls.efficiency if share is None else float(share),
            yearly=cls.yearly if yearly is None else float(yearly),
            currency=settings.get("cost.currency") or "",
        )

    def of_trip(self, paid: float | None, driven_m: float | None) -> float | None:
        """Return what one trip cost: as entered, else by its distance, else as stated for every trip."""
        if paid is not None:
            return paid
        if driven_m is not None and self.vehicle_m is not None:
            return driven_m * self.vehicle_m
        if self.trip is not None:
            return self.trip
        if self.distance_m is None or self.vehicle_m is None:
            return None
        return self.distance_m * self.vehicle_m


@dataclass(frozen=True)
class Taken:
    """Gas taken in by one entry: `mass_kg` and `price` None where the entry does not say."""

    day: date
    kind: str
    subject: str
    mass_kg: float | None
    price: float | None
    before_kg: float | None = None  # gross weights
    after_kg: float | None = None


@dataclass(frozen=True)
class Trip:
    """One trip: a day on which gas was fetched or a trip was written down. `cost` None = not known."""

    day: date
    cost: float | None
    mass_kg: float | None


@dataclass(frozen=True)
class Sum:
    """Money of which some may be missing: `known` of `count` entries have an amount; `amount` adds those up.

    Nothing bought is nothing paid: `amount` is 0.0 where `count` is 0, and None where no entry has one.
    """

    amount: float | None
    known: int
    count: int

    @classmethod
    def of(cls, amounts: Iterable[float | None]) -> Sum:
        """Add up what is there, and count what is not."""
        every = list(amounts)
        there = [a for a in every if a is not None]
        return cls(math.fsum(there) if there or not every else None, len(there), len(every))

    @property
    def whole(self) -> bool:
        """Whether nothing is missing."""
        return self.known == self.count

    def said(self, what: str, lacks: str = "price") -> str:
        """Return "3 of 7 fills have no price", "" where nothing is missing."""
        missing = self.count - self.known
        return "" if not missing else f"{missing} of {self.count} {what} {'has' if missing == 1 else 'have'} no {lacks}"


@dataclass(frozen=True)
class Span:
    """A day ("2026-01-05"), a month ("2026-01") or a year ("2026").

    `used_kg` None = not known; it counts `used_days` of `days`.
    """

    label: str
    days: int
    used_kg: float | None
    used_days: int
    taken_kg: float | None
    fills: int
    fills_unweighed: int
    fuel: Sum
    trips: Sum
    things: Sum

    @property
    def total(self) -> float | None:
        """What is known to have been paid; None where nothing is."""
        known = [s.amount for s in (self.fuel, self.trips, self.things) if s.amount is not None and s.count]
        if known:
            return math.fsum(known)
        return None if any(s.count for s in (self.fuel, self.trips, self.things)) else 0.0

    @property
    def missing(self) -> tuple[str, ...]:
        """What the total lacks, in words."""
        said = (self.fuel.said("fills"), self.trips.said("trips", "cost"), self.things.said("purchases"))
        return tuple(s for s in said if s)


@dataclass(frozen=True)
class Price:
    """What a unit of gas costs, without and with the trips for it; None = not known. `basis` says from what."""

    kg: float | None
    basis: str
    trip_kg: float | None = None
    efficiency: float = 0.40

    def with_trips(self) -> float | None:
        """Return the price a kilogram with the trips that fetch it."""
        return None if self.kg is None or self.trip_kg is None else self.kg + self.trip_kg


def per_gallon(kg: float) -> float:
    """Return the price a US gallon of liquid at 60 degF from that a kilogram: 4.24 lb, NFPA 58 table of properties."""
    return kg * LIQUID_GALLON_KG


def per_kwh_gas(kg: float) -> float:
    """Return the price of 1 kWh of heat in the gas (gross heating value) from that a kilogram."""
    return kg / KWH_KG


def per_kwh_used(kg: float, efficiency: float) -> float:
    """Return the price of 1 kWh into the pot from that a kilogram; `efficiency` of the burner 0 to 1, not 0."""
    if not 0.0 < efficiency <= 1.0:
        raise ValueError("efficiency: a share above 0, at most 1")
    return kg / KWH_KG / efficiency


def taken(entries: Sequence[Entry], zone: ZoneInfo) -> tuple[Taken, ...]:
    """Return the gas taken in, oldest first.

    A fill counts what was paid for, else what the scale showed; an exchange what the scale showed over its tare. A
    cylinder that was not weighed may be part full: its mass is not known.
    """
    found = []
    for entry in sorted(entries, key=lambda e: (e.time, e.id or 0)):
        if entry.kind not in TAKEN:
            continue
        said = entry.payload
        before, after = _number(said, "before_gross_kg"), _number(said, "after_gross_kg")
        if entry.kind == "fill":
            mass = _number(said, "paid_kg")
            if mass is None and before is not None and after is not None:
                mass = after - before
        elif entry.kind == "exchange":
            gross, tare = _number(said, "gross_kg"), _number(said, "tare_kg")
            mass = None if gross is None or tare is None else gross - tare
            before, after = None, gross
        else:
            mass = _number(said, "mass_kg")
        mass = mass if mass is not None and mass > 0.0 else None
        day = entry.time.astimezone(zone).date()
        found.append(Taken(day, entry.kind, entry.subject, mass, _number(said, "price"), before, after))
    return tuple(found)


def trips(entries: Sequence[Entry], zone: ZoneInfo, rates: Rates) -> tuple[Trip, ...]:
    """Return the trips, oldest first: one for each local day with a fill or an exchange, or as many as are entered."""
    fetched: dict[date, list[Taken]] = {}
    for one in taken(entries, zone):
        if one.kind != "delivery":
            fetched.setdefault(one.day, []).append(one)
    entered: dict[date, list[Entry]] = {}
    for entry in entries:
        if entry.kind == "trip":
            entered.setdefault(entry.time.astimezone(zone).date(), []).append(entry)
    found = []
    for day in sorted({*fetched, *entered}):
        masses = [one.mass_kg for one in fetched.get(day, [])]
        mass = math.fsum(m for m in masses if m is not None) if masses and None not in masses else None
        if day not in entered:
            found.append(Trip(day, rates.of_trip(None, None), mass))
        for place, entry in enumerate(entered.get(day, [])):
            paid = rates.of_trip(_number(entry.payload, "cost"), _number(entry.payload, "distance_m"))
            found.append(Trip(day, paid, mass if place == 0 else 0.0))
    return tuple(found)


def price(entries: Sequence[Entry], zone: ZoneInfo, rates: Rates) -> Price:
    """Return what a unit of gas costs: from entries with both a price and a mass, else as the household states it."""
    every = taken(entries, zone)
    both = [(t.price, t.mass_kg) for t in every if t.price is not None and t.mass_kg is not None]
    if both:
        kg = math.fsum(p for p, _ in both) / math.fsum(m for _, m in both)
        basis = f"{len(both)} of {len(every)} fills {'has' if len(both) == 1 else 'have'} a price and a mass"
    elif rates.fuel_kg is not None:
        kg, basis = rates.fuel_kg, "as stated in the site file; no fill has both a price and a mass"
    else:
        lacks = f"none of {len(every)} fills has both a price and a mass" if every else "no fill is in the record"
        return Price(None, lacks, None, rates.efficiency)
    made = [(t.cost, t.mass_kg) for t in trips(entries, zone, rates) if t.cost is not None and t.mass_kg is not None]
    mass = math.fsum(m for _, m in made)
    return Price(kg, basis, math.fsum(c for c, _ in made) / mass if mass > 0.0 else None, rates.efficiency)


def used_by_day(log: DayLog) -> dict[date, float]:
    """Return the fuel burnt by local day (kg) where the levels tell it."""
    first = log.first.date()
    return {first + timedelta(days=k): float(kg) for k, kg in enumerate(log.used_kg) if np.isfinite(kg)}


def as_if_one_tare(
    site: Site, entries: Sequence[Entry], readings: Sequence[Reading], at: datetime
) -> tuple[Site, list[Reading]]:
    """Return the site by its record at `at`, and weights as they would be had each cylinder always had its tare.

    After an exchange another tare stands on the scale; without this its difference would count as gas burnt. Marks read
    later count from the exchange that brought the cylinder.
    """
    now = record.marked(site, entries, at)
    told = [e for e in entries if e.kind in record.MARKING]
    epochs: dict[str, list[tuple[datetime, float]]] = {}  # until when, by how much lighter the tare is today
    for cylinder in now.cylinders:
        ends = sorted(e.time for e in told if e.kind == "exchange" and e.subject == cylinder.name and e.time <= at)
        before = [record.marked(site, told, end - timedelta(microseconds=1)).cylinder(cylinder.name) for end in ends]
        epochs[cylinder.name] = [(end, old.tare_kg - cylinder.tare_kg) for end, old in zip(ends, before, strict=True)]
    found = []
    for r in readings:
        more = next((kg for end, kg in epochs.get(r.subject, ()) if r.time < end), 0.0)
        weighed = more and r.quantity == Quantity.GROSS_WEIGHT and r.value is not None
        found.append(replace(r, value=r.value - more) if weighed and r.value is not None else r)
    return now, found


def used_from_fills(got: Sequence[Taken]) -> dict[date, float]:
    """Return the fuel burnt by local day (kg) as fills tell it: what a fill put back, spread over the days before it.

    For each cylinder, from one fill to the next. By the scale where both weights are known, else the mass filled, as
    if each fill went to the same mark. The first fill and an exchange tell nothing of the days before them.
    """
    found: dict[date, float] = {}
    before: dict[str, Taken] = {}
    for one in got:
        last = before.get(one.subject)
        before[one.subject] = one
        if last is None or one.kind != "fill":
            continue
        burnt = one.mass_kg
        if one.before_kg is not None and last.after_kg is not None:
            burnt = last.after_kg - one.before_kg
        days = (one.day - last.day).days
        if burnt is None or burnt < 0.0 or days < 1:
            continue
        for k in range(days):
            day = last.day + timedelta(days=k)
            found[day] = found.get(day, 0.0) + burnt / days
    return found


def spans(
    entries: Sequence[Entry], zone: ZoneInfo, rates: Rates, used: Mapping[date, float], by: str = "month"
) -> tuple[Span, ...]:
    """Return a Span for each "day", "month" or "year" in which anything was entered or used, oldest first."""
    width = {"day": 10, "month": 7, "year": 4}[by]

    def label(day: date) -> str:
        return day.isoformat()[:width]

    got, gone = taken(entries, zone), trips(entries, zone, rates)
    things = [
        (e.time.astimezone(zone).date(), _number(e.payload, "price"))
        for e in entries
        if e.kind in THINGS and (e.kind == "purchase" or _number(e.payload, "price") is not None)
    ]
    burnt = _grouped(((day, kg) for day, kg in used.items()), label)
    fills, rides = _grouped(((t.day, t) for t in got), label), _grouped(((t.day, t) for t in gone), label)
    bought = _grouped(things, label)
    return tuple(
        _span(name, burnt.get(name, []), fills.get(name, []), rides.get(name, []), bought.get(name, []))
        for name in sorted({*burnt, *fills, *rides, *bought})
    )


def _grouped(items: Iterable[tuple[date, T]], label: Callable[[date], str]) -> dict[str, list[T]]:
    found: dict[str, list[T]] = {}
    for day, item in items:
        found.setdefault(label(day), []).append(item)
    return found


def _span(
    name: str, burnt: Sequence[float], fills: Sequence[Taken], rides: Sequence[Trip], bought: Sequence[float | None]
) -> Span:
    masses = [t.mass_kg for t in fills if t.mass_kg is not None]
    return Span(
        name,
        _length(name),
        math.fsum(burnt) if burnt else None,
        len(burnt),
        math.fsum(masses) if masses or not fills else None,
        len(fills),
        len(fills) - len(masses),
        Sum.of(t.price for t in fills),
        Sum.of(t.cost for t in rides),
        Sum.of(bought),
    )


def yearly_use(used: Mapping[date, float]) -> tuple[float, int] | None:
    """Return the fuel a year (kg) and the days it rests on: the last 365 with a known use, scaled to a year.

    None where fewer than 14 days are known. With far fewer than a year's days the seasons are not in it.
    """
    last = max(used, default=None)
    if last is None:
        return None
    recent = [kg for day, kg in used.items() if (last - day).days < 365]
    if len(recent) < 14:
        return None
    return math.fsum(recent) / len(recent) * YEAR_D, len(recent)


def _length(label: str) -> int:
    year = int(label[:4])
    if len(label) == 4:
        return (date(year + 1, 1, 1) - date(year, 1, 1)).days
    if len(label) == 10:
        return 1
    month = int(label[5:])
    following = date(year + month // 12, month % 12 + 1, 1)
    return (following - date(year, month, 1)).days


def _number(payload: Mapping[str, Any], key: str) -> float | None:
    value = payload.get(key)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)
