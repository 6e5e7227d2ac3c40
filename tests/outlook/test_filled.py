"""A fill without a weight: which stand, and the level between what was there and full."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import NormalDist
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.entry import Entry
from monitor.model.filled import unweighed, words
from monitor.model.reading import Level
from monitor.outlook.filled import raised, said
from monitor.site import load

SITE = load(Path(__file__).parents[2] / "config" / "demo.toml")
NOW = datetime(2031, 1, 20, 13, tzinfo=UTC)
DAY = timedelta(days=1)
FULL = SITE.cylinder("A").full_kg


def entry(kind: str, days_ago: float, subject: str = "A", **payload: Any) -> Entry:
    return Entry(kind, subject, NOW - days_ago * DAY, payload)


def level(left_kg: float, sd_kg: float = 0.2, read_days_ago: float | None = 20.0, burn_kg_d: float = 0.5) -> Level:
    read = None if read_days_ago is None else NOW - read_days_ago * DAY
    return Level("A", NOW, left_kg, sd_kg, burn_kg_d / 86_400, 0.0, read, "weighed 20 days ago")


def test_which_fills_stand() -> None:
    fill = entry("fill", 2, paid_kg=7.0)
    assert unweighed([fill, entry("fill", 1, "B")], NOW) == {"A": NOW - 2 * DAY, "B": NOW - DAY}
    assert unweighed([fill], NOW - 3 * DAY) == {}, "not yet"
    assert unweighed([fill, entry("fill", 1, after_gross_kg=25.0)], NOW) == {}
    assert unweighed([entry("fill", 2, readings=[7])], NOW) == {}, "said to be to the limit: a reading told it"
    assert unweighed([fill, entry("exchange", 1)], NOW) == {}, "that was another cylinder"
    assert unweighed([entry("exchange", 3), fill, entry("trip", 1, "site")], NOW) == {"A": NOW - 2 * DAY}


def test_the_level_is_between_what_was_there_and_full() -> None:
    (found,) = raised([level(1.0)], SITE, {"A": NOW - 2 * DAY})
    high = FULL - 2 * 0.5  # used since
    assert found.left_kg == pytest.approx((1.0 + high) / 2)
    assert found.sd_kg == pytest.approx((high - 1.0) / 12**0.5, rel=0.01)  # of any value between, each as likely
    early = found.left_kg + NormalDist().inv_cdf(0.1) * found.sd_kg
    assert 1.0 < early < 1.0 + 0.2 * (high - 1.0)
    assert (found.reading_time, found.filled_unweighed) == (NOW - 20 * DAY, NOW - 2 * DAY)
    assert found.basis == "weighed 20 days ago; filled 2 days ago, not weighed: half-way from there to full"


def test_a_reading_after_the_fill_ends_it_and_none_at_all_stays_empty() -> None:
    after = level(9.0, read_days_ago=1.0)
    assert raised([after], SITE, {"A": NOW - 2 * DAY}) == (after,)
    assert raised([after], SITE, {"B": NOW}) == (after,)
    (never,) = raised([level(0.0, read_days_ago=None)], SITE, {"A": NOW - 2 * DAY})
    assert (never.left_kg, never.reading_time, never.filled_unweighed) == (0.0, None, NOW - 2 * DAY)
    assert "it counts as empty" in said([never], SITE)[0]


@given(st.floats(0.0, 1.1 * FULL), st.floats(0.0, 5.0), st.floats(0.0, 60.0), st.floats(0.0, 3.0))
def test_never_below_what_was_there_and_never_full(left: float, sd: float, days_ago: float, burn: float) -> None:
    (found,) = raised([level(left, sd, 90.0, burn)], SITE, {"A": NOW - days_ago * DAY})
    assert left <= found.left_kg <= max(left, (left + FULL) / 2)
    assert found.sd_kg >= 0.57 * sd - 1e-12


def test_what_is_said_names_the_day_there_and_the_command() -> None:
    text = words("A", datetime(2031, 1, 20, 3, tzinfo=UTC), SITE)  # the evening before, in the yard
    assert text.startswith("A: filled 19 Jan, not weighed since: ")
    assert "`boiloff reading A --weighs " in text
