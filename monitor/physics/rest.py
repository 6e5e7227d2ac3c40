"""Liquid at rest: how it lags the air between meals. C dT/dt = sum U A (T_env - T), no gas drawn."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.site import Basis
from monitor.physics import quick, shell
from monitor.physics.film import Air
from monitor.physics.plant import Plant, outside

Array = NDArray[np.float64]
HOUR_S = 3600.0
LONGEST_BRIDGE = 3  # missing hours over which the liquid is taken to stay as it was
_PASSES = 3


def groups(plant: Plant) -> list[NDArray[np.intp]]:
    """Cylinders that share one temperature: the open ones of pure propane on one manifold without check valves."""
    open_groups = list(plant.sides()) if plant.changeover else [plant.feeding]
    if plant.check_valves or not plant.pure:
        open_groups = [np.array([i]) for i in plant.feeding]
    closed = [np.array([i]) for i in range(plant.size) if i not in plant.feeding]
    return [g for g in open_groups if g.size] + closed


def rest_k(
    plant: Plant,
    charge_kg: ArrayLike,
    air_series: Air,
    start_k: ArrayLike | None = None,
    history_air_k: ArrayLike | None = None,
    basis: Basis | None = None,
) -> Array:
    """Liquid temperature at rest (K) at the start of each hour, lagging the outside.

    Shape of `air_series` (..., hours) where the open cylinders share one temperature, else (..., hours, n).
    `charge_kg` (..., n) broadcasts with it. The start is `start_k` (...; or (..., n)), else what `history_air_k`
    (..., hours before, newest last; calm, overcast) leaves, else the first hour's outside temperature. NaN in a
    missing hour; over more than 3 of them the liquid starts anew at the outside temperature. `basis` is the site's
    unless given. Vapour that one cylinder of a blend sends another while at rest is left out.
    """
    used = plant.basis if basis is None else basis
    shape = air_series.shape
    if not shape:
        raise ValueError("air_series needs an axis of hours")
    charge = np.moveaxis(np.asarray(charge_kg, dtype=np.float64), -1, 0)
    start = None if start_k is None else by_cylinder(plant, start_k)
    if start is None and history_air_k is not None:
        start = _after_history(plant, charge, history_air_k, used, len(shape) - 1)
    each = _series(plant, charge, air_series, start, used)
    if plant.shares_temperature:
        index = plant.feeding[0] if plant.feeding.size else 0
        return np.array(each[index])
    return np.moveaxis(each, 0, -1)


def by_cylinder(plant: Plant, temperature_k: ArrayLike) -> Array:
    """A temperature for each cylinder (..., n) from one for all (...) or one for each already."""
    t = np.asarray(temperature_k, dtype=np.float64)
    if not plant.shares_temperature and t.ndim and t.shape[-1] == plant.size:
        return t
    return np.asarray(np.broadcast_to(t[..., None], (*t.shape, plant.size)))


def _after_history(plant: Plant, charge: Array, history: ArrayLike, basis: Basis, lead: int) -> Array:
    """Temperature (..., n) after the history's hours."""
    air_k = np.asarray(history, dtype=np.float64)
    past = Air(np.concatenate([air_k, air_k[..., -1:]], axis=-1))  # one hour more: its start is where we stand
    first = charge if charge.ndim == 1 else charge[..., :1]
    each = _series(plant, first, past, None, basis)[..., -1]
    each = each.reshape(plant.size, *([1] * (lead - (each.ndim - 1))), *each.shape[1:])
    return np.moveaxis(each, 0, -1)


def _series(plant: Plant, charge: Array, air: Air, start: Array | None, basis: Basis) -> Array:
    """Rest temperature (n, ..., hours) of every cylinder."""
    charge = charge.reshape(plant.size, *([1] * (len(air.shape) - (charge.ndim - 1))), *charge.shape[1:])
    lead = np.broadcast_shapes(air.shape, charge.shape[1:])
    floors = None
    if not plant.pure:  # a blend's floor, where the film is taken, depends on what is left of it
        floors = np.moveaxis(
            plant.floors_k(np.moveaxis(np.broadcast_to(charge, (plant.size, *lead)), 0, -1), basis), -1, 0
        )
    seen = outside(plant, air, basis, floors)
    wider = [1] * (len(lead) - len(air.shape))  # charges of several members under one air
    film = seen.film_w_m2k.reshape(plant.size, *wider, *seen.film_w_m2k.shape[1:])
    outside_k = seen.outside_k.reshape(plant.size, *wider, *seen.outside_k.shape[1:])
    out = np.empty((plant.size, *lead))
    for group in groups(plant):
        begin = None if start is None else start[..., group].mean(axis=-1)
        out[group] = _group(plant, group, film[group], outside_k[group], charge[group], begin)
    return out


def _group(
    plant: Plant, group: NDArray[np.intp], film: Array, seen_k: Array, charge: Array, start: Array | None
) -> Array:
    """One temperature (..., hours) for cylinders that share it. Rates are taken at mid-hour, found in three passes."""
    walls = plant.walls(group)
    column = (-1, *([1] * (film.ndim - 1)))
    steel = plant.steel_j_k[group].reshape(column)
    live = np.where(np.isnan(charge), np.nan, charge >= shell.DRY_KG)
    any_live = (live > 0.0).any(axis=0)
    middle = seen_k.mean(axis=0)
    t: Array = middle
    for _ in range(_PASSES):
        density, heat, _latent = quick.liquid(middle)
        ua = film * walls.area(charge / density) * live
        total = ua.sum(axis=0)
        capacity = ((charge * heat + steel) * live).sum(axis=0)
        alive = total > 0.0
        rate = np.where(alive, total / np.where(capacity > 0.0, capacity, 1.0), np.inf)
        ambient = np.where(alive, (ua * seen_k).sum(axis=0) / np.where(alive, total, 1.0), seen_k.mean(axis=0))
        ambient = np.where(np.isnan(total), np.nan, ambient)
        t = _march(ambient, np.where(any_live, rate, np.inf), start)
        middle = ambient + (t - ambient) * np.exp(-0.5 * HOUR_S * np.where(np.isfinite(rate), rate, 1.0))
    return t


def _march(ambient: Array, rate: Array, start: Array | None) -> Array:
    """Exponential approach hour by hour along the last axis; gaps as `rest_k` says."""
    decay = np.exp(-HOUR_S * rate)
    ambient, decay = np.moveaxis(ambient, -1, 0), np.moveaxis(decay, -1, 0)
    ambient, decay = np.broadcast_arrays(ambient, decay)
    gain = np.ascontiguousarray(ambient * (1.0 - decay))
    out = np.empty(ambient.shape)
    t = np.array(np.broadcast_to(ambient[0] if start is None else start, ambient.shape[1:]))
    if not np.isnan(gain).any() and not np.isnan(t).any():
        for hour in range(ambient.shape[0]):
            out[hour] = t
            t = t * decay[hour] + gain[hour]
        return np.moveaxis(out, 0, -1)
    missing = np.zeros(t.shape, dtype=np.intp)
    for hour in range(ambient.shape[0]):
        known = ~np.isnan(gain[hour])
        anew = known & (np.isnan(t) | (missing > LONGEST_BRIDGE))
        t = np.where(anew, ambient[hour], t)
        out[hour] = np.where(known, t, np.nan)
        t = np.where(known, t * decay[hour] + gain[hour], t)
        missing = np.where(known, 0, missing + 1)
    return np.moveaxis(out, 0, -1)
