"""Property correlations against the reference equations of state, as CoolProp carries them."""

from __future__ import annotations

import CoolProp.CoolProp as CP
import numpy as np
import pytest

from monitor.physics import coefficients, fluid
from tests.reference import make_fluid

T = np.linspace(203.0, 333.0, 261)


@pytest.mark.parametrize("name", list(make_fluid.NAMES))
def test_properties_match_coolprop(name: str) -> None:
    """Lemmon, McLinden, Wagner 2009 (propane) and its like for the others; bounds are those of the design."""
    one = getattr(coefficients, name.upper())
    truth = make_fluid.saturated(name, T)
    for key, function, bound in (
        ("pressure", fluid.pressure_pa, 2e-4),
        ("density", fluid.density_kg_m3, 5e-4),
        ("latent", fluid.latent_j_kg, 3e-4),
        ("heat", fluid.heat_capacity_j_kgk, 1e-3),
        ("sound", fluid.sound_speed_m_s, 2e-3),
    ):
        worst = np.abs(function(T, one) / truth[key] - 1.0).max()
        assert worst <= bound, (key, worst)
        if name == "propane":
            assert worst <= bound / 5.0, (key, worst)  # what the hold time's accuracy rests on


def test_the_coefficients_are_what_the_generator_writes() -> None:
    fresh: dict[str, object] = {}
    exec(compile(make_fluid.render(), "coefficients", "exec"), fresh)
    for name in ("PROPANE", "N_BUTANE", "ISOBUTANE", "PROPYLENE"):
        for was, now in zip(getattr(coefficients, name), fresh[name], strict=True):  # type: ignore[call-overload]
            # the last digits of a least-squares solution move with the linear algebra library
            assert now == pytest.approx(was, rel=1e-5), name


def test_temperature_is_the_inverse_of_pressure() -> None:
    assert fluid.temperature_k(fluid.pressure_pa(T)) == pytest.approx(T, abs=1e-9)
    assert fluid.temperature_k(101_325.0) == pytest.approx(CP.PropsSI("T", "P", 101_325, "Q", 0, "Propane"), abs=1e-3)


def test_slope_is_the_derivative() -> None:
    step = 1e-3
    numeric = (fluid.pressure_pa(T + step) - fluid.pressure_pa(T - step)) / (2 * step)
    assert fluid.pressure_slope_pa_k(T) == pytest.approx(numeric, rel=1e-6)


def test_air_matches_coolprop() -> None:
    """Lemmon and Jacobsen 2004, dry air at 1 atm."""
    for t in np.linspace(225.0, 320.0, 20):
        k, mu = (CP.PropsSI(key, "T", float(t), "P", 101_325, "Air") for key in "LV")
        assert float(fluid.air_conductivity_w_mk(t)) == pytest.approx(k, rel=1e-3)
        assert float(fluid.air_viscosity_pa_s(t)) == pytest.approx(mu, rel=1e-3)
        cp = CP.PropsSI("C", "T", float(t), "P", 101_325, "Air")
        assert float(fluid.air_prandtl(t)) == pytest.approx(cp * mu / k, rel=2e-3)


def test_out_of_range_and_missing_give_nan() -> None:
    for function in (fluid.pressure_pa, fluid.density_kg_m3, fluid.latent_j_kg, fluid.sound_speed_m_s):
        assert np.isnan(function([np.nan, 100.0, 400.0])).all()
    assert np.isnan(fluid.temperature_k([np.nan, -5.0, 0.0, 1e9])).all()


def test_heating_value_is_that_of_published_tables() -> None:
    """21,548 Btu/lb: NFPA 58 table of properties; 91,502 Btu/gal and 4.2 lb/gal at 60 degF there agree to 1.2 %.

    The gross heats of combustion in `chemicals` (CRC, ideal gas, 25 degC) lie within 1.2 %: commercial gas is not pure.
    """
    from chemicals import combustion

    assert pytest.approx(50.12e6, rel=1e-3) == fluid.HEATING_VALUE_J_KG
    assert pytest.approx(91_502, rel=0.012) == fluid.HEATING_VALUE_J_KG / 2326.0 * 4.2
    formulas = ({"C": 3, "H": 8}, {"C": 4, "H": 10}, {"C": 4, "H": 10}, {"C": 3, "H": 6})
    formation = (-104_680.0, -125_790.0, -134_990.0, 20_000.0)  # J/mol, gas, 298 K: CRC Handbook
    for i, (atoms, hf) in enumerate(zip(formulas, formation, strict=True)):
        gross = -combustion.HHV_stoichiometry(combustion.combustion_stoichiometry(atoms), Hf=hf)
        assert fluid.HEATING_VALUES_J_KG[i] == pytest.approx(-abs(gross) / -fluid.MOLAR_KG_MOL[i], rel=0.012)
