"""A filter kept between outlooks says what one started afresh says."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from monitor.outlook import level
from monitor.outlook.follow import Follower
from tests.outlook.test_level import AT, site, weighed
from tests.reference.simulated_sites import simulate


@pytest.mark.parametrize("way", ["scale", "manual"])
def test_piece_by_piece_is_the_same_as_all_at_once(way: str) -> None:
    sim = simulate(7, way, 20)  # type: ignore[arg-type]
    follower = Follower(sim.site)
    for day in range(20):
        part = [r for r in sim.readings if sim.time(day * 24) <= r.time < sim.time(day * 24 + 24)]
        assert follower.take(part)
    end = sim.time(20 * 24)
    for mine, fresh in zip(follower.levels(end), level.estimate(sim.site, sim.readings, end), strict=True):
        assert mine.left_kg == pytest.approx(fresh.left_kg, rel=1e-6, abs=1e-6)
        assert mine.sd_kg == pytest.approx(fresh.sd_kg, rel=0.02)
        assert mine.basis == fresh.basis


def test_asking_moves_nothing() -> None:
    follower = Follower(site(1))
    assert follower.take([weighed(h, 12.0, source="scale") for h in range(50, 0, -1)])
    far = follower.levels(AT + timedelta(days=5))
    near = follower.levels(AT)
    assert far[0].left_kg < near[0].left_kg
    assert follower.levels(AT) == near


def test_what_changes_the_past_asks_for_a_fresh_start() -> None:
    follower = Follower(site(1))
    assert follower.take([weighed(10, 12.0, id=3)])
    assert not follower.take([weighed(30, 14.0)])
    assert not follower.take([weighed(9, 11.0, id=4, corrects=3)])
    assert follower.levels(AT)[0].left_kg == pytest.approx(12.0, abs=0.3)


def test_readings_by_the_minute_are_thinned() -> None:
    follower = Follower(site(1))
    readings = [replace(weighed(m / 60, 12.0, source="scale")) for m in range(600, 0, -1)]
    assert follower.take(readings)
    hourly = Follower(site(1))
    assert hourly.take(readings[::30])
    assert follower.levels(AT)[0].sd_kg == pytest.approx(hourly.levels(AT)[0].sd_kg, rel=0.1)
