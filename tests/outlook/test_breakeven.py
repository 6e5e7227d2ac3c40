"""A year under an offer: by hand, and the exact break-even against a scan of the cost itself."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import BadInput
from monitor.model.offer import Fee, Offer
from monitor.outlook.breakeven import Stretch, compare, crossings, deliveries, parts, yearly_cost

# Invented figures throughout.
CYLINDERS = Offer("cylinders", 2.0, (Fee("trip", 10.0, "delivery"),), load_kg=30.0)


def plain(name: str, price: float, *fees: Fee) -> Offer:
    return Offer(name, price, fees)


def test_a_year_by_hand() -> None:
    """300 kg: 300 x 1.5 + rent 90 + 3 deliveries of 120 kg at most x 12 + 0.1 x 300 + (200 + 100 + 150) / 3 years."""
    offer = Offer(
        "tank",
        1.5,
        (
            Fee("rent", 90.0, "year"),
            Fee("call-out", 12.0, "delivery"),
            Fee("duty", 0.1, "kg"),
            Fee("deposit", 200.0, "start"),
            Fee("take-away", 100.0, "end"),
            Fee("small user", 60.0, "year", below_kg=250.0),
        ),
        load_kg=120.0,
        years=1.0,
        installation=150.0,
    )
    assert float(yearly_cost(offer, 300.0)) == pytest.approx(450 + 90 + 36 + 30 + 450)
    assert float(yearly_cost(offer, 240.0)) == pytest.approx(360 + 90 + 60 + 24 + 24 + 450)
    assert float(yearly_cost(offer, 250.0)) == pytest.approx(375 + 90 + 36 + 25 + 450)
    assert float(parts(offer, 0.0)["deliveries"]) == 0.0


def test_least_use_is_paid_whether_burnt_or_not() -> None:
    offer = Offer("tank", 2.0, (Fee("duty", 1.0, "kg"),), least_kg=100.0)
    assert yearly_cost(offer, [0.0, 60.0, 100.0, 150.0]) == pytest.approx([200.0, 260.0, 300.0, 450.0])
    assert parts(offer, [60.0, 150.0])["unused"] == pytest.approx([80.0, 0.0])


def test_deliveries_are_whole_over_the_contract() -> None:
    once = Offer("tank", 1.0, load_kg=100.0)
    assert deliveries(once, [0.0, 1.0, 100.0, 100.5, 300.0]) == pytest.approx([0, 1, 1, 2, 3])
    four_years = Offer("tank", 1.0, load_kg=100.0, years=4.0)
    assert deliveries(four_years, [25.0, 30.0, 100.0]) == pytest.approx([0.25, 0.5, 1.0])
    assert deliveries(Offer("tank", 1.0, load_kg=100.0, least_deliveries=2), [0.0, 250.0]) == pytest.approx([2, 3])
    assert np.isnan(deliveries(Offer("tank", 1.0), 10.0))


def test_one_break_even_by_hand() -> None:
    """2.5 a kg against 1.5 a kg and 120 a year: the same at 120 kg."""
    found = compare(plain("a", 2.5), plain("b", 1.5, Fee("rent", 120.0, "year")), 500.0)
    assert [s.cheaper for s in found] == ["first", "second"]
    assert (found[0].from_kg, found[1].to_kg) == (0.0, 500.0)
    assert crossings(found) == pytest.approx((120.0,))


def test_none_and_always_equal() -> None:
    assert crossings(compare(plain("a", 1.0), plain("b", 1.5, Fee("rent", 1.0, "year")), 500.0)) == ()
    assert compare(plain("a", 1.0), plain("b", 1.0), 500.0) == (Stretch(0.0, 500.0, "equal"),)


def test_several_by_hand() -> None:
    """2 a kg and 10 for each 30 kg begun, against 2 a kg and 25: dearer only while three trips or more are needed."""
    found = compare(CYLINDERS, plain("b", 2.0, Fee("rent", 25.0, "year")), 120.0)
    assert [(s.from_kg, s.to_kg, s.cheaper) for s in found] == [(0.0, 60.0, "first"), (60.0, 120.0, "second")]
    # 2.2 a kg and 8 a year against 2 a kg and 10 for each 30 kg begun: 8 + 0.2 m against 10, 20, 30 ... meets 10 at
    # 10 kg, falls behind again at the second trip (30 kg: 14 against 20), and only touches 20 at 60 kg.
    steps = compare(CYLINDERS, plain("b", 2.2, Fee("rent", 8.0, "year")), 90.0)
    assert [s.cheaper for s in steps] == ["second", "first", "second"]
    assert crossings(steps) == pytest.approx((10.0, 30.0))


def test_what_does_not_follow_is_refused() -> None:
    vague = Offer("tank", 1.0, (Fee("call-out", 9.0, "delivery"),))
    with pytest.raises(BadInput, match=r"tank.*fee per delivery"):
        yearly_cost(vague, 10.0)
    with pytest.raises(BadInput, match="cannot be meant"):
        compare(Offer("tank", 1.0, (Fee("x", 1.0, "delivery"),), load_kg=1e-6), plain("b", 1.0), 1000.0)
    with pytest.raises(BadInput, match="more than nothing"):
        compare(plain("a", 1.0), plain("b", 1.0), 0.0)


MONEY = st.integers(0, 400).map(lambda n: n / 4)
FEES = st.lists(
    st.builds(
        Fee,
        st.just("fee"),
        MONEY,
        st.sampled_from(["year", "delivery", "kg", "start", "end"]),
        st.none() | st.integers(1, 900).map(float),
    ),
    max_size=4,
).map(tuple)
OFFERS = st.builds(
    Offer,
    st.just("offer"),
    st.integers(1, 40).map(lambda n: n / 10),
    FEES,
    st.integers(5, 400).map(float),
    st.sampled_from([1.0, 2.0, 3.0, 5.0]),
    st.sampled_from([0.0, 100.0, 250.0]),
    st.integers(0, 3),
    MONEY,
)


@given(OFFERS, OFFERS)
def test_against_a_scan(first: Offer, second: Offer) -> None:
    """The scan looks at the cost alone, at 4,001 amounts off any jump; the stretches must say the same at each."""
    stretches = compare(first, second, 1000.0)
    assert stretches[0].from_kg == 0.0
    assert stretches[-1].to_kg == 1000.0
    for left, right in itertools.pairwise(stretches):
        assert left.to_kg == right.from_kg
        assert left.cheaper != right.cheaper
    kg = np.linspace(0.0, 1000.0, 4001)[:-1] + 0.01234567
    more = yearly_cost(first, kg) - yearly_cost(second, kg)
    ends = np.array([s.from_kg for s in stretches])
    said = np.array([{"first": -1, "equal": 0, "second": 1}[s.cheaper] for s in stretches])
    held = said[np.searchsorted(ends, kg, side="right") - 1]
    clear = np.abs(more) > 1e-5
    assert np.array_equal(np.sign(more[clear]), held[clear])
    # Where it is said to change, it does: a little to the left and to the right the signs are as said.
    for a, b in itertools.pairwise(stretches):
        if min(a.to_kg - a.from_kg, b.to_kg - b.from_kg) > 1e-4:
            around = b.from_kg + np.array([-1e-5, 1e-5])
            signs = np.round((yearly_cost(first, around) - yearly_cost(second, around)), 7)
            for sign, stretch in zip(signs, (a, b), strict=True):
                assert {"first": sign <= 0, "equal": abs(sign) <= 1e-6, "second": sign >= 0}[stretch.cheaper]
