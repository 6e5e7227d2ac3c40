"""Sustained capacity, the level needed for it, and the film used."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.site import Basis
from monitor.physics import blend, fluid, shell
from monitor.physics.film import CHART_FILM_W_M2K, Air, Outside
from monitor.physics.plant import Plant, outside

Array = NDArray[np.float64]
AT_ONCE = 1 << 16  # numbers in one array while walls are worked out


def _cylinders_first(plant: Plant, charge_kg: ArrayLike) -> Array:
    charge = np.asarray(charge_kg, dtype=np.float64)
    if charge.ndim == 0 or charge.shape[-1] != plant.size:
        raise ValueError(f"charge_kg has shape {charge.shape}: the last axis must hold {plant.size} cylinders")
    return np.moveaxis(charge, -1, 0)


def _burn_per_heat(plant: Plant, i: int, charge: Array, floor_k: Array) -> Array | float:
    """Watts of gas (gross) that a watt of heat boils off cylinder `i` at the floor."""
    if plant.fractions[i, 0] == 1.0:
        return fluid.HEATING_VALUE_J_KG / fluid.latent_j_kg(floor_k)
    mole = blend.composition(plant.fractions[i], charge / plant.full_kg[i])
    _, latent, heating = blend.vapour_per_mole(floor_k, mole)
    return np.asarray(heating / latent)


def effective_m2(plant: Plant, i: int, charge: Array, floor_k: ArrayLike) -> Array:
    """Wall of cylinder `i` that takes heat (m2) with its liquid at `floor_k`: 0 below 1 g."""
    if plant.fractions[i, 0] == 1.0:
        volume = charge / fluid.density_kg_m3(floor_k)
    else:
        mole = blend.composition(plant.fractions[i], charge / plant.full_kg[i])
        volume = charge / (mole @ fluid.MOLAR_KG_MOL) * blend.liquid_m3_mol(floor_k, mole)
    area = shell.effective_at_volume(plant.shells[i], volume)
    return np.where(charge < shell.DRY_KG, 0.0, area)


def _walls_m2(plant: Plant, charge: Array, floor: Array, index: NDArray[np.intp]) -> Iterator[tuple[int, Array]]:
    """`effective_m2` of each cylinder in `index` with pure propane, those of one make at once; in order."""
    made: dict[int, Array] = {}
    for place, i in enumerate(index):
        if i not in made:
            alike = _next_alike(plant, charge, index[place:])
            areas = shell.effective_at_volume(plant.shells[i], charge[alike] / fluid.density_kg_m3(floor))
            areas = np.where(charge[alike] < shell.DRY_KG, 0.0, areas)
            made.update(zip(alike.tolist(), areas, strict=True))
        yield int(i), made.pop(int(i))


def _next_alike(plant: Plant, charge: Array, index: NDArray[np.intp]) -> NDArray[np.intp]:
    """The first of `index` and further ones of its make, as many as are worked out at once."""
    alike = index[plant.kind[index] == plant.kind[index[0]]]
    return np.asarray(alike[: max(AT_ONCE * plant.size // max(charge.size, 1), 1)])


def _uniform_w(plant: Plant, charge: Array, air: Air, basis: Basis, index: NDArray[np.intp]) -> Array:
    """`chart` and `floor` with pure propane: one film, one outside, so only the areas add up."""
    floor = np.array(plant.floor_k(basis))
    area = np.zeros(charge.shape[1:])
    for _, wall in _walls_m2(plant, charge, floor, index):
        area = area + wall
    heat = CHART_FILM_W_M2K * np.maximum(air.temperature_k() - floor, 0.0)
    return np.asarray(area * heat * (fluid.HEATING_VALUE_J_KG / fluid.latent_j_kg(floor)), dtype=np.float64)


def _each_w(plant: Plant, charge: Array, air: Air, basis: Basis, index: NDArray[np.intp]) -> Array:
    """Sum over the cylinders in `index` of U A_eff (T_env - T_floor) heating value / latent heat."""
    total = np.zeros(np.broadcast_shapes(charge.shape[1:], air.shape))
    if plant.pure:
        floor = np.array(plant.floor_k(basis))
        seen = outside(plant, air, basis)
        gain = seen.film_w_m2k * np.maximum(seen.outside_k - floor, 0.0)
        burn = fluid.HEATING_VALUE_J_KG / fluid.latent_j_kg(floor)
        for i, area in _walls_m2(plant, charge, floor, index):
            total = total + gain[i] * area * burn
        return total
    floors = np.moveaxis(plant.floors_k(np.moveaxis(charge, 0, -1), basis), -1, 0)
    seen = outside(plant, air, basis, floors)
    for i in index:
        gain = seen.film_w_m2k[i] * np.maximum(seen.outside_k[i] - floors[i], 0.0)
        area = effective_m2(plant, int(i), charge[i], floors[i])
        total = total + gain * area * _burn_per_heat(plant, int(i), charge[i], floors[i])
    return total


def _sustained(plant: Plant, charge: Array, air: Air, basis: Basis, index: NDArray[np.intp]) -> Array:
    if basis != "weather" and plant.pure:
        return _uniform_w(plant, charge, air, basis, index)
    return _each_w(plant, charge, air, basis, index)


def sustained_w(plant: Plant, charge_kg: ArrayLike, air: Air, basis: Basis) -> Array:
    """Gas (W, gross heating value) that the open cylinders can supply without end.

    `charge_kg` (..., n) over all cylinders in order; result broadcasts its leading axes with `air`. Zero where the air
    is colder than the floor; NaN where an input is. With changeover: the stronger side's, see `sides_w`.
    U A_eff (T_env - T_floor) / h_fg(T_floor) x heating value. Raises ValueError for a wrong basis
    or number of cylinders.
    """
    if plant.changeover:
        return np.asarray(sides_w(plant, charge_kg, air, basis).max(axis=-1), dtype=np.float64)
    return _sustained(plant, _cylinders_first(plant, charge_kg), air, basis, plant.feeding)


def sides_w(plant: Plant, charge_kg: ArrayLike, air: Air, basis: Basis) -> Array:
    """Sustained capacity (..., 2) of the service side and the reserve side each alone (W)."""
    charge = _cylinders_first(plant, charge_kg)
    each = [_sustained(plant, charge, air, basis, side) for side in plant.sides()]
    return np.stack(np.broadcast_arrays(*each), axis=-1)


def film_w_m2k(plant: Plant, air: Air, basis: Basis) -> Array:
    """Film coefficient used, after the cap (W/m2K), with the shape of `air`.

    Cylinders of unlike shape have unlike films: this is their mean by wall area, open ones only.
    """
    seen = outside(plant, air, basis).film_w_m2k
    index = plant.feeding if plant.feeding.size else np.arange(plant.size)
    wall = np.array([plant.shells[i].wall_m2 for i in index])
    return np.asarray(np.tensordot(wall / wall.sum(), seen[index], axes=1), dtype=np.float64)


# --- level needed ---------------------------------------------------------------------------------------------------


_GRID = 2048


def _table(plant: Plant, index: NDArray[np.intp], floor: float) -> tuple[Array, Array]:
    """Shares of full on a grid even in their square root, and each cylinder's effective wall there (len, grid)."""
    least = shell.DRY_KG / plant.full_kg[index].min()
    share = np.linspace(np.sqrt(least), 1.0, _GRID) ** 2
    rho = float(fluid.density_kg_m3(floor))
    makes = [(plant.shells[i], float(plant.full_kg[i])) for i in index]
    made = {(s, full): shell.effective_at_volume(s, share * full / rho) for s, full in dict.fromkeys(makes)}
    return share, np.stack([made[make] for make in makes])


def _by_table(share: Array, areas: Array, weights: Array, need: Array) -> Array:
    """Least share at which sum_i weights_i areas_i(share) reaches `need`: binary search in the table, then a line.

    `weights` (len, ...), `need` (...). NaN where a full charge falls short.
    """
    low, high = np.zeros(need.shape, dtype=np.intp), np.full(need.shape, share.size - 1, dtype=np.intp)

    def total(at: NDArray[np.intp]) -> Array:
        out = weights[0] * areas[0][at]
        for w, a in zip(weights[1:], areas[1:], strict=True):
            out = out + w * a[at]
        return np.asarray(out, dtype=np.float64)

    for _ in range(int(np.ceil(np.log2(share.size)))):
        middle = (low + high) >> 1
        short = total(middle) < need
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    below, above = total(low), total(high)
    rise = above - below
    part = np.clip((need - below) / np.where(rise > 0.0, rise, 1.0), 0.0, 1.0)
    root = np.sqrt(share)
    found = (root[low] + part * (root[high] - root[low])) ** 2
    return np.where(total(np.full(need.shape, share.size - 1)) < need, np.nan, found)


def _level_pure(plant: Plant, air: Air, demand: Array, basis: Basis, index: NDArray[np.intp]) -> Array:
    floor = plant.floor_k(basis)
    share, areas = _table(plant, index, floor)
    heat = demand * float(fluid.latent_j_kg(floor)) / fluid.HEATING_VALUE_J_KG
    shape = np.broadcast_shapes(heat.shape, air.shape)
    if basis != "weather":
        gain = CHART_FILM_W_M2K * np.maximum(air.temperature_k() - floor, 0.0)
        weights, areas = np.broadcast_to(gain, shape)[None], areas.sum(axis=0)[None]
    else:
        seen: Outside = outside(plant, air, basis)
        gain = seen.film_w_m2k[index] * np.maximum(seen.outside_k[index] - floor, 0.0)
        weights = np.broadcast_to(gain, (index.size, *shape))
    need = np.broadcast_to(heat, shape)
    found = _by_table(share, areas, weights, need)
    found = np.where(need <= 0.0, 0.0, found)
    return np.where(np.isnan(need) | np.isnan(weights).any(axis=0), np.nan, found)


def _level_blend(plant: Plant, air: Air, demand: Array, basis: Basis, index: NDArray[np.intp]) -> Array:
    shape = np.broadcast_shapes(demand.shape, air.shape)
    low, high = np.full(shape, 0.0), np.full(shape, 1.0)

    def at(share: Array) -> Array:
        return _each_w(plant, plant.full_kg.reshape(-1, *([1] * share.ndim)) * share, air, basis, index)

    reached = at(high) >= demand
    for _ in range(30):
        middle = 0.5 * (low + high)
        enough = at(middle) >= demand
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    missing = np.isnan(np.broadcast_to(demand, shape)) | np.isnan(np.broadcast_to(air.temperature_k(), shape))
    found = np.where(np.broadcast_to(demand, shape) <= 0.0, 0.0, np.where(reached, high, np.nan))
    return np.where(missing, np.nan, found)


def level_needed(plant: Plant, air: Air, demand_w: ArrayLike, basis: Basis) -> Array:
    """Least share of full, the same in every open cylinder, whose sustained capacity meets `demand_w` (W).

    Shape of `air` and `demand_w` together. NaN = at no level up to full (or an input is missing). With changeover one
    side alone must carry it: the lower of the two.
    """
    demand = np.asarray(demand_w, dtype=np.float64)
    solve = _level_pure if plant.pure else _level_blend
    sides = plant.sides() if plant.changeover else (plant.feeding,)
    shape = np.broadcast_shapes(demand.shape, air.shape)
    best = np.full(shape, np.nan)
    for side in sides:
        if side.size:
            best = np.fmin(best, solve(plant, air, demand, basis, side))
    return best
