"""Saturated propane, and the other parts of a blend: pressure, density, latent heat, heat capacity, sound speed.

Correlations fitted to the reference equations of state (propane: Lemmon, McLinden, Wagner, J. Chem. Eng. Data 54 (2009)
3141) by `tests/reference/make_fluid.py`. Valid 203-333 K; NaN below 150 K, from 360 K up, and where the input is NaN.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics import coefficients as co

Array = NDArray[np.float64]

BTU_LB_J_KG = 2_326.0
HEATING_VALUE_J_KG = 21_548.0 * BTU_LB_J_KG  # gross, after vaporization: NFPA 58, commercial propane
GAS_CONSTANT = 8.314_462_618
COMPONENTS = ("propane", "n_butane", "isobutane", "propylene")
FLUIDS = (co.PROPANE, co.N_BUTANE, co.ISOBUTANE, co.PROPYLENE)
# Gross heats of combustion, J/kg: propane and n-butane from the NFPA 58 table (21,548 and 21,221 Btu/lb), isobutane
# and propylene from ISO 6976 molar values at 15 degC (2,869 and 2,058 kJ/mol; from memory, tested).
HEATING_VALUES_J_KG = np.array([HEATING_VALUE_J_KG, 21_221.0 * BTU_LB_J_KG, 49.37e6, 48.91e6])
MOLAR_KG_MOL = np.array([f.molar_kg_mol for f in FLUIDS])

_LOW_K, _HIGH_K = 150.0, 360.0


def _kelvin(t_k: ArrayLike, fluid: co.Fluid) -> tuple[Array, Array]:
    """Temperature, NaN where no correlation holds, and 1 - T/Tc."""
    t = np.asarray(t_k, dtype=np.float64)
    t = np.where((t >= _LOW_K) & (t < _HIGH_K), t, np.nan)
    return t, 1.0 - t / fluid.critical_k


def _sum(x: Array, coefficients: tuple[float, ...], exponents: tuple[float, ...]) -> Array:
    total = np.zeros_like(x)
    for a, e in zip(coefficients, exponents, strict=True):
        total += a if e == 0.0 else a * x**e
    return total


def pressure_pa(t_k: ArrayLike, fluid: co.Fluid = co.PROPANE) -> Array:
    """Saturation pressure (Pa, absolute) at `t_k` (K). Wagner form in 1 - T/Tc; within 0.002 % of the source."""
    t, x = _kelvin(t_k, fluid)
    power = _sum(x, fluid.pressure, co.PRESSURE_EXPONENTS) * fluid.critical_k / t
    return np.asarray(fluid.critical_pa * np.exp(power), dtype=np.float64)


def pressure_slope_pa_k(t_k: ArrayLike, fluid: co.Fluid = co.PROPANE) -> Array:
    """Slope of the saturation pressure dp/dT (Pa/K) at `t_k` (K)."""
    t, x = _kelvin(t_k, fluid)
    power = _sum(x, fluid.pressure, co.PRESSURE_EXPONENTS) * fluid.critical_k / t
    lowered = tuple(e - 1.0 for e in co.PRESSURE_EXPONENTS)
    scaled = tuple(a * e for a, e in zip(fluid.pressure, co.PRESSURE_EXPONENTS, strict=True))
    slope = -_sum(x, scaled, lowered) / t - power / t
    return np.asarray(fluid.critical_pa * np.exp(power) * slope, dtype=np.float64)


def temperature_k(p_pa: ArrayLike, fluid: co.Fluid = co.PROPANE) -> Array:
    """Temperature (K) at which the fluid boils at `p_pa` (Pa, absolute). NaN where that lies outside 150-360 K."""
    p = np.asarray(p_pa, dtype=np.float64)
    low, high = pressure_pa(_LOW_K, fluid), pressure_pa(_HIGH_K - 1e-9, fluid)
    inside = (p > low) & (p < high)
    target = np.log(np.where(inside, p, 1e5))
    # ln p is nearly a straight line in 1/T, so Newton in that variable lands in a few steps
    t = np.full(target.shape, 260.0)
    for _ in range(12):
        here = pressure_pa(t, fluid)
        slope = -(t**2) * pressure_slope_pa_k(t, fluid) / here  # d ln p / d(1/T)
        step = (target - np.log(here)) / slope
        t = np.clip(1.0 / (1.0 / t + step), _LOW_K, _HIGH_K - 1e-9)
        if np.all(np.abs(step) * t**2 < 1e-10):
            break
    return np.where(inside, t, np.nan)


def density_kg_m3(t_k: ArrayLike, fluid: co.Fluid = co.PROPANE) -> Array:
    """Density (kg/m3) of the saturated liquid at `t_k` (K)."""
    _, x = _kelvin(t_k, fluid)
    return _sum(x, fluid.density, co.DENSITY_EXPONENTS)


def latent_j_kg(t_k: ArrayLike, fluid: co.Fluid = co.PROPANE) -> Array:
    """Latent heat of vaporization (J/kg) at `t_k` (K)."""
    _, x = _kelvin(t_k, fluid)
    return _sum(x, fluid.latent, co.LATENT_EXPONENTS)


def heat_capacity_j_kgk(t_k: ArrayLike, fluid: co.Fluid = co.PROPANE) -> Array:
    """Isobaric heat capacity (J/kgK) of the saturated liquid at `t_k` (K)."""
    _, x = _kelvin(t_k, fluid)
    return _sum(x, fluid.heat, co.HEAT_EXPONENTS)


def sound_speed_m_s(t_k: ArrayLike, fluid: co.Fluid = co.PROPANE) -> Array:
    """Speed of sound (m/s) in the saturated liquid at `t_k` (K)."""
    _, x = _kelvin(t_k, fluid)
    return _sum(x, fluid.sound, co.SOUND_EXPONENTS)


def air_conductivity_w_mk(t_k: ArrayLike) -> Array:
    """Thermal conductivity (W/mK) of dry air at `t_k` (K), 200-340 K; hardly depends on pressure."""
    return _cubic(t_k, co.AIR_CONDUCTIVITY)


def air_viscosity_pa_s(t_k: ArrayLike) -> Array:
    """Dynamic viscosity (Pa s) of dry air at `t_k` (K), 200-340 K."""
    return _cubic(t_k, co.AIR_VISCOSITY)


def air_prandtl(t_k: ArrayLike) -> Array:
    """Prandtl number of dry air at `t_k` (K), 200-340 K."""
    return _cubic(t_k, co.AIR_PRANDTL)


def _cubic(t_k: ArrayLike, coefficients: tuple[float, ...]) -> Array:
    u = np.asarray(t_k, dtype=np.float64) / 100.0
    a0, a1, a2, a3 = coefficients
    return np.asarray(a0 + u * (a1 + u * (a2 + u * a3)), dtype=np.float64)
