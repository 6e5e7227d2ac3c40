"""What the record says of a cylinder: its dates by 49 CFR 180.209, its fills, the cylinder that stands there."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.model.entry import Entry
from monitor.model.site import Cylinder, Site
from monitor.outlook import record

POUND = 0.453_592_37
YEAR_S = 365.25 * 86_400.0
TABLE = Path(__file__).parents[1] / "reference" / "filling_density.csv"
T = datetime(2026, 1, 5, 12, tzinfo=UTC)


def cylinder(**marks: Any) -> Cylinder:
    """A "40 lb" cylinder: 30 lb empty, 70 lb full (common practice, no source)."""
    return Cylinder("A", 95.2 * POUND, 30.0 * POUND, 0.305, 40.0 * POUND, marks=marks)


def site(one: Cylinder, **settings: Any) -> Site:
    """A site with it."""
    return Site("Test yard (invented)", 45.0, -90.0, "UTC", (one,), (), settings=settings)


def entry(kind: str, days: float = 0.0, subject: str = "A", **payload: Any) -> Entry:
    """An entry so many days after T."""
    return Entry(kind, subject, T + timedelta(days=days), payload)


# 49 CFR 180.209, periods as the requirement states them: twelve years from manufacture, then by the last method.
@pytest.mark.parametrize(
    ("marks", "due"),
    [
        ({"manufactured": "2014-03"}, datetime(2026, 3, 1, tzinfo=UTC)),
        ({"manufactured": "2010-03", "requalified": "2022-11", "requalification": "external visual"},
         datetime(2027, 11, 1, tzinfo=UTC)),
        ({"manufactured": "2010-03", "requalified": "2022-11", "requalification": "proof pressure"},
         datetime(2029, 11, 1, tzinfo=UTC)),
        ({"requalified": "2022-11", "requalification": "volumetric"}, datetime(2034, 11, 1, tzinfo=UTC)),
        ({"requalified": "2022-12"}, datetime(2027, 12, 1, tzinfo=UTC)),  # method not known: the shortest
        ({"manufactured": "2014-03", "requalify_every": 10 * YEAR_S}, datetime(2024, 3, 1, tzinfo=UTC)),
        ({"requalified": "2022-11", "requalification": "volumetric", "requalify_every": 10 * YEAR_S},
         datetime(2032, 11, 1, tzinfo=UTC)),
        ({}, None),
        ({"manufactured": "worn off"}, None),
    ],
)  # fmt: skip
def test_periods(marks: dict[str, Any], due: datetime | None) -> None:
    assert record.requalify_by(site(cylinder(**marks)), ()).get("A") == due


def test_the_sites_own_interval_gives_way_to_the_cylinders() -> None:
    own = {"record.requalify_every": 15 * YEAR_S}
    assert record.requalify_by(site(cylinder(manufactured="2014-03"), **own), ())["A"].year == 2029
    both = site(cylinder(manufactured="2014-03", requalify_every=10 * YEAR_S), **own)
    assert record.requalify_by(both, ())["A"].year == 2024


def test_marks_and_exchange_change_the_dates() -> None:
    known = site(cylinder(manufactured="2010-03", requalified="2022-11", requalification="volumetric"))
    seen = entry("marks", requalified="2024-06")  # a new date without a method does not go with the old method
    assert record.requalify_by(known, [seen])["A"] == datetime(2029, 6, 1, tzinfo=UTC)
    swap = entry("exchange", 1, tare_kg=13.0, water_capacity_kg=43.0)  # undated: the old cylinder's dates are gone
    assert record.requalify_by(known, [seen, swap]) == {}
    assert record.requalify_by(known, [seen, swap], T)["A"].year == 2029  # not yet exchanged at T


def test_an_exchange_counts_from_its_time() -> None:
    old = site(cylinder(serial="1"))
    swap = entry("exchange", 2, tare_kg=12.5, water_capacity_kg=43.0, manufactured="2021-07")
    assert record.marked(old, [swap], T) is old
    new = record.marked(old, [swap], T + timedelta(days=2)).cylinders[0]
    assert (new.tare_kg, new.water_capacity_kg) == (12.5, 43.0)
    assert new.full_kg == pytest.approx(43.0 * 40.0 / 95.2)
    assert dict(new.marks) == {"manufactured": "2021-07"}
    assert new.outside_diameter_m == 0.305
    small = entry("exchange", 3, tare_kg=8.0, water_capacity_kg=21.6)
    got = record.marked(old, [small, swap], T + timedelta(days=9)).cylinders[0]  # order of the list does not matter
    assert got.water_capacity_kg == 21.6
    assert got.outside_diameter_m == pytest.approx(0.305 * (21.6 / 43.0) ** (1 / 3))
    assert "outside_diameter" in got.assumed


def test_the_limit_is_the_filling_density_of_the_table() -> None:
    """42 % of the water capacity for propane: WAC 296-307 Table U-4 (tests/reference/filling_density.csv)."""
    with TABLE.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    share = (
        next(float(r["pct_of_water_capacity_aboveground_le1200gal"]) for r in rows if r["sg60F_lo"] == "0.504") / 100
    )
    one = cylinder()
    assert one.full_kg / one.water_capacity_kg == pytest.approx(share, abs=0.001)
    swap = record.marked(site(one), [entry("exchange", tare_kg=8.0, water_capacity_kg=21.6)], T).cylinders[0]
    assert swap.full_kg == pytest.approx(share * 21.6, rel=0.002)


@pytest.mark.parametrize(
    ("before", "after", "paid", "short", "over"),
    [
        (40.0, 70.0, 30.0, 0.0, 0.0),
        (40.0, 69.5, 30.0, 0.0, 0.0),  # 0.5 lb: within 2 sd of two weighings, 0.62 lb
        (40.0, 69.2, 30.0, 0.8, 0.0),
        (40.0, 70.4, 30.4, 0.0, 0.0),  # 0.4 lb above the limit: within 2 sd of one weighing, 0.44 lb
        (40.0, 70.5, 30.5, 0.0, 0.5),
        (None, 60.0, 35.0, 5.0, 0.0),  # less in it than was paid for, whatever was in it before
        (None, 70.0, 35.0, None, 0.0),  # cannot be said without the weight before
        (40.0, None, 30.0, None, None),
        (40.0, 70.0, None, None, 0.0),
    ],
)
def test_short_and_over(
    before: float | None, after: float | None, paid: float | None, short: float | None, over: float | None
) -> None:
    pounds = {"before_gross_kg": before, "after_gross_kg": after, "paid_kg": paid}
    told = {k: None if v is None else v * POUND for k, v in pounds.items()}
    got = record.fill_check(cylinder(), Entry("fill", "A", T, told), 0.1)
    for have, want in ((got.short_kg, short), (got.over_kg, over)):
        assert have == (None if want is None else pytest.approx(want * POUND, abs=1e-6))


def test_an_overfill_is_said_with_what_to_do() -> None:
    text = record.OVERFILLED.format(over="2 lb").lower()
    for word in ("do not use", "do not warm", "outdoors", "upright", "ignite", "licensed dealer", "local rules"):
        assert word in text


def test_a_leak_is_open_until_a_tight_check() -> None:
    tight, leak = entry("leak-check", 0, "site", result="tight"), entry("leak-check", 3, "site", result="leak")
    again = entry("leak-check", 4, "site", result="tight")
    assert record.leak_checked([]) is None
    assert record.leak_checked([tight]) == T
    assert record.leak_checked([leak, tight]) is None
    assert record.open_leak([leak, tight]) == leak
    assert record.leak_checked([tight, leak, again]) == again.time
    assert record.open_leak([tight, leak, again]) is None
