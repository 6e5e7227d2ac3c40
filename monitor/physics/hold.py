"""Hold time: how long full-burner demand holds from rest, for every hour of a series and every member at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.site import Basis
from monitor.physics.film import Air
from monitor.physics.phases import Field, State, changeover, moles_of, seen_flat
from monitor.physics.plant import Plant
from monitor.physics.rest import by_cylinder, rest_k

Array = NDArray[np.float64]
LIMIT_S = 86_400.0
ENDS = ("pressure", "fuel", "limit")


@dataclass(frozen=True, slots=True)
class Hold:
    """`hold_s` seconds (NaN where it cannot be said), `ends` 0 pressure, 1 fuel, 2 limit, -1 not known.

    `liquid_k` is the liquid's temperature at the end (feeding cylinders, their mean), `left_kg` (..., n) what is left.
    """

    hold_s: Array
    ends: NDArray[np.int8]
    liquid_k: Array
    left_kg: Array


def hold(
    plant: Plant,
    charge_kg: ArrayLike,
    air_series: Air,
    start_k: ArrayLike,
    demand_w: ArrayLike,
    basis: Basis | None = None,
    limit_s: float = LIMIT_S,
) -> Hold:
    """Hold time for a start at each hour of the series; the outside follows it, its last hour persists.

    `charge_kg` (..., hours, n) or anything that broadcasts to it; `start_k` (..., hours) or (..., hours, n), as
    `rest_k` gives it; `demand_w` W gross, broadcasts with (..., hours). A hold that needs a missing hour is NaN.
    """
    shape = air_series.shape
    if not shape:
        raise ValueError("air_series needs an axis of hours; use hold_constant for one condition")
    used = plant.basis if basis is None else basis
    batch = Batch.of(plant, charge_kg, air_series, by_cylinder(plant, start_k), demand_w, used)
    return batch.solve(limit_s)


def hold_constant(
    plant: Plant,
    charge_kg: ArrayLike,
    air: Air,
    demand_w: ArrayLike,
    basis: Basis | None = None,
    start_k: ArrayLike | None = None,
    limit_s: float = LIMIT_S,
) -> Hold:
    """Hold time under one unchanging condition; shape of `air`, `demand_w` and the leading axes of `charge_kg`.

    Starts at rest: at the outside temperature, unless `start_k` says otherwise.
    """
    used = plant.basis if basis is None else basis
    charge = np.asarray(charge_kg, dtype=np.float64)
    demand = np.asarray(demand_w, dtype=np.float64)
    shape = np.broadcast_shapes(air.shape, charge.shape[:-1], demand.shape)

    def series(part: ArrayLike) -> Array:
        return np.broadcast_to(np.asarray(part, dtype=np.float64), shape)[..., None]

    dew = None if air.dewpoint_k is None else series(air.dewpoint_k)
    one = Air(series(air.air_k), series(air.wind_m_s), series(air.sky), dew, series(air.sun_w_m2))
    if start_k is None:
        start = by_cylinder(plant, rest_k(plant, charge[..., None, :], one, basis=used))
    else:
        start = by_cylinder(plant, start_k)[..., None, :]
    done = Batch.of(plant, charge[..., None, :], one, start, demand[..., None], used).solve(limit_s)
    return Hold(done.hold_s[..., 0], done.ends[..., 0], done.liquid_k[..., 0], done.left_kg[..., 0, :])


@dataclass(slots=True)
class Batch:
    """Cases laid out flat, N = rows x hours, ready to run."""

    field: Field
    shape: tuple[int, ...]
    start: State
    demand_w: Array
    basis: Basis

    @classmethod
    def of(
        cls, plant: Plant, charge_kg: ArrayLike, air: Air, start_k: Array | None, demand_w: ArrayLike, basis: Basis
    ) -> Batch:
        """Broadcast everything to (..., hours) and lay it out."""
        charge, demand = np.asarray(charge_kg, dtype=np.float64), np.asarray(demand_w, dtype=np.float64)
        if charge.ndim == 0 or charge.shape[-1] != plant.size:
            raise ValueError(f"charge_kg has shape {charge.shape}: the last axis must hold {plant.size} cylinders")
        shape = np.broadcast_shapes(air.shape, charge.shape[:-1], demand.shape)
        if start_k is not None:
            shape = np.broadcast_shapes(shape, start_k.shape[:-1])
        floors = None
        if not plant.pure:
            floors = np.moveaxis(plant.floors_k(np.broadcast_to(charge, (*shape, plant.size)), basis), -1, 0)
        film, seen = seen_flat(plant, air, basis, shape, floors)
        number = np.arange(int(np.prod(shape)))
        flat = (plant.size, number.size)
        start = np.broadcast_to(seen, flat) if start_k is None else _flat(start_k, shape)
        state = State(np.array(start), moles_of(plant, _flat(charge, shape)), np.zeros(number.size))
        field = Field(plant, film, seen, number // shape[-1], number % shape[-1], shape[-1])
        return cls(field, shape, state, np.broadcast_to(demand, shape).reshape(-1), basis)

    def solve(self, limit_s: float) -> Hold:
        """Run every case to its end."""
        plant = self.field.plant
        limit = np.full(self.demand_w.size, float(limit_s))
        if plant.changeover:
            done = changeover(self.field, self.start, self.demand_w, self.basis, limit)
        else:
            done = self.field.run(plant.feeding, self.start, self.demand_w, plant.floor_pa(self.basis), limit)
        left = np.moveaxis(done.state.mass().reshape(plant.size, *self.shape), 0, -1)
        index = plant.feeding if plant.feeding.size else np.arange(plant.size)
        liquid = done.state.t_k[index].mean(axis=0).reshape(self.shape)
        return Hold(done.state.time_s.reshape(self.shape), done.ends.reshape(self.shape), liquid, left)


def _flat(values: Array, shape: tuple[int, ...]) -> Array:
    """Values (..., n) broadcast to (..., hours, n), laid out (n, N)."""
    wide = np.broadcast_to(values, (*shape, values.shape[-1]))
    return np.moveaxis(wide, -1, 0).reshape(values.shape[-1], -1)
