"""A site of very many cylinders: filters in banks tell the same as one filter over all, within what either knows."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from monitor.model.reading import Quantity, Reading
from monitor.model.site import Appliance, Cylinder, Site
from monitor.outlook import banks, level
from monitor.outlook.banks import Banked
from monitor.outlook.follow import Follower
from monitor.outlook.tracker import Tracker

START = datetime(2026, 1, 5, tzinfo=UTC)


def site(count: int) -> Site:
    cylinders = tuple(Cylinder(f"C{k}", 43.18, 13.15, 0.3175, 18.14) for k in range(count))
    heater = Appliance("Heater", 1_000.0 * count, 3600.0, continuous=True)
    return Site("Yard (invented)", 45.0, -100.0, "America/Denver", cylinders, (heater,))


def readings(of: Site, days: float, refill: str = "") -> list[Reading]:
    """Scales that read every two hours; everything falls by 0.3 kg a day; one is fetched full in the middle."""
    random = np.random.default_rng(3)
    out = []
    for k in range(int(days * 12)):
        at = START + timedelta(hours=2 * k)
        for n, c in enumerate(of.cylinders):
            left = 12.0 - 0.02 * n - 0.3 * k / 12
            if c.name == refill and k >= days * 6:
                left = 18.0 - 0.3 * (k - days * 6) / 12
            value = c.tare_kg + left + random.normal(0.0, 0.05)
            out.append(Reading(at, at, c.name, Quantity.GROSS_WEIGHT, value, f"scale {n}", noise=0.05))
    return out


def test_a_household_has_one_filter_and_a_thousand_cylinders_have_banks() -> None:
    assert isinstance(level.tracker(site(4)), Tracker)
    assert isinstance(level.tracker(site(banks.LARGEST)), Tracker)
    many = level.tracker(site(1000))
    assert isinstance(many, Banked)
    assert sum(part.n for _, part in many.banks()) == 1000
    assert [first for first, _ in many.banks()] == list(range(0, 1000, banks.BANK))


def test_banks_tell_what_one_filter_tells(monkeypatch: pytest.MonkeyPatch) -> None:
    of = site(10)
    told = readings(of, 6.0, refill="C7")
    at = told[-1].time + timedelta(hours=1)
    whole = level.estimate(of, told, at)
    monkeypatch.setattr(level, "ONE_FILTER", 5)
    monkeypatch.setattr(banks, "BANK", 4)
    parted = level.estimate(of, told, at)
    assert [x.cylinder for x in parted] == [x.cylinder for x in whole]
    for one, other in zip(whole, parted, strict=True):
        assert other.left_kg == pytest.approx(one.left_kg, abs=0.3 * math.hypot(one.sd_kg, other.sd_kg) + 0.05)
        assert other.sd_kg == pytest.approx(one.sd_kg, rel=0.3)
        assert other.reading_time == one.reading_time
        assert other.basis == one.basis
    burn = [sum(x.burn_kg_s for x in found) * 86_400 for found in (whole, parted)]
    assert burn[0] == pytest.approx(3.0, rel=0.1)
    assert burn[1] == pytest.approx(3.0, rel=0.1)


def test_a_refill_and_a_stuck_sensor_are_named_by_the_sites_own_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(level, "ONE_FILTER", 5)
    monkeypatch.setattr(banks, "BANK", 4)
    of = site(10)
    told = [replace(r, value=21.0) if r.subject == "C9" else r for r in readings(of, 8.0, refill="C6")]
    follower = Follower(of)
    assert follower.take(told)
    assert [(e.kind, of.cylinders[e.cylinder].name) for e in follower.events()] == [("refill", "C6")]
    assert [(f.kind, of.cylinders[f.cylinder].name) for f in follower.faults()] == [("stuck", "C9")]
