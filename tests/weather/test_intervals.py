"""Intervals of the raw grid: their grammar, and their expansion to hours against a count by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.weather import intervals

T0 = datetime(2022, 2, 3, 21, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("PT1H", 1),
        ("PT14H", 14),
        ("P1DT6H", 30),
        ("P7DT13H", 181),
        ("P1D", 24),
        ("PT90M", 1.5),
        ("P1W", 168),
        ("PT1H30M", 1.5),
    ],
)
def test_durations(text: str, hours: float) -> None:
    assert intervals.duration(text) == timedelta(hours=hours)


@pytest.mark.parametrize("text", ["P", "PT", "", "1H", "PT1", "P-1D", "PT1H/", "p1d", "P1H"])
def test_no_durations(text: str) -> None:
    with pytest.raises(ValueError, match="duration"):
        intervals.duration(text)


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("2022-02-03T21:00:00+00:00/PT3H", T0, T0 + timedelta(hours=3)),
        ("2022-02-03T21:00:00Z/PT3H", T0, T0 + timedelta(hours=3)),
        ("2022-02-03T15:00:00-06:00/PT3H", T0, T0 + timedelta(hours=3)),
        ("2022-02-03T21:00:00+00:00/2022-02-04T00:00:00+00:00", T0, T0 + timedelta(hours=3)),
        ("PT3H/2022-02-04T00:00:00+00:00", T0, T0 + timedelta(hours=3)),
        ("NOW/PT3H", T0 + timedelta(minutes=7), T0 + timedelta(hours=3, minutes=7)),
        ("2022-02-03T20:00:00+00:00/NOW", T0 - timedelta(hours=1), T0 + timedelta(minutes=7)),
    ],
)
def test_intervals(text: str, start: datetime, end: datetime) -> None:
    assert intervals.interval(text, T0 + timedelta(minutes=7)) == (start, end)


@pytest.mark.parametrize(
    "text",
    [
        "2022-02-03T21:00:00+00:00",
        "2022-02-03T21:00:00/PT1H",
        "2022-02-03T21:00:00Z/PT0H",
        "2022-02-04T21:00:00Z/2022-02-03T21:00:00Z",
        "2022-02-03T21:00:00Z/P2Y",
        "/PT1H",
        "x/PT1H",
    ],
)
def test_no_intervals(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        intervals.interval(text, T0)


@given(st.lists(st.integers(1, 200), min_size=1, max_size=12), st.integers(-20, 20))
def test_expansion_is_the_same_as_writing_every_hour(lengths: list[int], shift: int) -> None:
    """Whatever the lengths of the merged intervals and wherever the window begins."""
    parts, hours = [], []
    at = T0
    for i, n in enumerate(lengths):
        parts.append((at, at + timedelta(hours=n), float(i)))
        hours += [float(i)] * n
        at += timedelta(hours=n)
    start = T0 + timedelta(hours=shift)
    found = intervals.expand(parts, start, 60)
    expected = [hours[k + shift] if 0 <= k + shift < len(hours) else np.nan for k in range(60)]
    np.testing.assert_array_equal(found, expected)


def test_a_hole_and_a_null_stay_gaps() -> None:
    hour = timedelta(hours=1)
    parts = [
        (T0, T0 + 2 * hour, 1.0),
        (T0 + 2 * hour, T0 + 3 * hour, float("nan")),
        (T0 + 4 * hour, T0 + 5 * hour, 2.0),
    ]
    np.testing.assert_array_equal(intervals.expand(parts, T0, 6), [1.0, 1.0, np.nan, np.nan, 2.0, np.nan])


def test_a_part_that_begins_within_an_hour_does_not_hold_its_start() -> None:
    half = T0 + timedelta(minutes=30)
    np.testing.assert_array_equal(
        intervals.expand([(half, half + timedelta(hours=2), 1.0)], T0, 4), [np.nan, 1.0, 1.0, np.nan]
    )
