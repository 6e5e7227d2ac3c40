"""Sums, prices and the cylinders beside an offer, by hand; figures of the gas against published ones."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import CoolProp.CoolProp as CP
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.entry import Entry
from monitor.model.offer import Fee, Offer
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Appliance, Cylinder, Site
from monitor.model.units_out import LIQUID_GALLON_KG, POUND_KG
from monitor.outlook import cost, offers
from monitor.outlook.cost import Rates, Sum
from monitor.physics import fluid

ZONE = ZoneInfo("America/Chicago")
BTU_J = 1055.05585262


def entry(kind: str, day: str, subject: str = "A", /, **payload: Any) -> Entry:
    return Entry(kind, subject, datetime.fromisoformat(f"{day}T18:00").replace(tzinfo=UTC), payload)


def days(start: str, count: int, kg: float) -> dict[date, float]:
    first = date.fromisoformat(start).toordinal()
    return {date.fromordinal(first + k): kg for k in range(count)}


# -- the gas itself ---------------------------------------------------------------------------------------------------


def test_heating_value_is_that_of_the_physics() -> None:
    assert pytest.approx(fluid.HEATING_VALUE_J_KG) == cost.HEATING_VALUE_J_KG


def test_a_gallon_of_propane() -> None:
    """Heat in a US gallon of liquid, gross, at 60 degF.

    91,502 Btu: NFPA 58 table of properties (from memory). 91,452 Btu: US Energy Information Administration, British
    thermal unit conversion factors (from memory). Density 4.2265 lb/gal of pure propane: GPA Standard 2145 (from
    memory); commercial propane holds some ethane and butane, so 0.5 % apart is what may be asked.
    """
    heat_btu = cost.per_kwh_gas(1.0)  # money for 1 kWh at 1 a kg = kg a kWh
    gallon_btu = LIQUID_GALLON_KG / heat_btu * 3.6e6 / BTU_J
    assert gallon_btu == pytest.approx(91_502, rel=5e-3)
    assert gallon_btu == pytest.approx(91_452, rel=5e-3)
    assert pytest.approx(4.2265, rel=5e-3) == LIQUID_GALLON_KG / POUND_KG


def test_a_litre_against_a_reference_equation() -> None:
    """The density at 60 degF by the reference equation of state for pure propane (CoolProp: Lemmon et al., 2009)."""
    density = CP.PropsSI("D", "T", 288.7056, "Q", 0, "Propane")
    assert pytest.approx(density, rel=5e-3) == LIQUID_GALLON_KG / 3.785411784e-3


def test_prices_by_hand() -> None:
    """3.80 a gallon is 1.976 a kg; 50.12 MJ/kg is 13.92 kWh/kg, so 0.142 a kWh in the gas and 0.355 at 40 %."""
    kg = 3.80 / (4.24 * 0.45359237)
    assert kg == pytest.approx(1.9758, abs=1e-4)
    assert cost.per_gallon(kg) == pytest.approx(3.80)
    assert cost.per_kwh_gas(kg) == pytest.approx(1.9758 / (21_548 * 2_326 / 3.6e6), rel=1e-4)
    assert cost.per_kwh_gas(kg) == pytest.approx(0.1419, abs=1e-4)
    assert cost.per_kwh_used(kg, 0.40) == pytest.approx(0.3548, abs=2e-4)
    for wrong in (0.0, -0.4, 1.2, math.nan):
        with pytest.raises(ValueError, match="efficiency"):
            cost.per_kwh_used(kg, wrong)


# -- sums -------------------------------------------------------------------------------------------------------------

# Two cylinders on one trip, a fill without a price, an exchange not weighed, a delivery; all invented.
RECORD = [
    entry("fill", "2025-11-03", "A", before_gross_kg=15.0, after_gross_kg=30.0, paid_kg=15.0, price=30.0),
    entry("fill", "2025-11-03", "B", before_gross_kg=20.0, after_gross_kg=30.0, price=21.0),
    entry("trip", "2025-11-03", "site", cost=7.0),
    entry("fill", "2025-11-23", "A", before_gross_kg=22.0, after_gross_kg=30.0, paid_kg=8.5),
    entry("exchange", "2025-12-10", "B", tare_kg=13.0, water_capacity_kg=43.0, price=25.0),
    entry("hose", "2025-12-11", "site", price=18.0),
    entry("regulator", "2025-12-11", "site"),
    entry("leak-check", "2025-12-11", "site", result="tight"),
    entry("delivery", "2026-01-05", "site", mass_kg=50.0, price=80.0),
]


def test_months_by_hand() -> None:
    found = {s.label: s for s in cost.spans(RECORD, ZONE, Rates(trip=5.0), days("2025-11-20", 21, 0.5))}
    november, december, january = (found[k] for k in ("2025-11", "2025-12", "2026-01"))
    assert november.fuel == Sum(51.0, 2, 3)
    assert november.trips == Sum(12.0, 2, 2)
    assert november.taken_kg == pytest.approx(15.0 + 10.0 + 8.5)
    assert november.used_kg == pytest.approx(5.5)
    assert (november.used_days, november.days) == (11, 30)
    assert november.total == pytest.approx(63.0)
    assert november.missing == ("1 of 3 fills has no price",)
    assert (december.fills, december.fills_unweighed, december.taken_kg) == (1, 1, None)
    assert december.things == Sum(18.0, 1, 1)
    assert december.total == pytest.approx(25.0 + 5.0 + 18.0)
    assert january.trips == Sum(0.0, 0, 0), "what is delivered needs no trip"
    assert january.total == pytest.approx(80.0)
    assert january.used_kg is None


def test_a_year_is_its_months() -> None:
    rates, used = Rates(trip=5.0), days("2025-11-20", 60, 0.5)
    months, years = (cost.spans(RECORD, ZONE, rates, used, by) for by in ("month", "year"))
    assert [y.label for y in years] == ["2025", "2026"]
    assert sum(m.total or 0.0 for m in months) == pytest.approx(sum(y.total or 0.0 for y in years))
    assert sum(m.used_kg or 0.0 for m in months) == pytest.approx(30.0)
    assert years[0].days == 365


def test_missing_is_never_nothing() -> None:
    found = cost.spans([entry("fill", "2026-02-01", after_gross_kg=30.0)], ZONE, Rates(), {})[0]
    assert (found.fuel, found.trips) == (Sum(None, 0, 1), Sum(None, 0, 1))
    assert found.total is None
    assert found.missing == ("1 of 1 fills has no price", "1 of 1 trips has no cost")
    assert found.taken_kg is None
    free = cost.spans([entry("fill", "2026-02-01", price=0.0)], ZONE, Rates(), {})[0]
    assert free.fuel == Sum(0.0, 1, 1), "what was got for nothing is known to be nothing"


def test_days_are_those_of_the_yard() -> None:
    """05:00 UTC on the first is the day before in Chicago."""
    late = Entry("fill", "A", datetime(2026, 1, 1, 5, tzinfo=UTC), {"price": 9.0})
    assert cost.spans([late], ZONE, Rates(), {})[0].label == "2025-12"


def test_what_a_trip_costs() -> None:
    rates = Rates(trip=5.0, distance_m=20_000.0, vehicle_m=0.0002)
    assert rates.of_trip(7.0, 1.0) == 7.0
    assert rates.of_trip(None, 30_000.0) == pytest.approx(6.0)
    assert rates.of_trip(None, None) == 5.0
    assert Rates(distance_m=20_000.0, vehicle_m=0.0002).of_trip(None, None) == pytest.approx(4.0)
    assert Rates(distance_m=20_000.0).of_trip(None, 5.0) is None


def test_one_trip_carries_several_fills_and_a_day_may_have_two_trips() -> None:
    twice = [entry("trip", "2025-11-03", "site"), *RECORD]
    found = cost.trips(twice, ZONE, Rates(trip=5.0))
    assert [(t.day.isoformat(), t.cost) for t in found[:2]] == [("2025-11-03", 5.0), ("2025-11-03", 7.0)]
    assert [t.mass_kg for t in found] == [25.0, 0.0, 8.5, None]


def test_price_rests_on_entries_with_both() -> None:
    """(30 + 21 + 80) / (15 + 10 + 50) = 1.7467; trips of known mass and cost: (7 + 5) / (25 + 8.5)."""
    found = cost.price(RECORD, ZONE, Rates(trip=5.0))
    assert found.kg == pytest.approx(131.0 / 75.0)
    assert found.basis == "3 of 5 fills have a price and a mass"
    assert found.trip_kg == pytest.approx(12.0 / 33.5)
    assert found.with_trips() == pytest.approx(131.0 / 75.0 + 12.0 / 33.5)


def test_price_without_any() -> None:
    bare = [entry("fill", "2026-02-01", after_gross_kg=30.0)]
    assert cost.price(bare, ZONE, Rates()).kg is None
    assert cost.price([], ZONE, Rates()).with_trips() is None
    stated = cost.price(bare, ZONE, Rates(fuel_kg=2.0))
    assert (stated.kg, stated.trip_kg) == (2.0, None)
    assert "stated" in stated.basis


def test_use_from_fills_by_hand() -> None:
    """A: 30 kg on the 3rd, 22 on the 23rd: 8 kg over 20 days. The first fill, and the exchange, tell nothing."""
    used = cost.used_from_fills(cost.taken(RECORD, ZONE))
    assert len(used) == 20
    assert used[date(2025, 11, 3)] == pytest.approx(0.4)
    assert sum(used.values()) == pytest.approx(8.0)
    plain = [entry("fill", "2026-01-01", paid_kg=9.0), entry("fill", "2026-01-11", paid_kg=7.0)]
    assert sum(cost.used_from_fills(cost.taken(plain, ZONE)).values()) == pytest.approx(7.0)


@given(st.lists(st.floats(0.5, 15.0), min_size=2, max_size=12), st.lists(st.integers(1, 40), min_size=12, max_size=12))
def test_use_from_fills_loses_nothing(burnt: list[float], gaps: list[int]) -> None:
    """Whatever was burnt between the first fill and the last comes back, to the gram."""
    day = date(2025, 1, 1).toordinal()
    record = [entry("fill", "2025-01-01", after_gross_kg=30.0)]
    for kg, gap in zip(burnt, gaps, strict=False):
        day += gap
        when = date.fromordinal(day).isoformat()
        record.append(entry("fill", when, before_gross_kg=30.0 - kg, after_gross_kg=30.0))
    used = cost.used_from_fills(cost.taken(record, ZONE))
    assert sum(used.values()) == pytest.approx(sum(burnt))
    assert len(used) == day - date(2025, 1, 1).toordinal()


def test_an_exchange_burns_nothing() -> None:
    """A: tare 13.2 until the exchange, 10 after it, told by its marks only later; B untouched."""
    record = [
        entry("exchange", "2026-01-10", "A", tare_kg=11.0, water_capacity_kg=43.18),
        entry("marks", "2026-01-12", "A", tare_kg=10.0),
    ]
    at = datetime(2026, 1, 20, tzinfo=UTC)
    told = [(9, "A", 13.2 + 5.0), (10, "A", 13.2 + 4.9), (11, "A", 10.0 + 18.0), (13, "A", 10.0 + 17.8), (9, "B", 20.0)]
    readings = [
        Reading(time, time, name, Quantity.GROSS_WEIGHT, kg, "scale")
        for day, name, kg in told
        for time in [datetime(2026, 1, day, 12, tzinfo=UTC)]
    ]
    now, found = cost.as_if_one_tare(site(), record, readings, at)
    assert now.cylinder("A").tare_kg == 10.0
    left = [r.value - now.cylinder(r.subject).tare_kg for r in found if r.value is not None]
    assert left == pytest.approx([5.0, 4.9, 18.0, 17.8, 20.0 - 13.2])
    assert cost.as_if_one_tare(site(), [], readings, at) == (site(), readings)


def test_use_of_a_year() -> None:
    assert cost.yearly_use({}) is None
    assert cost.yearly_use(days("2026-01-01", 13, 0.4)) is None
    old = {**days("2023-01-01", 300, 9.0), **days("2025-01-01", 365, 0.4)}
    for used, count in ((days("2026-01-01", 50, 0.4), 50), (old, 365)):
        found = cost.yearly_use(used)
        assert found is not None
        assert found[0] == pytest.approx(146.1)
        assert found[1] == count


# -- beside an offer --------------------------------------------------------------------------------------------------


def site(**settings: Any) -> Site:
    cylinders = tuple(Cylinder(n, 43.18, 13.2, 0.3175, 18.14) for n in "AB")
    return Site(
        "invented", 45, -90, "America/Chicago", cylinders, (Appliance("Range", 19e3, 3600.0),), settings=settings
    )


def test_cylinders_beside_an_offer_by_hand() -> None:
    """2 a kg and 10 for each 25 kg begun, against 1.5 a kg, rent 90 and 400 over 4 years.

    At 146 kg: 292 + 6 x 10 = 352 against 219 + 90 + 100 = 409. Slopes 2 + steps: m 0.5 + 10 ceil(m / 25) = 190 at
    200 < m <= 225: 9 trips, 0.5 m = 100, so m = 200, where the ninth trip begins.
    """
    own = Offer(offers.NAME, 2.0, (Fee("trip", 10.0, "delivery"),), load_kg=25.0)
    offer = Offer("tank", 1.5, (Fee("rent", 90.0, "year"), Fee("deposit", 400.0, "start")), years=4.0)
    found = offers.beside(own, offer, 146.0)
    assert found.way.cost == pytest.approx(409.0)
    assert offers.year(own, 146.0).cost == pytest.approx(352.0)
    assert offers.year(own, 146.0).deliveries == 6
    assert [s.cheaper for s in found.stretches] == ["first", "second"]
    assert found.stretches[1].from_kg == pytest.approx(200.0)
    assert offers.cheaper_at(found.stretches, 146.0) == "first"


def test_cylinders_from_the_record() -> None:
    rates = Rates(trip=5.0, yearly=20.0)
    own, lacks = offers.cylinders(site(), cost.price(RECORD, ZONE, rates), rates, cost.trips(RECORD, ZONE, rates))
    assert own is not None
    assert lacks == ()
    assert own.load_kg == pytest.approx((25.0 + 8.5) / 2)
    assert {f.name: f.amount for f in own.fees} == {"besides": 20.0, "trip": pytest.approx((7 + 5 + 5) / 3)}


def test_what_is_not_known_is_said() -> None:
    none, why = offers.cylinders(site(), cost.price([], ZONE, Rates()), Rates(), ())
    assert none is None
    assert "no price" in why[0]
    rates = Rates(fuel_kg=2.0)
    settings = {"fuel.at_once": 2, "fuel.reserve": 0.1}
    own, lacks = offers.cylinders(site(**settings), cost.price([], ZONE, rates), rates, ())
    assert own is not None
    assert own.fees == ()
    assert "trips are not in it" in lacks[0]
    assert own.load_kg == pytest.approx(2 * 18.14 * 0.9)
    unknown = offers.beside(own, Offer("tank", 1.0), None)
    assert unknown.way.cost is None
    assert unknown.stretches


def test_a_least_use_above_the_use_is_said() -> None:
    found = offers.beside(None, Offer("tank", 1.0, least_kg=200.0, years=3.0, tank_m3=0.45), 100.0)
    assert found.way.parts["unused"] == pytest.approx(100.0)
    assert len(found.words) == 3
