"""Liquid propane and wetted wall for integrations: polynomials and tables of `fluid` and `shell`, cheap in bulk."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from monitor.physics import fluid

Array = NDArray[np.float64]
_CENTRE_K, _HALF_K = 268.0, 68.0
_DEGREE = 7
_STRIDE = 32  # columns; a multiple of what BLAS kernels take at once


@lru_cache(maxsize=1)
def _polynomials() -> Array:
    """Density, heat capacity and latent heat as power series in (T - 268 K)/68 K: (3, 8), lowest power first."""
    z = np.cos(np.linspace(0.0, np.pi, 160))
    t = _CENTRE_K + _HALF_K * z
    values = (fluid.density_kg_m3(t), fluid.heat_capacity_j_kgk(t), fluid.latent_j_kg(t))
    powers = np.vander(z, _DEGREE + 1, increasing=True)
    return np.stack([np.linalg.lstsq(powers / v[:, None], np.ones_like(z), rcond=None)[0] for v in values])


def liquid(t_k: Array) -> tuple[Array, Array, Array]:
    """Density (kg/m3), heat capacity (J/kgK) and latent heat (J/kg) of propane at `t_k`, 200-336 K, held outside.

    Within 2e-5 of `fluid`. One product of a small matrix with the powers is the cheapest way to three polynomials. Its
    last columns are rounded another way where they do not fill a BLAS's stride: so they are filled up, and a number's
    result does not depend on how many others it is worked out with.
    """
    count = t_k.size
    powers = np.empty((_DEGREE + 1, -(-count // _STRIDE) * _STRIDE))
    z = powers[1]
    z[count:] = 0.0
    np.subtract(t_k, _CENTRE_K, out=z[:count].reshape(t_k.shape))
    z *= 1.0 / _HALF_K
    np.minimum(z, 1.0, out=z)
    np.maximum(z, -1.0, out=z)
    powers[0] = 1.0
    np.multiply(z, z, out=powers[2])
    np.multiply(powers[2], z, out=powers[3])
    np.multiply(powers[2], powers[2], out=powers[4])
    np.multiply(powers[1:4], powers[4], out=powers[5:8])
    density, heat, latent = np.dot(_polynomials(), powers)[:, :count]
    return density.reshape(t_k.shape), heat.reshape(t_k.shape), latent.reshape(t_k.shape)


@lru_cache(maxsize=8)
def _of_component(index: int) -> tuple[tuple[float, ...], ...]:
    """Liquid volume (m3/mol), heat capacity (J/molK), latent heat (J/mol), ln pressure and its slope (1/K)."""
    one, molar = fluid.FLUIDS[index], float(fluid.MOLAR_KG_MOL[index])
    z = np.cos(np.linspace(0.0, np.pi, 160))
    t = _CENTRE_K + _HALF_K * z
    vander = np.vander(z, _DEGREE + 1)

    def series(v: Array) -> tuple[float, ...]:
        return tuple(np.linalg.lstsq(vander / v[:, None], np.ones_like(z), rcond=None)[0])

    # ln p T is nearly a straight line in T: that keeps the polynomial's error below 1e-6 of p
    wide = np.vander(z, _DEGREE + 3)
    ln_p = np.linalg.lstsq(wide, np.log(fluid.pressure_pa(t, one)) * t, rcond=None)[0]
    return (
        series(molar / fluid.density_kg_m3(t, one)),
        series(molar * fluid.heat_capacity_j_kgk(t, one)),
        series(molar * fluid.latent_j_kg(t, one)),
        tuple(ln_p),
        tuple(np.polyder(ln_p)),
    )


def _horner(series: tuple[float, ...], z: Array) -> Array:
    total = series[0] * z
    total += series[1]
    for a in series[2:]:
        total *= z
        total += a
    return total


def saturation(t_k: Array, parts: tuple[int, ...]) -> tuple[Array, Array]:
    """Pressure (Pa) of each pure component in `parts` at `t_k` and its slope (Pa/K): (J, ...)."""
    t = np.clip(t_k, _CENTRE_K - _HALF_K, _CENTRE_K + _HALF_K)
    z = (t - _CENTRE_K) * (1.0 / _HALF_K)
    p, slope = np.empty((len(parts), *t.shape)), np.empty((len(parts), *t.shape))
    for row, j in enumerate(parts):
        *_, ln_p, rise = _of_component(j)
        power = _horner(ln_p, z) / t
        p[row] = np.exp(power)
        slope[row] = p[row] * (_horner(rise, z) / _HALF_K - power) / t
    return p, slope


def molar(t_k: Array, parts: tuple[int, ...]) -> tuple[Array, Array, Array]:
    """Liquid volume (m3/mol), heat capacity (J/molK), latent heat (J/mol) of each in `parts` at `t_k`: (J, ...)."""
    z = np.clip((t_k - _CENTRE_K) * (1.0 / _HALF_K), -1.0, 1.0)
    each = [tuple(_horner(s, z) for s in _of_component(j)[:3]) for j in parts]
    return np.stack([e[0] for e in each]), np.stack([e[1] for e in each]), np.stack([e[2] for e in each])


class Walls:
    """Effective wall of several cylinders from tables (kinds, points + 1); `kind` (k,) says which is whose."""

    def __init__(self, table: Array, volume_m3: Array, kind: NDArray[np.intp] | None = None) -> None:
        self._points = table.shape[1] - 1
        self._flat = np.ascontiguousarray(table).ravel()
        rise = np.empty_like(table)
        rise[:, :-1] = np.diff(table, axis=1)
        rise[:, -1] = 0.0
        self._rise = rise.ravel()
        self._offset = (np.arange(table.shape[0]) if kind is None else kind) * table.shape[1]
        self._inverse = 1.0 / volume_m3

    def area(self, volume: Array) -> Array:
        """Effective wall (k, ...) for liquid volumes (k, ...), held to the shell; NaN gives an arbitrary value."""
        column = (-1, *([1] * (volume.ndim - 1)))
        share = volume * self._inverse.reshape(column)
        np.fmin(share, 1.0, out=share)
        np.fmax(share, 0.0, out=share)
        np.sqrt(share, out=share)
        share *= self._points
        at = share.astype(np.intp)
        share -= at
        at += self._offset.reshape(column)
        out = self._rise.take(at)
        out *= share
        out += self._flat.take(at)
        return out
