"""Blends by Raoult's law with the pure curves: pressure, vapour, and how the light part boils off first.

Mole fractions are arrays (..., 4) in the order of `fluid.COMPONENTS`. Raoult's law is within 1 % of the reference
mixture model for up to 10 % butane and 3.5 % for 50 %, 233-293 K.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics import fluid

Array = NDArray[np.float64]
REFERENCE_K = 265.0  # relative volatilities for the history of a charge are taken here
_POINTS = 400


def partial_pa(t_k: ArrayLike, mole: Array) -> Array:
    """Partial pressures (Pa) above a liquid of mole fractions `mole` (..., 4) at `t_k` (...)."""
    t = np.asarray(t_k, dtype=np.float64)
    return np.stack([mole[..., j] * fluid.pressure_pa(t, f) for j, f in enumerate(fluid.FLUIDS)], axis=-1)


def pressure_pa(t_k: ArrayLike, mole: Array) -> Array:
    """Vapour pressure (Pa, absolute) of the blend at `t_k` (K): the sum of the partial pressures."""
    return np.asarray(partial_pa(t_k, mole).sum(axis=-1), dtype=np.float64)


def slope_pa_k(t_k: ArrayLike, mole: Array) -> Array:
    """Slope of the blend's vapour pressure (Pa/K) at fixed composition."""
    t = np.asarray(t_k, dtype=np.float64)
    parts = [mole[..., j] * fluid.pressure_slope_pa_k(t, f) for j, f in enumerate(fluid.FLUIDS)]
    return np.asarray(sum(parts), dtype=np.float64)


def bubble_k(p_pa: ArrayLike, mole: Array) -> Array:
    """Temperature (K) at which the blend's vapour pressure is `p_pa` (Pa). NaN where none from 150 to 360 K is."""
    p, m = np.asarray(p_pa, dtype=np.float64), np.asarray(mole, dtype=np.float64)
    ln_p = np.broadcast_to(np.log(p), np.broadcast_shapes(p.shape, m.shape[:-1]))
    t = np.full(ln_p.shape, 270.0)
    for _ in range(40):
        here = pressure_pa(t, m)
        step = (ln_p - np.log(here)) * here / (slope_pa_k(t, m) * t**2)
        t = np.clip(1.0 / (1.0 / t - step), 151.0, 359.0)
        if not np.any(np.abs(step) * t**2 > 1e-9):
            break
    good = np.abs(np.log(pressure_pa(t, m)) - ln_p) < 1e-6
    return np.where(good, t, np.nan)


def vapour(t_k: ArrayLike, mole: Array) -> Array:
    """Mole fractions (..., 4) of the vapour above the liquid."""
    parts = partial_pa(t_k, mole)
    return np.asarray(parts / parts.sum(axis=-1, keepdims=True), dtype=np.float64)


def by_component(function: object, t_k: ArrayLike) -> Array:
    """A property of each component at `t_k` (...): (..., 4). `function` is one of `fluid`'s."""
    assert callable(function)
    return np.stack([function(t_k, f) for f in fluid.FLUIDS], axis=-1)


def vapour_per_mole(t_k: ArrayLike, mole: Array) -> tuple[Array, Array, Array]:
    """Molar mass (kg/mol), heat of vaporization (J/mol) and heating value (J/mol) of the vapour above the liquid."""
    y_kg = vapour(t_k, mole) * fluid.MOLAR_KG_MOL
    latent = (y_kg * by_component(fluid.latent_j_kg, t_k)).sum(axis=-1)
    return y_kg.sum(axis=-1), latent, (y_kg * fluid.HEATING_VALUES_J_KG).sum(axis=-1)


def liquid_m3_mol(t_k: ArrayLike, mole: Array) -> Array:
    """Volume (m3/mol) of the liquid: the parts' own volumes added (Amagat)."""
    each = fluid.MOLAR_KG_MOL / by_component(fluid.density_kg_m3, t_k)
    return np.asarray((mole * each).sum(axis=-1), dtype=np.float64)


def liquid_j_molk(t_k: ArrayLike, mole: Array) -> Array:
    """Heat capacity (J/molK) of the liquid: the parts' own added."""
    each = fluid.MOLAR_KG_MOL * by_component(fluid.heat_capacity_j_kgk, t_k)
    return np.asarray((mole * each).sum(axis=-1), dtype=np.float64)


def composition(filled: Array, share_left: ArrayLike) -> Array:
    """Mole fractions (..., 4) of what is left when `share_left` of a full charge (by mass) remains.

    Rayleigh: each part falls as n_j = n_j0 exp(-a_j tau), with a_j the volatility at 265 K, whatever the draw's pace.
    A charge above full counts as full.
    """
    share = np.asarray(share_left, dtype=np.float64)
    start = np.asarray(filled, dtype=np.float64)
    if np.count_nonzero(start) == 1:
        return np.where(np.isnan(share)[..., None], np.nan, np.broadcast_to(start, (*share.shape, 4)))
    volatility = np.array([float(fluid.pressure_pa(REFERENCE_K, f)) for f in fluid.FLUIDS])
    volatility = volatility / volatility[start > 0.0].min()
    # tau spaced so that the mass left falls from 1 to about 1e-5 in even ratios at the slow end
    tau = np.linspace(0.0, 12.0, _POINTS)
    moles = start * np.exp(-np.outer(tau, volatility))
    mass = moles @ fluid.MOLAR_KG_MOL
    left = np.log(mass / mass[0])
    wanted = np.log(np.clip(share, 1e-5, 1.0))
    at = np.interp(wanted, left[::-1], tau[::-1])
    n = start * np.exp(-at[..., None] * volatility)
    return np.asarray(n / n.sum(axis=-1, keepdims=True), dtype=np.float64)
