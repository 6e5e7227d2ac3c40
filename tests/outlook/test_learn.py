"""Learning a yard: bias and scale found again, nothing learnt from nothing, a bad thermometer left out."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.model.forecast import Forecast
from monitor.outlook import air, cases, learn
from monitor.outlook.cases import Measured
from tests.outlook.test_air import site

Series = NDArray[np.float64]
START = datetime(2026, 1, 1, 18, tzinfo=UTC)
SITE = site()


def course(hours: int) -> Series:
    k = np.arange(hours, dtype=np.float64)
    return 265.0 + 4.0 * np.sin((k - 3) * np.pi / 12.0) + 5.0 * np.sin(k / 70.0)


def world(
    days: int, bias_k: float, scale: float = 0.0, dawn_k: float = 0.0, spread: bool = False, seed: int = 1
) -> tuple[list[Forecast], Measured]:
    """Forecasts at noon of each day, `bias_k` too warm and `dawn_k` more from 03 to 09 local, and what was measured."""
    rng = np.random.default_rng(seed)
    total = (days + 11) * 24
    yard = course(total)
    zone = ZoneInfo(SITE.timezone)
    local = np.array([(START + timedelta(hours=k)).astimezone(zone).hour for k in range(total)])
    said = yard + bias_k + dawn_k * ((local >= 3) & (local < 9))
    made = []
    for day in range(days):
        night = rng.standard_t(5, 12) * np.sqrt(0.6) * scale
        hours = slice(day * 24, day * 24 + 240)
        sigma = np.array(air.SIGMA_K)[np.arange(240) // 24]
        at = START + timedelta(days=day)
        values = said[hours] + night[(np.arange(240) + 6) // 24] * sigma
        made.append(Forecast("x", at, at, at, values[None, :], spread_k=sigma * 0.5 if spread else None))
    return made, Measured(START, yard)


def known(made: list[Forecast], measured: Measured, days: int) -> learn.Learnt:
    now = START + timedelta(days=days)
    found = cases.gather(made, measured, SITE)
    return learn.fit(found, int(now.timestamp() // 3600), now.astimezone(ZoneInfo(SITE.timezone)).date().toordinal())


def test_nothing_teaches_nothing() -> None:
    learnt = learn.fit(learn.Cases.none(), 10**6, 10**5)
    assert learnt == learn.NOTHING or learnt.method == "nothing"
    np.testing.assert_array_equal(learnt.corrected(course(24), np.arange(24.0), np.arange(24.0)), course(24))
    assert learnt.words("us") == ""


@pytest.mark.parametrize("bias", [-4.0, 2.1])
def test_a_steady_bias_is_found_more_surely_night_by_night(bias: float) -> None:
    made, measured = world(60, bias)
    off, unsure = [], []
    for days in (1, 3, 10, 28, 45):
        learnt = known(made, measured, days)
        off.append(abs(learnt.dawn_bias_k - bias))
        unsure.append(learnt.unsure_k)
        assert learnt.method == ("calibrated" if days > 30 else "bias")
    assert off == sorted(off, reverse=True)
    assert unsure == sorted(unsure, reverse=True)
    assert off[2] < 0.35 * abs(bias)
    assert off[-1] < 0.1


def test_only_what_was_known_by_then_counts() -> None:
    made, measured = world(40, 2.0)
    early = known(made, measured, 5)
    cut = Measured(measured.start, np.where(np.arange(measured.air_k.size) < 5 * 24, measured.air_k, np.nan))
    np.testing.assert_allclose(known(made, cut, 5).part_bias_k, early.part_bias_k)


def test_dawn_is_learnt_apart_from_the_day() -> None:
    made, measured = world(60, 0.0, dawn_k=3.0)
    learnt = known(made, measured, 60)
    assert learnt.dawn_bias_k == pytest.approx(3.0, abs=0.5)
    assert abs(learnt.part_bias_k[4]) < 0.6
    raw = made[-1]
    fixed = air.prepare(raw, SITE, learnt=learnt).air_k.mean(axis=0)
    seen = measured.at(raw.start, 48)
    zone = ZoneInfo(SITE.timezone)
    dawn = np.array([4 <= t.astimezone(zone).hour < 8 for t in raw.times()[:48]])
    assert abs((fixed[:48] - seen)[dawn].mean()) < 0.7
    assert (raw.air_k[0, :48] - seen)[dawn].mean() == pytest.approx(3.0)


@pytest.mark.parametrize("scale", [0.6, 1.0, 1.6])
def test_the_size_of_errors_is_learnt(scale: float) -> None:
    found = []
    for seed in range(4):
        made, measured = world(90, -1.0, scale, seed=seed)
        found.append(known(made, measured, 90).scale[0] / learn.WIDEN)
    assert np.mean(found) == pytest.approx(scale, rel=0.15)


def test_below_thirty_nights_only_the_bias_is_taken_off() -> None:
    made, measured = world(40, 1.0, 0.5)
    learnt = known(made, measured, 20)
    assert learnt.method == "bias"
    np.testing.assert_array_equal(learnt.scale, np.ones(air.LEADS))
    assert learnt.slope == 1.0


def test_a_wild_night_does_not_carry_it_away() -> None:
    made, measured = world(60, 1.0, 0.3)
    before = known(made, measured, 60).dawn_bias_k
    wild = measured.air_k.copy()
    wild[50 * 24 : 51 * 24] -= 12.0  # below what counts as a fault of the thermometer
    after = known(made, Measured(measured.start, wild), 60).dawn_bias_k
    assert abs(after - before) < 0.35


def test_words() -> None:
    made, measured = world(60, 2.1)
    learnt = known(made, measured, 45)
    assert learnt.words("metric").startswith("this yard runs 2.1 °C colder than forecast at dawn (learnt from")
    assert "3.8 °F colder" in learnt.words("us")
    same = replace(learnt, part_bias_k=np.zeros(learn.PARTS), lead_bias_k=np.zeros(air.LEADS))
    assert "runs as forecast" in same.words("us")


def test_the_spread_of_an_ensemble_is_weighed() -> None:
    made, measured = world(50, 0.5, 1.0, spread=True)
    learnt = known(made, measured, 50)
    assert learnt.spread_weight in learn.SPREAD_WEIGHTS
    assert learnt.sigma_k(np.full(3, 2.0), np.full(3, 1.0), np.array([12.0, 36.0, 60.0])) == pytest.approx(2.0, rel=0.5)


def test_it_survives_the_store() -> None:
    made, measured = world(40, 2.0, 0.5)
    learnt = known(made, measured, 40)
    again = learn.Learnt.from_plain(json.loads(json.dumps(learnt.plain())))
    np.testing.assert_array_equal(again.part_bias_k, learnt.part_bias_k)
    assert again.words("us") == learnt.words("us")
    for bad in ({}, {**learnt.plain(), "scale": [1.0]}, {**learnt.plain(), "scale": [float("nan")] * 10}):
        with pytest.raises((KeyError, ValueError)):
            learn.Learnt.from_plain(bad)


def test_hourly_pulls_are_one_forecast_a_day() -> None:
    made, _ = world(5, 0.0)
    more = [
        replace(f, issued=f.issued + timedelta(hours=h), source=s) for f in made for h in range(4) for s in ("x", "y")
    ]
    assert len(cases.one_a_day(more, SITE.timezone)) == 10


def test_readings_are_taken_about_the_hour() -> None:
    times = [START + timedelta(minutes=m) for m in (-20, 0, 20, 40, 55)]
    measured = Measured.of(times, [1.0, 2.0, 3.0, 10.0, 20.0])
    assert measured is not None
    np.testing.assert_allclose(measured.air_k, [2.0, 15.0])
    assert Measured.of([], []) is None
    assert Measured.of([START], [float("nan")]) is None


@pytest.mark.parametrize("fault", ["stuck", "wild", "indoors", "none"])
def test_a_bad_thermometer_is_left_out(fault: str) -> None:
    made, measured = world(40, 0.0)
    values = measured.air_k.copy()
    bad_days = slice(20 * 24, 30 * 24)
    if fault == "stuck":
        values[bad_days] = values[20 * 24]
    elif fault == "wild":
        values[bad_days] += 40.0
    elif fault == "indoors":
        values[bad_days] = 280.0 + 0.1 * np.sin(np.arange(240))
    guide = cases.first_day(made, measured)
    bad, reason = cases.suspect(Measured(measured.start, values), guide)
    if fault == "none":
        assert not bad.any()
        assert reason == ""
        return
    assert bad[bad_days].mean() > 0.6
    assert bad[: 19 * 24].sum() == 0
    assert {"stuck": "stuck", "wild": "wildly", "indoors": "indoors"}[fault] in reason
    learnt = known(made, Measured(measured.start, values), 40)
    assert abs(learnt.dawn_bias_k) < 0.4


def test_a_month_of_nights_at_another_place_is_forgotten() -> None:
    """A sensor moved to a colder corner is followed within weeks."""
    made, measured = world(110, 0.0)
    moved = measured.air_k.copy()
    moved[50 * 24 :] -= 3.0
    learnt = known(made, Measured(measured.start, moved), 110)
    assert learnt.dawn_bias_k == pytest.approx(3.0, abs=0.9)


def test_clock_changes_do_not_disturb_it() -> None:
    made, measured = world(20, 1.0)
    shift = datetime(2026, 2, 26, 18, tzinfo=UTC) - START
    moved = [replace(f, start=f.start + shift, issued=f.issued + shift) for f in made]
    found = cases.gather(moved, Measured(START + shift, measured.air_k), SITE)
    assert np.allclose(found.forecast_k - found.observed_k, 1.0)
    assert set(np.unique(found.part)) == set(range(learn.PARTS))
