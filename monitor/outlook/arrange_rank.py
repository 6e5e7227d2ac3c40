"""Limits, costs and order of arrangements: which fall out and why, and what comes first by what the user minds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from monitor.model import units_out
from monitor.model.site import Units
from monitor.outlook.arrange_model import SHARES, Arrangement, Candidate, Container, Mind, Question

GAP_M = 0.05  # between cylinders that stand in a row; common practice, no source
LEAST_DAYS = 1.0  # a filling that lasts less is no arrangement


def candidates(containers: Sequence[Container], most: int) -> list[Candidate]:
    """Every kind in every count up to `most`, together, and for even counts over a changeover."""
    found: list[Candidate] = []
    for container in containers:
        # more tanks than two side by side are another trade's business
        for count in range(1, (min(most, 2) if container.in_place else most) + 1):
            found.append(Candidate(container, count))
            if count % 2 == 0 and not container.in_place:
                found.append(Candidate(container, count, "changeover"))
    return found


def filling_kg(question: Question, candidate: Candidate) -> float:
    """Propane between two refills (kg): to the refill level, or one side of a changeover run empty."""
    if candidate.feed == "changeover":
        return candidate.fuel_kg / 2.0
    return (1.0 - question.refill_share) * candidate.fuel_kg


def refills(question: Question, candidate: Candidate) -> tuple[float, float, float]:
    """Refills a year, pieces lifted a year (none where a supplier fills in place), days between refills in winter."""
    each = filling_kg(question, candidate)
    trips = question.year_kg / each
    pieces = candidate.count // 2 if candidate.feed == "changeover" else candidate.count
    lifts = 0.0 if candidate.container.in_place else trips * pieces
    return trips, lifts, each / question.use_kg_d if question.use_kg_d > 0.0 else math.inf


def costs(question: Question, candidate: Candidate) -> tuple[float | None, float | None, tuple[str, ...]]:
    """First cost and yearly cost, None where a price is missing, and which are."""
    prices, name = question.prices, candidate.container.name
    missing: list[str] = []

    def price(value: float | None, what: str) -> float:
        if value is None:
            missing.append(what)
        return value or 0.0

    first = candidate.count * price(prices.each.get(name), name) + prices.each.get(candidate.feed, 0.0)
    first_known = not missing
    delivered = candidate.container.in_place
    gas = price(prices.delivered_kg if delivered else prices.gas_kg, "gas delivered" if delivered else "gas")
    trips, _, _ = refills(question, candidate)
    yearly = question.year_kg * gas + candidate.count * prices.yearly.get(name, 0.0)
    if not delivered:
        yearly += trips * price(prices.trip, "trip")
    yearly_known = not any(m != name for m in missing)
    return (first if first_known else None), (yearly if yearly_known else None), tuple(missing)


def against_limits(question: Question, candidate: Candidate) -> list[str]:
    """Why a candidate breaks what the user said, before anything is worked out."""
    limits, c, units = question.limits, candidate.container, question.site.units
    found: list[str] = []
    if c.in_place and not limits.delivery:
        found.append("no supplier who will come, and it is filled where it stands")
    if limits.carry_kg is not None and not c.in_place and c.weight_full_kg > limits.carry_kg * (1 + 1e-9):
        found.append(f"weighs {_mass(c.weight_full_kg, units)} full, to carry {_mass(limits.carry_kg, units)}")
    if limits.scale_kg is not None and c.weight_full_kg > limits.scale_kg * (1 + 1e-9):
        found.append(f"weighs {_mass(c.weight_full_kg, units)} full, the scale takes {_mass(limits.scale_kg, units)}")
    if limits.height_m is not None and c.height_m is None:
        found.append("its height is not known")
    if limits.height_m is not None and c.height_m is not None and c.height_m > limits.height_m * (1 + 1e-9):
        found.append(f"stands {_length(c.height_m, units)} high, room for {_length(limits.height_m, units)}")
    wide = width_m(candidate)
    if limits.width_m is not None and wide > limits.width_m * (1 + 1e-9):
        found.append(f"takes {_length(wide, units)} along the wall, room for {_length(limits.width_m, units)}")
    if limits.most is not None and candidate.count > limits.most:
        found.append(f"{candidate.count} are more than {limits.most}")
    if limits.fuel_kg is not None and candidate.fuel_kg > limits.fuel_kg * (1 + 1e-9):
        fuel, most = _mass(candidate.fuel_kg, units), _mass(limits.fuel_kg, units)
        found.append(f"{fuel} of propane on site, your rule allows {most}")
    days = refills(question, candidate)[2]
    if days < LEAST_DAYS:
        found.append(f"a filling lasts {days * 24:.0f} h")
    return found


def width_m(candidate: Candidate) -> float:
    """Room along a wall (m), a gap of 5 cm between pieces."""
    c = candidate.container
    return candidate.count * (c.length_m or c.outside_diameter_m) + (candidate.count - 1) * GAP_M


def against_cold(question: Question, one: Arrangement, low_k: float | None) -> list[str]:
    """Why an arrangement falls out at the design low: even full it does not carry what is asked."""
    if low_k is None:
        return []
    site, units, basis = question.site, question.site.units, question.basis
    air = units_out.show(low_k, "temperature", units)
    found: list[str] = []
    stated = question.stated_s
    hold = one.hold_s[basis][0]
    if stated is not None and not hold >= stated - 1e-3:
        held = "not at all" if hold <= 0.0 else f"for {int(hold / 60.0)} min"
        found.append(f"full, at {air} everything burns {held}, {units_out.duration(stated)} asked")
    if site.continuous_w > 0.0 and not one.carried_k[basis][0] <= low_k and _continuous_short(question, one, low_k):
        found.append(f"full, at {air} it does not carry what burns without end")
    return found


def _continuous_short(question: Question, one: Arrangement, low_k: float) -> bool:
    from monitor.outlook.arrange_carry import calm
    from monitor.outlook.arrange_model import unit_site
    from monitor.physics import Plant, sustained_w

    candidate = one.candidate
    plant = Plant.of(unit_site(question, candidate.container, candidate.feed))
    watts = candidate.sets * float(sustained_w(plant, plant.full_kg, calm(low_k), question.basis))
    return watts < question.site.continuous_w


def _mass(kg: float, units: Units) -> str:
    return units_out.show(kg, "mass", units)


def _length(m: float, units: Units) -> str:
    return units_out.show(m, "length", units)


# --- order ----------------------------------------------------------------------------------------------------------


def _last(value: float | None) -> float:
    """What is not known comes last."""
    return math.inf if value is None or math.isnan(value) else value


def shortness(question: Question, one: Arrangement) -> float:
    """Short nights a winter; without past winters what the holds at half charge and at 20 % lack of the burn (s)."""
    if one.short is not None:
        return one.short.per_winter
    asked = question.stated_s
    holds = [one.hold_s[question.basis][SHARES.index(share)] for share in (0.5, 0.2)]
    if asked is None or any(math.isnan(hold) for hold in holds):
        return _last(one.carried_k[question.basis][1])
    return sum(max(0.0, asked - hold) for hold in holds)


def order_key(question: Question, one: Arrangement) -> tuple[float, ...]:
    """What a user who minds `question.mind` most sorts by; ties go by the rest."""
    c = one.candidate.container
    carried = 0.0 if c.in_place else c.weight_full_kg
    short = shortness(question, one)
    cost = _last(one.yearly_cost)
    # between equals what is carried comes before a tank that another must fill, and then the lighter piece
    keys: dict[Mind, tuple[float, ...]] = {
        "short-nights": (round(short, 2), float(c.in_place), carried, one.trips_year),
        "carrying": (carried, one.lifts_year, round(short, 2)),
        "trips": (one.trips_year, round(short, 2), carried),
        "cost": (cost, _last(one.first_cost), round(short, 2)),
    }
    return (*keys[question.mind], float(one.candidate.count), _last(one.first_cost))


def nearness(question: Question, one: Arrangement) -> tuple[float, ...]:
    """Where none carries the burn at the design low: the longest hold full first, then the usual order.

    Where even that is nothing, the one comes first that holds the burn, full, in the coldest air.
    """
    full = SHARES.index(1.0)
    hold, air = one.hold_s[question.basis][full], one.held_k[question.basis][full]
    return (math.inf if math.isnan(hold) else -round(hold, 1), round(_last(air), 1), *order_key(question, one))
