"""Which source is asked, what is done when it fails, and when it is asked again."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import TypeVar

import numpy as np
import pytest

from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.service import pull as pulls
from monitor.service.board import Board
from monitor.service.callout import Callouts
from monitor.service.clock import FastClock, SteppedClock
from monitor.service.pull import Pull
from monitor.weather import WeatherError

T = TypeVar("T")
START = datetime(2031, 1, 5, 14, 0, tzinfo=UTC)
SITE = Site(
    "Test yard", 45.0, -90.0, "America/Chicago", (), (),
    weather=(WeatherSource("nws"), WeatherSource("open-meteo"), WeatherSource("open-meteo", base_url="http://b")),
)  # fmt: skip


def forecast(source: str, hours: int = 120, age_h: float = 0.0) -> Forecast:
    issued = START - timedelta(hours=age_h)
    return Forecast(source, issued, START, START, np.full((1, hours), 260.0))


class Outside:
    """Answers by kind of source, as the test says."""

    def __init__(self) -> None:
        self.answers: dict[str, Callable[[], Forecast]] = {}
        self.asked: list[str] = []
        self.kept: list[Forecast] = []
        self.clock = SteppedClock(START)
        self.board = Board(self.clock, lambda _: None)
        self.pull = Pull(self.clock, self.board, Callouts(), self.fetch, self.keep)

    def fetch(self, source: WeatherSource, site: Site) -> Forecast:
        name = source.base_url or source.kind
        self.asked.append(name)
        return self.answers[name]()

    async def keep(self, made: Forecast) -> None:
        self.kept.append(made)


def failing(kind: str, message: str, retry_after_s: float | None = None) -> Callable[[], Forecast]:
    def answer() -> Forecast:
        raise WeatherError(kind, message, retry_after_s)  # type: ignore[arg-type]

    return answer


@pytest.mark.parametrize(("hours", "age_h"), [(24, 0.0), (120, 20.0)])
async def test_an_answer_too_short_or_too_old_does_not_keep_the_next_source_from_being_asked(
    hours: int, age_h: float
) -> None:
    outside = Outside()
    outside.answers = {"nws": lambda: forecast("nws", hours, age_h), "open-meteo": lambda: forecast("open-meteo")}
    found, again = await outside.pull.round(SITE)
    assert (outside.asked, again) == (["nws", "open-meteo"], None)
    assert found is not None
    assert found.source == "open-meteo"
    assert [f.source for f in outside.kept] == ["nws", "open-meteo"]


async def test_the_first_that_answers_is_enough() -> None:
    outside = Outside()
    outside.answers["nws"] = lambda: forecast("nws")
    got, again = await outside.pull.round(SITE)
    assert got is not None
    assert (got.source, again) == ("nws", None)
    assert outside.asked == ["nws"]
    assert [f.source for f in outside.kept] == ["nws"]
    assert outside.board.all()["nws"].working


async def test_a_clock_that_runs_is_no_reason_not_to_ask() -> None:
    clock = FastClock(START, 1e6)
    asked: list[str] = []

    def fetch(source: WeatherSource, site: Site) -> Forecast:
        asked.append(source.kind)
        return forecast(source.kind)

    async def keep(made: Forecast) -> None:
        pass

    got, _ = await Pull(clock, Board(clock, lambda _: None), Callouts(), fetch, keep).round(SITE)
    assert got is not None
    assert asked == ["nws"]


async def test_the_next_is_asked_where_one_fails_and_each_says_why() -> None:
    outside = Outside()
    outside.answers["nws"] = failing("permanent", "outside coverage")
    outside.answers["open-meteo"] = failing("temporary", "HTTP 500")
    outside.answers["http://b"] = lambda: forecast("open-meteo")
    got, again = await outside.pull.round(SITE)
    assert got is not None
    assert again is None
    board = outside.board.all()
    assert (board["nws"].error, board["nws"].permanent) == ("outside coverage", True)
    assert (board["open-meteo"].error, board["open-meteo"].permanent) == ("HTTP 500", False)
    assert board["open-meteo 2"].working


async def test_when_all_fail_it_tries_again_with_growing_waits() -> None:
    outside = Outside()
    for name in ("nws", "open-meteo", "http://b"):
        outside.answers[name] = failing("temporary", "no network")
    waits = []
    for _ in range(6):
        got, again = await outside.pull.round(SITE)
        assert got is None
        assert again is not None
        waits.append((again - outside.clock.now()).total_seconds())
    assert waits == [300.0, 600.0, 1200.0, 1800.0, 1800.0, 1800.0]
    outside.answers["nws"] = lambda: forecast("nws")
    assert (await outside.pull.round(SITE))[0] is not None
    outside.answers["nws"] = failing("temporary", "no network")
    assert (await outside.pull.round(SITE))[1] == outside.clock.now() + timedelta(seconds=300)


async def test_a_source_that_asked_to_be_left_alone_is() -> None:
    outside = Outside()
    outside.answers["nws"] = failing("throttled", "HTTP 429", 7200.0)
    outside.answers["open-meteo"] = lambda: forecast("open-meteo")
    await outside.pull.round(SITE)
    outside.clock.set(START + timedelta(hours=1))
    await outside.pull.round(SITE)
    assert outside.asked == ["nws", "open-meteo", "open-meteo"]
    outside.clock.set(START + timedelta(hours=2))
    await outside.pull.round(SITE)
    assert outside.asked[-2:] == ["nws", "open-meteo"]


class Impatient(Callouts):
    """Gives up soon on the source that hangs, and on no other."""

    async def call(self, name: str, function: Callable[[], T], deadline_s: float) -> T:
        assert deadline_s == pulls.DEADLINE_S
        return await super().call(name, function, 0.05 if name == "nws" else deadline_s)


async def test_one_that_hangs_is_left_behind() -> None:
    outside = Outside()
    outside.pull = Pull(outside.clock, outside.board, Impatient(), outside.fetch, outside.keep)
    release = threading.Event()

    def hang() -> Forecast:
        release.wait()
        return forecast("nws")

    outside.answers["nws"] = hang
    outside.answers["open-meteo"] = lambda: forecast("open-meteo")
    for _ in range(2):
        got, _again = await outside.pull.round(SITE)
        assert got is not None
        assert got.source == "open-meteo"
    assert outside.asked.count("nws") == 1
    assert "has not come back" in outside.board.all()["nws"].error
    release.set()


async def test_an_adapter_with_a_fault_is_named_and_passed_over(caplog: pytest.LogCaptureFixture) -> None:
    outside = Outside()
    kept: dict[str, Forecast] = {}
    outside.answers["nws"] = lambda: kept["x"]
    outside.answers["open-meteo"] = lambda: forecast("open-meteo")
    assert (await outside.pull.round(SITE))[0] is not None
    assert outside.board.all()["nws"].error == "KeyError: 'x'"
    assert "forecast source nws" in caplog.text


async def test_a_site_without_sources_asks_nobody() -> None:
    outside = Outside()
    assert await outside.pull.round(Site("x", 0, 0, "UTC", (), ())) == (None, None)
