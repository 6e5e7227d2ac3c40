"""Members: their spread, their order, their coherence through a night, and everything that must stay as it is."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from monitor.model.forecast import Forecast
from monitor.model.site import Appliance, Cylinder, Site
from monitor.outlook import air

AT = datetime(2026, 1, 5, 18, tzinfo=UTC)


def site(latitude: float = 44.0, zone: str = "America/Chicago", elevation_m: float = 0.0) -> Site:
    return Site(
        name="Invented",
        latitude=latitude,
        longitude=-93.0,
        timezone=zone,
        cylinders=(Cylinder("A", 43.2, 13.2, 0.3175, 18.1),),
        appliances=(Appliance("Range", 19_050.0, 3600.0),),
        elevation_m=elevation_m,
    )


def forecast(members: int = 1, hours: int = 240, issued: datetime = AT, elevation_m: float | None = None) -> Forecast:
    base = 263.0 + 5.0 * np.sin(np.arange(hours) * np.pi / 12.0)
    off = np.linspace(-1.0, 1.0, members)[:, None] if members > 1 else np.zeros((1, 1))
    return Forecast("x", issued, AT, AT, base + off * np.linspace(0.2, 3.0, hours), elevation_m=elevation_m)


def test_quantiles_of_student() -> None:
    p = np.concatenate([np.linspace(0.0005, 0.9995, 501)])
    np.testing.assert_allclose(air.student_quantile(p), stats.t(4).ppf(p) / np.sqrt(2.0), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("members", [11, 20, 41, 100])
def test_each_day_of_the_draws_is_the_whole_ladder(members: int) -> None:
    fixed = air.draws(members, 12)
    np.testing.assert_allclose(np.sort(fixed, axis=0), np.tile(air.ladder(members)[:, None], (1, 12)))
    np.testing.assert_allclose(fixed.sum(axis=0), 0.0, atol=1e-9)


def test_neighbouring_nights_go_together_and_distant_ones_do_not() -> None:
    rank = np.argsort(np.argsort(air.draws(101, 13), axis=0), axis=0)
    together = np.atleast_2d(np.corrcoef(rank.T))
    near = np.mean([together[d, d + 1] for d in range(12)])
    far = np.mean([together[d, d + 6] for d in range(7)])
    assert near == pytest.approx(0.48, abs=0.12)  # rank correlation of a normal pair with 0.5
    assert abs(far) < 0.2


def test_the_middle_stays_and_the_spread_is_the_default() -> None:
    made = air.prepare(forecast(), site())
    assert made.air_k.shape == (air.MEMBERS, 240)
    np.testing.assert_allclose(made.air_k.mean(axis=0), forecast().air_k[0], atol=1e-9)
    assert made.spread_k is not None
    dawn = [k for k, t in enumerate(made.times()) if t.hour == 12]  # 06 local
    for day, k in enumerate(dawn):
        assert made.spread_k[k] == pytest.approx(np.hypot(air.SIGMA_K[min(day, 9)], 1.0), abs=0.15)
        seen = made.air_k[:, k].std()  # of a finite set of quantiles: the outermost tails are missing
        assert 0.85 * made.spread_k[k] < seen < made.spread_k[k]
    assert (made.source, made.issued, made.credit) == ("x", AT, "")


def test_the_same_facts_give_the_same_members() -> None:
    np.testing.assert_array_equal(air.prepare(forecast(), site()).air_k, air.prepare(forecast(), site()).air_k)


def test_one_error_for_the_whole_night() -> None:
    made = air.prepare(forecast(), site())
    assert made.spread_k is not None
    errors = (made.air_k - forecast().air_k[0]) / made.spread_k
    local = air.local_hours(AT, 240, "America/Chicago")
    for k in range(239):
        if (local[k] >= 18 or local[k] < 10) and (local[k + 1] >= 18 or local[k + 1] < 10):
            np.testing.assert_allclose(errors[:, k], errors[:, k + 1], atol=1e-9)


def test_an_old_forecast_is_less_sure() -> None:
    fresh, old = air.prepare(forecast(), site()), air.prepare(forecast(issued=AT - timedelta(days=3)), site())
    assert fresh.spread_k is not None
    assert old.spread_k is not None
    assert (old.spread_k >= fresh.spread_k - 1e-12).all()
    assert old.spread_k[12] == pytest.approx(np.hypot(2.4, 1.0), abs=0.2)


def test_gaps_stay_gaps() -> None:
    plain = forecast()
    holed = plain.air_k.copy()
    holed[0, 30:40] = np.nan
    made = air.prepare(replace(plain, air_k=holed), site())
    assert np.isnan(made.air_k[:, 30:40]).all()
    assert np.isfinite(np.delete(made.air_k, np.arange(30, 40), axis=1)).all()


@pytest.mark.parametrize("members", [5, 31, 51])
def test_members_of_an_ensemble_keep_their_order(members: int) -> None:
    raw = forecast(members)
    made = air.prepare(raw, site())
    assert made.air_k.shape == (air.MEMBERS, 240)
    np.testing.assert_allclose(made.air_k.mean(axis=0), raw.air_k.mean(axis=0), atol=1e-9)
    if members >= air.MEMBERS:
        chosen = np.linspace(0, members - 1, air.MEMBERS).round().astype(int)
    else:
        chosen = np.arange(air.MEMBERS) % members
    for k in range(48, 240, 12):
        order = stats.spearmanr(raw.air_k[chosen, k], made.air_k[:, k]).statistic
        assert order > 0.97, k


def test_an_ensemble_is_far_too_sure_and_is_widened() -> None:
    raw = forecast(51)
    made = air.prepare(raw, site())
    spread = raw.air_k.std(axis=0)
    assert made.spread_k is not None
    assert (made.spread_k > 1.3 * spread).all()


def test_equal_members_still_get_a_coherent_spread() -> None:
    """At short lead an ensemble's members are equal to a tenth of a degree: rank must not flicker from hour to hour."""
    raw = forecast(51)
    flat = replace(raw, air_k=np.round(np.tile(raw.air_k.mean(axis=0), (51, 1)), 1))
    made = air.prepare(flat, site())
    errors = made.air_k - made.air_k.mean(axis=0)
    step = np.abs(np.diff(errors, axis=1)).mean()
    assert step < 0.15 * errors.std()


def test_height() -> None:
    made = air.prepare(forecast(elevation_m=300.0), site(elevation_m=700.0))
    np.testing.assert_allclose(made.air_k.mean(axis=0), forecast().air_k[0] - 2.6, atol=1e-9)
    assert any("2.6 °C colder for the site's height" in n for n in made.notes)
    unknown = air.prepare(forecast(), site(elevation_m=700.0))
    np.testing.assert_allclose(unknown.air_k.mean(axis=0), forecast().air_k[0], atol=1e-9)


@pytest.mark.parametrize(
    ("latitude", "zone", "start"),
    [
        (44.0, "America/Chicago", datetime(2026, 3, 6, 18, tzinfo=UTC)),
        (44.0, "America/Chicago", datetime(2026, 10, 30, 18, tzinfo=UTC)),
        (-43.0, "Pacific/Auckland", datetime(2026, 7, 1, 2, tzinfo=UTC)),
        (-17.0, "Pacific/Fiji", datetime(2028, 2, 27, 2, tzinfo=UTC)),
        (78.2, "Arctic/Longyearbyen", datetime(2026, 1, 1, 2, tzinfo=UTC)),
        (28.0, "Asia/Kolkata", datetime(2026, 1, 1, 2, tzinfo=UTC)),
    ],
)
def test_anywhere_and_when_clocks_change(latitude: float, zone: str, start: datetime) -> None:
    moved = replace(forecast(), start=start, issued=start, received=start)
    made = air.prepare(moved, site(latitude, zone))
    assert made.start == start
    assert np.isfinite(made.air_k).all()
    np.testing.assert_allclose(made.air_k.mean(axis=0), moved.air_k[0], atol=1e-9)


def _history(days: float, latitude: float = 44.0) -> tuple[list[datetime], list[float]]:
    times = [AT - timedelta(hours=k) for k in range(int(days * 24), 0, -1)]
    return times, [263.0 + 5.0 * np.cos((t.hour - 20) * np.pi / 12.0) for t in times]


def test_without_any_service_the_thermometer_and_the_season_carry_on() -> None:
    times, values = _history(12)
    made = air.from_season(times, values, AT, site())
    assert made is not None
    assert (made.source, made.hours) == ("thermometer", 240)
    middle = made.air_k.mean(axis=0)
    expected = [263.0 + 5.0 * np.cos((t.hour - 20) * np.pi / 12.0) for t in made.times()]
    np.testing.assert_allclose(middle[:24], expected[:24], atol=0.6)
    assert made.spread_k is not None
    assert made.spread_k[200] > 7.5
    assert "no forecast" in made.notes[0]


def test_the_season_turns_by_hemisphere() -> None:
    """In early January it still gets colder in the north, and in early July in the south."""
    for latitude, month in ((60.0, 1), (-60.0, 7)):
        for at, falls in (
            (datetime(2026, month, 2, tzinfo=UTC), True),
            (datetime(2026, (month + 3) % 12, 2, tzinfo=UTC), False),
        ):
            times = [at - timedelta(hours=k) for k in range(240, 0, -1)]
            made = air.from_season(times, [263.0] * 240, at, site(latitude))
            assert made is not None
            assert (made.air_k.mean() < 263.0) == falls


def test_too_little_history_is_none() -> None:
    times, values = _history(0.7)
    assert air.from_season(times, values, AT, site()) is None
    assert air.from_season([], [], AT, site()) is None
    old = [t - timedelta(days=3) for t in _history(12)[0]]
    assert air.from_season(old, _history(12)[1], AT, site()) is None
