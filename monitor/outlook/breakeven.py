"""What a year costs under an offer as a function of the fuel it uses, and where one way is cheaper than another. Pure.

A year's cost is linear between jumps: a further delivery, a fee that falls away, the least use that is paid for. So
the comparison is solved on each stretch between them, not searched: no crossing is missed between two sampled points.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.errors import BadInput, Problem
from monitor.model.offer import Offer

Series = NDArray[np.float64]
MOST_JUMPS = 500_000
EXACT = 1e-9  # relative: what counts as the same money
ROUNDING = 1e-9  # of a delivery: 3.0000000001 loads are three


@dataclass(frozen=True)
class Stretch:
    """From `from_kg` to `to_kg` of fuel a year, `cheaper` is the one that costs less."""

    from_kg: float
    to_kg: float
    cheaper: Literal["first", "second", "equal"]


def deliveries(offer: Offer, kg_year: ArrayLike) -> Series:
    """Deliveries a year for fuel used in a year (kg): whole ones over the contract, spread over its years.

    NaN where the offer does not say how much a delivery brings.
    """
    kg = np.asarray(kg_year, dtype=np.float64)
    if offer.load_kg is None:
        return np.full(kg.shape, np.nan)
    whole = np.ceil(kg * offer.years / offer.load_kg - ROUNDING) / offer.years
    return np.asarray(np.maximum(whole, offer.least_deliveries), dtype=np.float64)


def parts(offer: Offer, kg_year: ArrayLike) -> Mapping[str, Series]:
    """Return a year's cost by what it is for: fuel, deliveries, yearly fees, once (spread over the contract).

    `unused` is the part of the fuel's cost that is paid for gas not used, where the offer has a least use.
    Raises BadInput for an offer that charges for each delivery but does not say how much one brings.
    """
    known(offer)
    kg = np.asarray(kg_year, dtype=np.float64)
    unit = np.full(kg.shape, offer.price_kg)
    yearly, drop = np.zeros(kg.shape), np.zeros(kg.shape)
    for fee in offer.fees:
        due = np.ones(kg.shape) if fee.below_kg is None else (kg < fee.below_kg).astype(np.float64)
        if fee.per == "year":
            yearly = yearly + fee.amount * due
        elif fee.per == "delivery":
            drop = drop + fee.amount * due * deliveries(offer, kg)
        elif fee.per == "kg":
            unit = unit + fee.amount * due
    unused = offer.price_kg * np.maximum(offer.least_kg - kg, 0.0)
    once = np.full(kg.shape, offer.once() / offer.years)
    return {"fuel": unit * kg + unused, "unused": unused, "deliveries": drop, "yearly": yearly, "once": once}


def yearly_cost(offer: Offer, kg_year: ArrayLike) -> Series:
    """Return what a year costs (the site's money) for fuel used in it (kg), all fees in. Raises BadInput as `parts`."""
    found = parts(offer, kg_year)
    return np.asarray(found["fuel"] + found["deliveries"] + found["yearly"] + found["once"], dtype=np.float64)


def known(offer: Offer) -> None:
    """Raise BadInput where a year's cost does not follow from the offer."""
    by_drop = any(f.per == "delivery" and f.amount for f in offer.fees)
    if by_drop and offer.load_kg is None:
        hint = "state the tank, or how much a delivery brings: else a fee for each cannot be counted"
        raise BadInput(Problem(f'offer "{offer.name}"', "a fee per delivery", "the mass of a delivery", hint))


def compare(first: Offer, second: Offer, up_to_kg: float) -> tuple[Stretch, ...]:
    """Return, for fuel from 0 to `up_to_kg` a year, which of two ways is cheaper on which stretch, in order.

    Neighbours with the same answer are joined; a single point at a jump is no stretch. Raises BadInput as `parts`, and
    where the deliveries up to `up_to_kg` are too many to be meant.
    """
    known(first)
    known(second)
    edges = _edges((first, second), up_to_kg)
    low, high = edges[:-1], edges[1:]
    # Two points inside each stretch give the line that holds on it, ends left out.
    a, b = low + (high - low) / 4.0, low + (high - low) * 0.75
    money_a, money_b = yearly_cost(first, a), yearly_cost(first, b)
    at_a, at_b = money_a - yearly_cost(second, a), money_b - yearly_cost(second, b)
    left, right = at_a - (at_b - at_a) / 2.0, at_b + (at_b - at_a) / 2.0
    near = EXACT * np.maximum(np.maximum(np.abs(money_a), np.abs(money_b)), 1.0)
    left, right = np.where(np.abs(left) <= near, 0.0, left), np.where(np.abs(right) <= near, 0.0, right)
    return tuple(_joined(_pieces(low, high, left, right)))


def crossings(stretches: tuple[Stretch, ...]) -> tuple[float, ...]:
    """Return the fuel a year (kg) at which the cheaper way changes; empty where one is cheaper throughout."""
    return tuple(s.from_kg for s in stretches[1:])


def _edges(offers: tuple[Offer, Offer], up_to_kg: float) -> Series:
    """Every amount of fuel at which either cost may jump or bend, with 0 and `up_to_kg`."""
    if not (math.isfinite(up_to_kg) and up_to_kg > 0.0):
        raise BadInput(Problem("fuel per year", f"{up_to_kg:g} kg", "more than nothing"))
    found = [np.array([0.0, up_to_kg])]
    for offer in offers:
        found.append(np.array([offer.least_kg, *(f.below_kg for f in offer.fees if f.below_kg is not None)]))
        if offer.load_kg is None or not any(f.per == "delivery" for f in offer.fees):
            continue
        step = offer.load_kg / offer.years
        if up_to_kg / step > MOST_JUMPS:
            hint = f"{up_to_kg / step:.3g} deliveries up to {up_to_kg:g} kg a year cannot be meant"
            raise BadInput(Problem(f'offer "{offer.name}"', f"{offer.load_kg:g} kg a delivery", "more", hint))
        found.append(step * np.arange(1, int(up_to_kg / step) + 1))
    edges = np.unique(np.concatenate(found))
    edges = edges[(edges >= 0.0) & (edges <= up_to_kg)]
    apart = np.concatenate([[True], np.diff(edges) > 1e-9 * up_to_kg])  # two steps that meet but for rounding
    return np.asarray(edges[apart], dtype=np.float64)


def _pieces(low: Series, high: Series, left: Series, right: Series) -> Iterator[Stretch]:
    """Cut each stretch where its line crosses zero; `left` and `right` are what first costs more at its ends."""
    for a, b, x, y in zip(low, high, left, right, strict=True):
        if x * y < 0.0:
            middle = float(a + (b - a) * x / (x - y))
            yield Stretch(float(a), middle, _cheaper(x))
            yield Stretch(middle, float(b), _cheaper(y))
        else:
            yield Stretch(float(a), float(b), _cheaper(x + y))


def _cheaper(more: float) -> Literal["first", "second", "equal"]:
    return "equal" if more == 0.0 else "second" if more > 0.0 else "first"


def _joined(pieces: Iterator[Stretch]) -> Iterator[Stretch]:
    last: Stretch | None = None
    for piece in pieces:
        if last is not None and piece.cheaper == last.cheaper:
            last = Stretch(last.from_kg, piece.to_kg, last.cheaper)
            continue
        if last is not None:
            yield last
        last = piece
    if last is not None:
        yield last
