"""Liquid at rest: the lag behind the air, its history, gaps, cylinders that share a temperature or do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from monitor import physics
from monitor.model.site import Gas
from monitor.physics import shell
from tests.physics.sites import cylinder, site
from tests.reference import oracle

PAIR = site(cylinder("40", "A"), cylinder("20", "B"), basis="floor")
CHARGE = np.array([9.0, 4.0])


def air_series(hours: int) -> np.ndarray:
    rng = np.random.default_rng(8)
    return 268.0 + 6.0 * np.sin(np.arange(hours) * np.pi / 12) + np.cumsum(rng.normal(0, 0.4, hours))


def test_lag_matches_integration_with_coolprop() -> None:
    air_k = air_series(72)
    rest = physics.rest_k(physics.Plant.of(PAIR), CHARGE, physics.Air(air_k), start_k=275.0)
    shells = [oracle.shell_of(c.water_capacity_kg, c.outside_diameter_m, c.tare_kg, 0.003, "vertical")
              for c in PAIR.cylinders]  # fmt: skip
    t = 275.0
    for hour in range(72):
        assert float(rest[hour]) == pytest.approx(t, abs=0.02)

        def slope(_time: float, y: np.ndarray, outside: float = float(air_k[hour])) -> list[float]:
            s = oracle.sat(float(y[0]))
            gain = sum(11.9 * o.effective_at(m / s.rho) * (outside - y[0]) for o, m in zip(shells, CHARGE, strict=True))
            steel = sum(c.tare_kg for c in PAIR.cylinders) * 470.0
            return [gain / (float(CHARGE.sum()) * s.c + steel)]

        t = float(solve_ivp(slope, (0, 3600), [t], rtol=1e-8).y[0, -1])


def test_without_history_it_starts_at_the_outside() -> None:
    plant = physics.Plant.of(PAIR)
    air = physics.Air(air_series(5))
    assert float(physics.rest_k(plant, CHARGE, air)[0]) == pytest.approx(float(np.asarray(air.air_k)[0]))
    clear = physics.Air(air_series(5), 0.0, 1.0)
    cold = physics.rest_k(plant, CHARGE, clear, basis="weather")
    assert float(cold[0]) < float(np.asarray(air.air_k)[0])


def test_history_is_what_came_before() -> None:
    plant = physics.Plant.of(PAIR)
    air_k = air_series(60)
    whole = physics.rest_k(plant, CHARGE, physics.Air(air_k))
    later = physics.rest_k(plant, CHARGE, physics.Air(air_k[48:]), history_air_k=air_k[:48])
    assert later == pytest.approx(whole[48:], abs=1e-6)


def test_a_short_gap_is_bridged_and_a_long_one_starts_anew() -> None:
    plant = physics.Plant.of(PAIR)
    air_k = np.full(20, 270.0)
    air_k[:4] = 285.0
    short, long = air_k.copy(), air_k.copy()
    short[4:6] = np.nan
    long[4:9] = np.nan
    rest = physics.rest_k(plant, CHARGE, physics.Air(short), start_k=285.0)
    assert np.isnan(rest[4:6]).all()
    assert float(rest[6]) == pytest.approx(285.0)
    anew = physics.rest_k(plant, CHARGE, physics.Air(long), start_k=285.0)
    assert np.isnan(anew[4:9]).all()
    assert float(anew[9]) == pytest.approx(270.0)
    holds = physics.hold(plant, CHARGE, physics.Air(short), rest, 19e3)
    assert np.isnan(holds.hold_s[:6]).all() or (holds.ends[:4] >= 0).any()
    assert np.isfinite(holds.hold_s[6:]).all()


def test_shapes_say_who_shares_a_temperature() -> None:
    air = physics.Air(np.stack([air_series(24), air_series(24) - 2]))
    a, b = PAIR.cylinders
    for built, apart in (
        (PAIR, False),
        (site(a, b, check_valves=True), True),
        (site(replace(a, gas=Gas(0.9, 0.1)), b), True),
        (site(a, replace(b, side="reserve"), feed="changeover"), True),
    ):
        plant = physics.Plant.of(built)
        rest = physics.rest_k(plant, CHARGE, air)
        assert rest.shape == ((2, 24, 2) if apart else (2, 24))
        assert plant.shares_temperature is not apart
        assert physics.hold(plant, CHARGE, air, rest, 19e3).hold_s.shape == (2, 24)


def test_more_liquid_lags_more() -> None:
    plant = physics.Plant.of(site(cylinder("40")))
    air = physics.Air(np.where(np.arange(24) < 6, 280.0, 260.0))
    little, much = (physics.rest_k(plant, np.array([m]), air) for m in (3.0, 17.0))
    assert (much[8:14] > little[8:14]).all()


def test_an_empty_cylinder_follows_the_air() -> None:
    plant = physics.Plant.of(site(cylinder("40")))
    air_k = air_series(6)
    rest = physics.rest_k(plant, np.array([0.0]), physics.Air(air_k))
    assert rest[1:] == pytest.approx(air_k[:-1])
    assert float(shell.effective_m2(cylinder("40"), 0.0, 270.0)) == 0.0
