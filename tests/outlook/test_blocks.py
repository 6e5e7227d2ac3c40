"""Nights and days by the household's own clock."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np

from monitor import outlook
from monitor.model.site import Appliance
from monitor.outlook.blocks import blocks
from tests.outlook.test_make import RANGE, forecast, levels, site


def test_every_hour_is_in_one_block_also_on_the_day_clocks_change() -> None:
    start = datetime(2026, 3, 7, 6, tzinfo=UTC)
    made = outlook.make(site("America/Chicago"), forecast(np.zeros(72), start), levels(9, 9), start)
    found = blocks(made.hours, "America/Chicago", "weather")
    assert sum(b.hours for b in found) == 72
    assert [(b.day, b.part, b.hours) for b in found[:5]] == [
        (date(2026, 3, 6), "night", 10),
        (date(2026, 3, 7), "day", 8),
        (date(2026, 3, 7), "night", 15),  # the night in which an hour is lost
        (date(2026, 3, 8), "day", 8),
        (date(2026, 3, 8), "night", 16),
    ]


def test_what_a_block_says() -> None:
    start = datetime(2026, 1, 10, 0, tzinfo=UTC)
    air = np.concatenate([np.full(10, 5.0), np.full(8, -25.0), np.full(12, 12.0)])
    air[3] = 1.0
    air[20] = np.nan
    made = outlook.make(site(), forecast(air, start), levels(4, 4), start)
    night, day, evening = blocks(made.hours, "UTC", "weather")
    assert night.coldest_at == start + timedelta(hours=3)
    assert day.state == "uncovered"
    assert day.uncovered[0][0] >= start + timedelta(hours=10)
    assert day.beyond_any_level
    assert evening.missing == 1
    assert evening.state == "unknown"


def test_hours_in_which_nothing_may_burn_are_no_answer() -> None:
    start = datetime(2026, 1, 10, 0, tzinfo=UTC)
    made = outlook.make(site(), forecast(np.full(4, -25.0), start), levels(4, 4), start)
    (block,) = blocks(made.hours, "UTC", "weather")
    assert block.state == "idle"
    assert block.least_hold_s is not None


def test_the_hold_shown_is_of_the_hours_with_a_stated_burn() -> None:
    """A heater burns on through the cold small hours; only the evening's cooking is to be held."""
    start = datetime(2026, 1, 10, 18, tzinfo=UTC)
    air = np.concatenate([np.full(5, 5.0), np.full(11, -22.0)])
    heater = Appliance("Heater", 2000.0, 86_400.0, continuous=True)
    of = site(appliances=(RANGE, heater))
    made = outlook.make(of, forecast(air, start), levels(9, 9), start)
    evening = [h for h in made.hours if h.time.hour in {18, 19, 20, 21, 22, 5, 6, 7, 8, 9}]
    small = [h for h in made.hours if h.time.hour in {23, 0, 1, 2, 3, 4}]
    assert {h.needed_hold_s for h in evening} == {RANGE.hold_s}
    assert {h.needed_hold_s for h in small} == {0.0}
    assert all(h.may_burn for h in made.hours)
    (block,) = blocks(made.hours, "UTC", "weather")
    assert block.least_hold_s == min(h.hold_s for h in evening if h.hold_s is not None)
    (alone,) = blocks(small, "UTC", "weather")
    assert alone.least_hold_s is None, "no hold is asked for"
    mild = [replace(h, hold_s=3480.0 if h in small else 3900.0) for h in made.hours]
    (block,) = blocks(mild, "UTC", "weather")
    assert block.least_hold_s == 3900.0
