"""[[offer]]: gas delivered, with any list of fees. What is stated by weight or by volume of liquid is kept in kg."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from monitor.model.offer import Fee, Offer, Per
from monitor.model.units_out import LIQUID_GALLON_KG
from monitor.site.quantity import QuantityError, convert, parse
from monitor.site.values import close_to, price

if TYPE_CHECKING:
    from monitor.site.problems import Collector
    from monitor.site.schema import FeeTable, OfferTable

_PER: dict[str, Per] = {
    "year": "year", "delivery": "delivery", "start": "start", "start of the contract": "start", "end": "end",
    "end of the contract": "end",
}  # fmt: skip


def fuel(value: object) -> float:
    """Return an amount of fuel (kg) from a mass or a volume of liquid at 60 degF."""
    form = 'an amount of fuel such as "200 lb", "120 gal" or "90 kg"'
    try:
        found = parse(value, "mass")
    except QuantityError:
        try:
            found = parse(value, "volume") / convert(1.0, "gal", "volume") * LIQUID_GALLON_KG
        except QuantityError as error:
            raise QuantityError(error.why, form, error.hint) from None
    if not 0.0 <= found <= 1e6:
        raise QuantityError("out of any range that can be meant", form)
    return found


def per(value: object) -> tuple[Per, float]:
    """Return what a fee is charged for, and how many kilograms one unit is where it is charged by the unit."""
    form = '"year", "delivery", "start", "end", or a unit of fuel: "gal", "lb", "kg", "L"'
    word = re.sub(r"^(?:a|an|each|per)\s+", "", value.strip().lower()) if isinstance(value, str) else ""
    if word in _PER:
        return _PER[word], 1.0
    try:
        return "kg", 1.0 / price(f"1 / {word}")
    except QuantityError:
        hint = close_to(word, (*_PER, "gallon", "pound")) if word else ""
        raise QuantityError("not what a fee can be charged for", form, hint) from None


def build(place: int, table: OfferTable, fees: list[FeeTable], into: Collector) -> Offer:
    """Return the offer of a table with its fees; what does not fit together is noted in `into`."""
    at = ("offer", place)
    load_kg = table.delivery
    if load_kg is None and table.tank is not None:
        if table.refill_at >= table.fill:
            into.add((*at, "refill_at"), table.refill_at, "less than fill", "a tank is filled when it has gone down")
        whole_kg = table.tank / convert(1.0, "gal", "volume") * LIQUID_GALLON_KG
        load_kg = max(whole_kg * (table.fill - table.refill_at), 1e-3)
    made = tuple(_fee(fee) for fee in fees)
    charged = next((n for n, fee in enumerate(made) if fee.per == "delivery" and fee.amount), None)
    if charged is not None and load_kg is None:
        hint = f'state tank = "120 gal" or delivery = "200 lb" in [[offer]]: fee {charged + 1} is charged for each'
        into.add((*at, "tank"), None, "what one delivery brings", hint)
    return Offer(
        name=table.name,
        price_kg=table.price,
        fees=made,
        load_kg=load_kg,
        years=table.contract / (365.25 * 86400.0),
        least_kg=table.least_use,
        least_deliveries=int(table.least_deliveries),
        installation=table.installation,
        owner=table.tank_owner,
        tank_m3=table.tank,
    )


def _fee(table: FeeTable) -> Fee:
    what, unit_kg = table.per
    return Fee(table.name, table.amount / unit_kg, what, table.below)
