"""Nights and days by the household's own clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np

from monitor import outlook
from monitor.outlook.blocks import blocks
from tests.outlook.test_make import forecast, levels, site


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
