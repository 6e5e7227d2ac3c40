"""What the members say together: bands, the odds of nights and of the week, the coldest night ahead."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from monitor import outlook
from monitor.model.forecast import Forecast
from monitor.model.outlook import Outlook
from monitor.model.reading import Level
from monitor.outlook import air, bands
from tests.physics.sites import cylinder, site

AT = datetime(2026, 1, 5, 18, tzinfo=UTC)
SITE = site(cylinder("40", "A"), cylinder("40", "B"))


def test_quantiles_of_equally_likely_members() -> None:
    """Against NumPy's own of that definition (method "hazen": member k stands at (k + 0.5) / m), gaps left out."""
    rng = np.random.default_rng(2)
    values = rng.normal(size=(41, 30))
    np.testing.assert_allclose(bands.quantiles(values), np.quantile(values, [0.1, 0.5, 0.9], axis=0, method="hazen"))
    values[5:9, 3] = np.nan
    values[:, 4] = np.nan
    found = bands.quantiles(values)
    there = values[np.isfinite(values[:, 3]), 3]
    np.testing.assert_allclose(found[:, 3], np.quantile(there, [0.1, 0.5, 0.9], method="hazen"))
    assert np.isnan(found[:, 4]).all()
    assert bands.band(values[:, 4]) is None
    assert bands.by_hour(values)[4] is None


def made(share: float = 0.3, middle_k: float = 258.0, hours: int = 240, gap: slice | None = None) -> Outlook:
    base = middle_k + 5.0 * np.sin((np.arange(hours) + 3.0) * np.pi / 12.0)
    base[30:54] -= 4.0  # the second night is the coldest
    if gap is not None:
        base[gap] = np.nan
    plain = Forecast("x", AT, AT, AT, base[None, :])
    levels = [Level(c.name, AT, share * c.full_kg, 0.2, 0.0, 0.0, AT, "weighed") for c in SITE.cylinders]
    return outlook.make(SITE, air.prepare(plain, SITE), levels, AT)


def test_bands_hold_the_middle_and_are_in_order() -> None:
    answer = made()
    for hour in answer.hours:
        assert hour.air_band_k is not None
        assert hour.capacity_band_w is not None
        assert hour.hold_band_s is not None
        assert hour.air_band_k.p10 < hour.air_band_k.p50 < hour.air_band_k.p90
        width = hour.air_band_k.p90 - hour.air_band_k.p10
        assert hour.air_band_k.p50 == pytest.approx(hour.air_k or 0.0, abs=0.1 * width)
        assert hour.capacity_band_w.p10 <= hour.capacity_band_w.p50 <= hour.capacity_band_w.p90
        assert hour.hold_band_s.p10 <= hour.hold_band_s.p50 <= hour.hold_band_s.p90


def test_nights() -> None:
    answer = made()
    assert len(answer.nights) == 10
    by_hour = {h.time: h.probability_uncovered or 0.0 for h in answer.hours}
    for night in answer.nights:
        mine = [p for t, p in by_hour.items() if night.start <= t < night.end]
        assert night.probability >= max(mine) - 1e-9  # joint: at least its worst hour, at most their sum
        assert night.probability <= sum(mine) + 1e-9
        assert night.coldest_k is not None
        assert night.missing == 0
    assert 0.0 < answer.nights[1].probability <= 1.0
    cold = bands.coldest(answer.nights)
    assert cold is not None
    assert cold.start == AT.replace(hour=0) + timedelta(days=2)  # 18:00 in Chicago on the second evening


def test_the_week_is_at_least_its_worst_night() -> None:
    answer = made(share=0.45)
    assert answer.probability_week is not None
    assert answer.probability_week >= max(n.probability for n in answer.nights[:7]) - 1e-9
    assert answer.probability_week <= 1.0
    assert made(hours=100).probability_week is None


def test_more_fuel_is_never_worse() -> None:
    odds = [[n.probability for n in made(share=s).nights] for s in (0.2, 0.4, 0.7)]
    for fuller, emptier in ((1, 0), (2, 1)):
        assert all(a <= b + 1e-9 for a, b in zip(odds[fuller], odds[emptier], strict=True))


def test_gaps_are_told() -> None:
    answer = made(gap=slice(60, 70))
    assert sum(n.missing for n in answer.nights) > 0
    assert answer.hours[65].air_band_k is None
    assert answer.hours[65].probability_uncovered is None


def test_without_members_there_are_no_odds() -> None:
    plain = Forecast("x", AT, AT, AT, np.full((1, 48), 258.0))
    levels = [Level(c.name, AT, 5.0, 0.2, 0.0, 0.0, AT, "weighed") for c in SITE.cylinders]
    answer = outlook.make(SITE, plain, levels, AT)
    assert answer.nights == ()
    assert answer.probability_week is None
    assert answer.hours[0].hold_band_s is None


def test_as_json() -> None:
    text = json.dumps(outlook.jsonable(made(), SITE), allow_nan=False)
    plain = json.loads(text)
    assert set(plain["hours"][0]["hold_band_s"]) == {"p10", "p50", "p90"}
    assert len(plain["nights"]) == 10
    assert plain["coldest_night"] == plain["nights"][1]
    assert 0.0 <= plain["probability_week"] <= 1.0
    assert -40.0 < plain["hours"][0]["air_band_c"]["p50"] < 0.0


@pytest.mark.parametrize("zone", ["Pacific/Auckland", "Arctic/Longyearbyen", "America/Chicago"])
def test_a_night_across_a_change_of_clocks(zone: str) -> None:
    there = replace(SITE, timezone=zone)
    start = datetime(2026, 3, 28, 12, tzinfo=UTC)
    plain = Forecast("x", start, start, start, np.full((1, 240), 258.0))
    levels = [Level(c.name, start, 5.0, 0.2, 0.0, 0.0, start, "weighed") for c in there.cylinders]
    answer = outlook.make(there, air.prepare(plain, there), levels, start)
    lengths = [(n.end - n.start) / timedelta(hours=1) for n in answer.nights[1:-1]]
    assert set(lengths) <= {15.0, 16.0, 17.0}
    assert lengths.count(16.0) >= len(lengths) - 1
