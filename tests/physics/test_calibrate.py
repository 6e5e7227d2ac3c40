"""The site's own film factor: found from noisy draws, refused where they do not tell enough."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor import physics
from monitor.model.site import Gas
from monitor.physics import calibrate, fluid
from monitor.physics.meal import Burn, planned
from tests.physics.sites import cylinder, site

SITE = site(cylinder("40", "A"), cylinder("40", "B"), basis="weather")


def draws(factor: float, count: int, seed: int, noise_k: float = 0.3, long_s: float = 5400.0) -> list[calibrate.Draw]:
    """Draws of a site whose real film is `factor` times the model's, with noise on every reading."""
    rng = np.random.default_rng(seed)
    real = physics.Plant.of(SITE, physics.Calibration(factor, 0.0))
    out = []
    for _ in range(count):
        air_k = float(rng.uniform(258, 280))
        air = physics.Air(np.full(3, air_k), float(rng.uniform(0, 4)), float(rng.uniform(0, 1)))
        charge = rng.uniform(0.3, 0.9) * real.full_kg
        done = planned(real, charge, air, [Burn(0.0, long_s, 19e3)], sample_s=300.0)
        keep = done.times_s <= long_s
        t = done.liquid_k[keep, 0] + rng.normal(0, noise_k, keep.sum())
        weighed = done.left_kg[keep] + rng.normal(0, 0.05, (keep.sum(), 2)) / np.sqrt(2)
        seen = physics.Air(air_k + rng.normal(0, 0.5, keep.sum()), air.wind_m_s, air.sky)
        out.append(calibrate.Draw(done.times_s[keep], t, weighed, seen, noise_k, 0.1, 1.0))
    return out


@pytest.mark.parametrize("factor", [0.7, 1.0, 1.4])
def test_the_factor_is_found_within_its_uncertainty(factor: float) -> None:
    plant = physics.Plant.of(SITE)
    verdict = calibrate.film_factor(plant, draws(factor, 24, seed=int(100 * factor), long_s=9000.0))
    assert verdict.calibration is not None, verdict.reason
    assert verdict.factor is not None
    assert verdict.sd is not None
    assert verdict.factor == pytest.approx(factor, abs=2.5 * verdict.sd)
    assert verdict.calibration.used < verdict.factor


def test_too_few_or_too_noisy_draws_change_nothing() -> None:
    plant = physics.Plant.of(SITE)
    assert calibrate.film_factor(plant, []).calibration is None
    few = calibrate.film_factor(plant, draws(1.0, 3, seed=1))
    assert few.calibration is None
    assert "5 are needed" in few.reason
    noisy = calibrate.film_factor(plant, draws(1.0, 6, seed=2, noise_k=6.0, long_s=1500.0))
    assert noisy.calibration is None


def test_draws_that_disagree_are_not_well_determined() -> None:
    plant = physics.Plant.of(SITE)
    mixed = [d for f, s in ((0.5, 5), (1.0, 6), (1.6, 7)) for d in draws(f, 2, seed=s)]
    verdict = calibrate.film_factor(plant, mixed)
    assert verdict.calibration is None
    assert "10 % is needed" in verdict.reason


def test_one_wild_draw_is_left_out() -> None:
    plant = physics.Plant.of(SITE)
    good = draws(0.9, 12, seed=9)
    wild = replace(good[0], liquid_k=good[0].liquid_k + np.linspace(0.0, 25.0, good[0].liquid_k.size))
    alone, with_wild = (calibrate.film_factor(plant, d) for d in (good[1:], [wild, *good[1:]]))
    assert alone.factor is not None
    assert with_wild.factor == pytest.approx(alone.factor, rel=0.03)


def test_a_factor_that_cannot_be_is_a_sensor_gone_wrong() -> None:
    plant = physics.Plant.of(SITE)
    wrong = [replace(d, charge_kg=d.charge_kg[0] + 8.0 * (d.charge_kg - d.charge_kg[0])) for d in draws(1.0, 8, seed=4)]
    verdict = calibrate.film_factor(plant, wrong)
    assert verdict.calibration is None


def test_pressure_tells_the_liquids_temperature() -> None:
    plant = physics.Plant.of(SITE)
    t = np.array([250.0, 265.0, 280.0])
    gauge = fluid.pressure_pa(t) - plant.air_pressure_pa
    assert calibrate.liquid_from_pressure_k(plant, gauge) == pytest.approx(t, abs=1e-6)


def test_blends_are_not_calibrated() -> None:
    blend = site(cylinder("40", "A", gas=Gas(0.8, 0.2)))
    verdict = calibrate.film_factor(physics.Plant.of(blend), draws(1.0, 1, seed=3))
    assert verdict.calibration is None
    assert "blend" in verdict.reason
