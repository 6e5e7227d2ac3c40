"""The weather film: parts against a second reading on CoolProp's air, the cap, and what it does on a calm night."""

from __future__ import annotations

import numpy as np
import pytest

from monitor import physics
from monitor.physics import film, shell
from monitor.physics.plant import outside
from tests.physics.sites import LB, cylinder, fahrenheit, site
from tests.reference import oracle

FORTY = cylinder("40")


@pytest.mark.parametrize("air_k", [245.0, 260.0, 280.0])
@pytest.mark.parametrize("wind", [0.0, 1.0, 5.0, 15.0])
@pytest.mark.parametrize("scale", [1.0, 0.75])
def test_parts_match_a_second_reading(air_k: float, wind: float, scale: float) -> None:
    s = shell.of(FORTY)
    wall, p = 243.5, 101_325.0 * scale
    natural = oracle.natural_at(s.straight_m, air_k, wall, scale)
    assert float(film.natural_w_m2k(s, air_k, wall, p)) == pytest.approx(natural, rel=5e-3)
    forced = oracle.forced_at(FORTY.outside_diameter_m, air_k, wall, wind, scale)
    ours = float(film.forced_w_m2k(FORTY.outside_diameter_m, air_k, wall, wind, p))
    assert ours == pytest.approx(forced, rel=5e-3)


def test_sky_emissivity_of_the_cited_formula() -> None:
    """Berdahl and Martin 1984: 0.711 + 0.56 x + 0.73 x^2 with x = dew point / 100 degC; at 0 degC 0.711."""
    assert float(film.sky_emissivity(273.15, 1.0)) == pytest.approx(0.711)
    assert float(film.sky_emissivity(283.15, 1.0)) == pytest.approx(0.711 + 0.056 + 0.0073)
    assert float(film.sky_emissivity(273.15, 0.0)) == 1.0


def test_radiant_temperature_is_half_sky_half_surroundings() -> None:
    t = float(film.radiant_k(physics.Air(273.15, 0.0, 1.0, 273.15)))
    assert t**4 == pytest.approx(273.15**4 * (1 + 0.711) / 2)
    assert float(film.radiant_k(physics.Air(260.0, 0.0, 0.0))) == pytest.approx(260.0)
    # no humidity: 4 K below the air; no cloud: clear, the cold side
    assert float(film.radiant_k(physics.Air(260.0, 0.0, np.nan, np.nan))) == pytest.approx(
        float(film.radiant_k(physics.Air(260.0, 0.0, 1.0, 256.0)))
    )


def test_weather_never_promises_more_than_floor() -> None:
    plant = physics.Plant.of(site(FORTY, cylinder("100", "B")))
    rng = np.random.default_rng(3)
    n = 4000
    air = physics.Air(
        rng.uniform(230, 315, n), rng.uniform(0, 30, n), rng.uniform(0, 1, n), rng.uniform(225, 300, n),
        rng.uniform(0, 1000, n),
    )  # fmt: skip
    charge = np.array([10.0, 20.0])
    weather = physics.sustained_w(plant, charge, air, "weather")
    floor = physics.sustained_w(plant, charge, air, "floor")
    assert (weather <= floor * (1 + 1e-12) + 1e-9).all()
    assert (physics.film_w_m2k(plant, air, "weather") <= film.CHART_FILM_W_M2K + 1e-12).all()


def test_a_calibrated_site_may_promise_more() -> None:
    built = site(FORTY)
    air = physics.Air(np.array([260.0, 280.0]), 20.0, 0.0)
    plain = physics.sustained_w(physics.Plant.of(built), np.array([10.0]), air, "weather")
    more = physics.Plant.of(built, physics.Calibration(1.5, 0.1))
    assert more.calibration is not None
    assert more.calibration.used == pytest.approx(1.4)
    assert (physics.sustained_w(more, np.array([10.0]), air, "weather") > plain).all()


def test_calm_night_shares_of_floor_and_chart() -> None:
    """Design: still air gives 7-9 W/m2K; on a calm night at 0-20 degF 60-70 % of floor, 30-45 % of the chart."""
    plant = physics.Plant.of(site(FORTY, cylinder("40", "B")))
    air = physics.Air(np.array([fahrenheit(t) for t in (0, 5, 10, 15, 20)]))
    charge = np.array([20 * LB, 20 * LB])
    u = physics.film_w_m2k(plant, air, "weather")
    assert ((u >= 7.0) & (u <= 9.0)).all()
    weather, floor, chart = (physics.sustained_w(plant, charge, air, b) for b in ("weather", "floor", "chart"))
    assert ((weather / floor > 0.58) & (weather / floor < 0.72)).all()
    assert ((weather / chart > 0.29) & (weather / chart < 0.50)).all()
    clear = physics.Air(air.air_k, 0.0, 1.0)
    assert (physics.sustained_w(plant, charge, clear, "weather") < weather).all()


def test_sun_only_where_the_air_itself_would_do() -> None:
    plant = physics.Plant.of(site(FORTY))
    cold = physics.Air(np.array([235.0]), 0.0, 0.0, None, 900.0)
    assert float(physics.sustained_w(plant, np.array([10.0]), cold, "weather")[0]) == 0.0
    shade, sun = (physics.Air(np.array([265.0]), 0.0, 0.0, None, w) for w in (0.0, 600.0))
    more = physics.sustained_w(plant, np.array([10.0]), sun, "weather")
    assert (more > physics.sustained_w(plant, np.array([10.0]), shade, "weather")).all()


def test_lying_tank_has_its_own_correlation() -> None:
    """Churchill and Chu 1975 for a horizontal cylinder: within 10 % of 0.53 Ra^(1/4) k/D ... 0.125 Ra^(1/3) k/D."""
    tank = shell.of(cylinder("100", water_capacity_kg=454.0, outside_diameter_m=0.762, shape="horizontal"))
    h = float(film.natural_w_m2k(tank, 280.0, 260.0))
    near = film._near(np.array(280.0), np.array(260.0), 101_325.0)
    ra = 9.80665 / 270 * 20 * tank.diameter_m**3 * float((near.density / near.viscosity) ** 2 * near.prandtl)
    turbulent = 0.125 * ra ** (1 / 3) * float(near.conductivity) / tank.diameter_m
    assert h == pytest.approx(turbulent, rel=0.1)


def test_film_shapes_follow_the_air() -> None:
    plant = physics.Plant.of(site(FORTY, cylinder("20", "B")))
    air = physics.Air(np.full((3, 5), 260.0), 1.0, np.linspace(0, 1, 5))
    assert physics.film_w_m2k(plant, air, "weather").shape == (3, 5)
    assert outside(plant, air, "weather").outside_k.shape == (2, 3, 5)
    assert float(physics.film_w_m2k(plant, physics.Air(260.0), "chart")) == pytest.approx(11.9)
