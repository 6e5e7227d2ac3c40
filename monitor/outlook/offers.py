"""The household's cylinders beside the offers it has: a year under each, and from what use which one is cheaper. Pure.

The cylinders are put in the form of an offer, so that both are counted by the same rules: a trip is a delivery that
the household makes itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.model.offer import Fee, Offer
from monitor.model.site import Site
from monitor.outlook.breakeven import Stretch, compare, deliveries, parts, yearly_cost
from monitor.outlook.cost import Price, Rates, Trip

NAME = "cylinders"
LEAST_SPAN_KG = 500.0  # a comparison goes at least this far
TIMES_USE = 4.0  # and this many times the household's use


@dataclass(frozen=True)
class Way:
    """A year one way: its cost (None = not known, and `lacks` says why) and what makes it up."""

    offer: Offer
    cost: float | None
    parts: dict[str, float]
    deliveries: float | None
    lacks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Beside:
    """An offer beside the cylinders: `stretches` of fuel a year, first = cylinders; empty where none can be told."""

    way: Way
    stretches: tuple[Stretch, ...]
    words: tuple[str, ...] = ()


def cylinders(site: Site, price: Price, rates: Rates, trips: Sequence[Trip]) -> tuple[Offer | None, tuple[str, ...]]:
    """Return the cylinders in the form of an offer, and what is not in it for want of a figure.

    None where no price of gas is known. A trip brings what trips brought on average, else what the site's cylinders
    hold above the reserve, as many as ride at once.
    """
    if price.kg is None:
        return None, ("no price of gas is known: enter one with a fill, or state cost.fuel",)
    lacks = []
    costs = [t.cost for t in trips if t.cost is not None]
    cost = math.fsum(costs) / len(costs) if costs else rates.of_trip(None, None)
    fees = [Fee("besides", rates.yearly, "year")] if rates.yearly else []
    if cost is None:
        lacks.append("trips are not in it: state cost.trip, or enter what one cost")
    else:
        fees.append(Fee("trip", cost, "delivery"))
    return Offer(NAME, price.kg, tuple(fees), load_kg=trip_kg(site, trips), owner="household"), tuple(lacks)


def trip_kg(site: Site, trips: Sequence[Trip]) -> float:
    """Return what a trip brings (kg): the mean of the trips whose masses are known, else what may ride at once."""
    known = [t.mass_kg for t in trips if t.mass_kg]
    if known:
        return math.fsum(known) / len(known)
    at_once = site.settings.get("fuel.at_once") or 1
    reserve = site.settings.get("fuel.reserve") or 0.0
    largest = sorted((c.full_kg for c in site.cylinders), reverse=True)[: int(at_once)]
    return max(math.fsum(largest) * (1.0 - reserve), 1.0)


def year(offer: Offer, kg_year: float, lacks: tuple[str, ...] = ()) -> Way:
    """Return a year under `offer` at `kg_year`. Raises BadInput as `breakeven.parts`."""
    found = {name: float(value) for name, value in parts(offer, kg_year).items()}
    count = float(deliveries(offer, kg_year))
    return Way(offer, float(yearly_cost(offer, kg_year)), found, None if math.isnan(count) else count, lacks)


def beside(own: Offer | None, offer: Offer, kg_year: float | None) -> Beside:
    """Return `offer` beside the cylinders at `kg_year` (None = not known, then only where which is cheaper)."""
    way = Way(offer, None, {}, None, ("the use of a year is not known",)) if kg_year is None else year(offer, kg_year)
    words = _words(offer, kg_year)
    if own is None:
        return Beside(way, (), words)
    return Beside(way, compare(own, offer, max(LEAST_SPAN_KG, TIMES_USE * (kg_year or 0.0))), words)


def cheaper_at(stretches: Sequence[Stretch], kg_year: float) -> str:
    """Return "first", "second" or "equal" at a use; "" where it lies outside."""
    return next((s.cheaper for s in stretches if s.from_kg <= kg_year <= s.to_kg), "")


def _words(offer: Offer, kg_year: float | None) -> tuple[str, ...]:
    said = []
    if offer.owner == "supplier" and (offer.tank_m3 is not None or offer.load_kg is not None):
        said.append("the tank is the supplier's: ask who else may fill it, and what ending the contract early costs")
    if kg_year is not None and kg_year < offer.least_kg:
        said.append("the use lies below the least use: part of the gas is paid for and not burnt")
    if offer.years > 1.0:
        said.append(f"bound for {offer.years:.3g} years; ask whether the price is fixed as long")
    return tuple(said)
