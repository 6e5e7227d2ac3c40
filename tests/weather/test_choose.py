"""Which forecast to go by: order of preference, each one's own time of issue, and how far it reaches."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from monitor.model.forecast import Forecast
from monitor.weather import choose, freshness
from tests.weather.support import NOW

ORDER = ("nws", "met-norway", "open-meteo")


def made(source: str, age_h: float, reach_h: int = 120, received: datetime = NOW) -> Forecast:
    issued = NOW - timedelta(hours=age_h)
    start = NOW.replace(minute=0)
    return Forecast(source, issued, received, start, np.full((1, max(reach_h, 1)), 260.0))


def test_the_first_in_order_while_it_is_fresh() -> None:
    choice = choose([made("open-meteo", 0.5), made("nws", 5.0)], ORDER, NOW)
    assert choice.forecast is not None
    assert (choice.forecast.source, choice.freshness) == ("nws", "fresh")


@pytest.mark.parametrize(("age_h", "expected"), [(11.9, "nws"), (12.1, "open-meteo"), (88.0, "open-meteo")])
def test_an_old_one_gives_way_to_a_fresh_one(age_h: float, expected: str) -> None:
    """Received a minute ago, issued long ago: what counts is the issue."""
    choice = choose([made("nws", age_h), made("open-meteo", 0.5)], ORDER, NOW)
    assert choice.forecast is not None
    assert choice.forecast.source == expected
    if expected != "nws":
        assert f"issued {age_h:.0f} h ago" in choice.reason


def test_a_short_one_gives_way_too() -> None:
    choice = choose([made("nws", 1.0, reach_h=20), made("open-meteo", 3.0)], ORDER, NOW)
    assert choice.forecast is not None
    assert choice.forecast.source == "open-meteo"
    assert "reaches only" in choice.reason


def test_two_old_ones_keep_the_order() -> None:
    choice = choose([made("open-meteo", 13.0), made("nws", 20.0)], ORDER, NOW)
    assert choice.forecast is not None
    assert (choice.forecast.source, choice.freshness) == ("nws", "old")


def test_with_every_service_gone_the_youngest_stands() -> None:
    choice = choose([made("nws", 80.0), made("open-meteo", 30.0)], ORDER, NOW)
    assert choice.forecast is not None
    assert (choice.forecast.source, choice.freshness) == ("open-meteo", "gone")
    assert "none younger" in choice.reason


def test_nothing_kept_or_everything_past() -> None:
    assert choose([], ORDER, NOW).forecast is None
    past = Forecast("nws", NOW, NOW, NOW - timedelta(hours=60), np.full((1, 24), 260.0))
    assert choose([past], ORDER, NOW).forecast is None


def test_a_newer_answer_of_a_source_hides_its_older_ones() -> None:
    choice = choose([made("nws", 1.0), made("nws", 7.0), made("nws", 3.0)], ORDER, NOW)
    assert choice.forecast is not None
    assert choice.forecast.issued == NOW - timedelta(hours=1)


def test_a_source_no_longer_in_the_site_file_comes_last() -> None:
    choice = choose([made("file", 1.0), made("open-meteo", 1.0)], ORDER, NOW)
    assert choice.forecast is not None
    assert choice.forecast.source == "open-meteo"


def test_gaps_at_the_end_do_not_reach() -> None:
    air = np.full((1, 120), 260.0)
    air[0, 10:] = np.nan
    assert freshness(Forecast("nws", NOW, NOW, NOW.replace(minute=0), air), NOW)[0] == "old"
