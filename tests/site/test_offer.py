"""[cost] and [[offer]]: what is read, by hand, and what is refused with the key named."""

from __future__ import annotations

import pytest

from monitor.model.offer import Fee
from monitor.outlook.cost import Rates
from tests.site.sample import SOUND, loaded, only, problems

LB_KG = 0.45359237
GAL_KG = 4.24 * LB_KG  # NFPA 58 table of properties, at 60 °F
OFFER = """
[[offer]]
name = "Delivery (invented)"
price = "2.12 / gal"
"""


def test_an_offer_by_hand() -> None:
    text = """tank = "100 gal"
fill = "80 %"
refill_at = "30 %"
contract = "3 years"
least_use = "150 gal"
least_deliveries = 2
installation = 180
tank_owner = "household"
fees = [
  { name = "Rent", amount = 60, per = "year", below = "100 lb" },
  { name = "Call-out", amount = 9.5, per = "delivery" },
  { name = "Duty", amount = 0.424, per = "gal" },
  { name = "Levy", amount = 0.1, per = "lb" },
  { name = "Check", amount = 75, per = "start" },
  { name = "Removal", amount = 120, per = "end of the contract" },
]
"""
    (offer,) = loaded(SOUND + OFFER + text).site.offers
    assert offer.price_kg == pytest.approx(0.5 / LB_KG)
    assert offer.load_kg == pytest.approx(100 * GAL_KG * 0.5)
    assert offer.least_kg == pytest.approx(150 * GAL_KG)
    assert (offer.years, offer.least_deliveries, offer.installation, offer.owner) == (3.0, 2, 180.0, "household")
    assert offer.fees[0] == Fee("Rent", 60.0, "year", pytest.approx(100 * LB_KG))  # type: ignore[arg-type]
    assert [f.per for f in offer.fees] == ["year", "delivery", "kg", "kg", "start", "end"]
    assert offer.fees[2].amount == pytest.approx(0.1 / LB_KG)
    assert offer.fees[3].amount == pytest.approx(0.1 / LB_KG)
    assert offer.once() == pytest.approx(180 + 75 + 120)


def test_a_stated_delivery_goes_before_the_tank() -> None:
    (offer,) = loaded(SOUND + OFFER + 'tank = "100 gal"\ndelivery = "200 lb"\n').site.offers
    assert offer.load_kg == pytest.approx(200 * LB_KG)
    (bare,) = loaded(SOUND + OFFER).site.offers
    assert bare.load_kg is None


def test_cost_by_hand() -> None:
    text = '[cost]\ntrip = 6.5\ndistance = "10 mi"\nvehicle = "0.30 / mi"\nburner_efficiency = "45 %"\nyearly = 20\n'
    rates = Rates.of(loaded(SOUND + text).site.settings)
    assert rates == Rates(6.5, None, 16093.44, pytest.approx(0.3 / 1609.344), 0.45, 20.0)  # type: ignore[arg-type]
    assert Rates.of(loaded(SOUND).site.settings) == Rates(), "what is not said is not nothing"
    assert Rates.of({}) == Rates()


@pytest.mark.parametrize(
    ("text", "key", "says"),
    [
        (OFFER.replace("2.12 / gal", "2.12"), "offer[1].price", "3.80 / gal"),
        (OFFER + 'tank = "lots"\n', "offer[1].tank", "27.2 L"),
        (OFFER + 'least_use = "12 ft"\n', "offer[1].least_use", "120 gal"),
        (OFFER + 'tnak = "100 gal"\n', "offer[1].tnak", 'did you mean "tank"?'),
        (OFFER + 'fees = ["rent"]\n', "offer[1].fees[1]", "in braces"),
        (OFFER + 'fees = "rent"\n', "offer[1].fees", "a list"),
        (OFFER + 'fees = [{ name = "a", amount = "9", per = "year" }]\n', "offer[1].fees[1].amount", "without quotes"),
        (OFFER + 'fees = [{ name = "a", amount = -9, per = "year" }]\n', "offer[1].fees[1].amount", "amount of money"),
        (OFFER + 'fees = [{ name = "a", amount = 9, per = "yaer" }]\n', "offer[1].fees[1].per", 'did you mean "year"?'),
        (OFFER + 'fees = [{ name = "a", amount = 9, per = "mile" }]\n', "offer[1].fees[1].per", '"delivery"'),
        (OFFER + 'fees = [{ name = "a", amount = 9 }]\n', "offer[1].fees[1].per", "the key per"),
        (OFFER + 'fees = [{ name = "a", amuont = 9, per = "year" }]\n', "offer[1].fees[1].amuont", '"amount"?'),
        (OFFER + 'fees = [{ name = "a", amount = 9, per = "delivery" }]\n', "offer[1].tank", "fee 1"),
        (OFFER + 'tank = "100 gal"\nrefill_at = "85 %"\n', "offer[1].refill_at", "less than fill"),
        (OFFER + OFFER, "offer[2].name", "of its own"),
        ('[cost]\nvehicle = "0.30"\n', "cost.vehicle", "0.30 / mi"),
        ('[cost]\nvehicle = "0.30 / gal"\n', "cost.vehicle", "does not fit"),
        ('[cost]\ntrip = "6"\n', "cost.trip", "without quotes"),
        ('[cost]\nburner_efficiency = "0 %"\n', "cost.burner_efficiency", "out of range"),
    ],
)
def test_what_is_wrong_is_named(text: str, key: str, says: str) -> None:
    found = only(SOUND + text)
    assert found.key == key
    assert says in str(found)


def test_every_fault_is_told_at_once() -> None:
    text = OFFER.replace("2.12 / gal", "2.12") + 'fees = [{ name = "a", amount = "9", per = "yaer" }, 5]\n'
    assert [p.key for p in problems(SOUND + text)] == [
        "offer[1].price", "offer[1].fees[1].amount", "offer[1].fees[1].per", "offer[1].fees[2]",
    ]  # fmt: skip
