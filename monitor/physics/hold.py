"""Hold time: how long full-burner demand holds from rest, for every hour of a series and every member at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.site import Basis
from monitor.physics import film, fluid, quick, shared
from monitor.physics.film import Air
from monitor.physics.plant import Plant, outside
from monitor.physics.rest import by_cylinder

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
    start = None if start_k is None else by_cylinder(plant, start_k)[..., None, :]

    def series(part: ArrayLike) -> Array:
        return np.broadcast_to(np.asarray(part, dtype=np.float64), shape)[..., None]

    dew = None if air.dewpoint_k is None else series(air.dewpoint_k)
    one = Air(series(air.air_k), series(air.wind_m_s), series(air.sky), dew, series(air.sun_w_m2))
    done = Batch.of(plant, charge[..., None, :], one, start, demand[..., None], used).solve(limit_s)
    return Hold(done.hold_s[..., 0], done.ends[..., 0], done.liquid_k[..., 0], done.left_kg[..., 0, :])


@dataclass(slots=True)
class Batch:
    """Cases laid out flat, N = rows x hours: `film`, `seen_k` (n or 1, N or 1), `charge` and `start_k` (n, N)."""

    plant: Plant
    shape: tuple[int, ...]
    film: Array
    seen_k: Array
    charge: Array
    start_k: Array
    demand_w: Array
    row: NDArray[np.intp]
    hour: NDArray[np.intp]
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
        film, seen = seen_flat(plant, air, basis, shape)
        flat = (plant.size, int(np.prod(shape)))
        if start_k is None:
            start = np.broadcast_to(seen if seen.shape[0] == plant.size else seen[:1], flat)
        else:
            start = _flat(start_k, shape)
        hours = shape[-1]
        number = np.arange(flat[1])
        return cls(
            plant, shape, film, seen, _flat(charge, shape), start, np.broadcast_to(demand, shape).reshape(-1),
            number // hours, number % hours, basis,
        )  # fmt: skip

    def solve(self, limit_s: float) -> Hold:
        """Run every case to its end."""
        n = self.row.size
        zero = np.zeros(n)
        phase = Phase(self, self.plant.feeding, np.full(n, limit_s))
        done = phase.run(self.start_k, self.charge, self.demand_w, zero, self.basis)
        return self._shaped(done, done.hold_s, done.ends)

    def _shaped(self, done: shared.Result, hold_s: Array, ends: NDArray[np.int8]) -> Hold:
        left = np.moveaxis(done.mass.reshape(self.plant.size, *self.shape), 0, -1)
        return Hold(hold_s.reshape(self.shape), ends.reshape(self.shape), done.t_k.reshape(self.shape), left)


def _flat(values: Array, shape: tuple[int, ...]) -> Array:
    """Values (..., n) broadcast to (..., hours, n), laid out (n, N)."""
    wide = np.broadcast_to(values, (*shape, values.shape[-1]))
    return np.moveaxis(wide, -1, 0).reshape(values.shape[-1], -1)


def seen_flat(plant: Plant, air: Air, basis: Basis, shape: tuple[int, ...]) -> tuple[Array, Array]:
    """Film (n or 1, N or 1) and outside temperature (n or 1, N) for the flat layout; one row where all are alike."""
    if basis != "weather":
        plant.floor_gauge_pa(basis)
        return np.full((1, 1), film.CHART_FILM_W_M2K), np.broadcast_to(air.temperature_k(), shape).reshape(1, -1)
    seen = outside(plant, air, basis)
    alike = len({(s, float(d)) for s, d in zip(plant.shells, plant.outside_m, strict=True)}) == 1
    rows = 1 if alike else plant.size
    lead = (rows, *([1] * (len(shape) - len(air.shape))), *air.shape)
    return (
        np.broadcast_to(seen.film_w_m2k[:rows].reshape(lead), (rows, *shape)).reshape(rows, -1),
        np.broadcast_to(seen.outside_k[:rows].reshape(lead), (rows, *shape)).reshape(rows, -1),
    )


@dataclass(slots=True)
class Phase:
    """One stretch of a hold in which the cylinders in `index` feed alone, to the floor or to `limit_s` (N,)."""

    batch: Batch
    index: NDArray[np.intp]
    limit_s: Array

    def run(self, t_k: Array, mass: Array, demand_w: Array, time_s: Array, basis: Basis) -> shared.Result:
        """Run from `t_k`, `mass` (n, N) at `time_s` (N,). The result's masses are of all cylinders."""
        b, plant, index = self.batch, self.batch.plant, self.index
        film_k, seen_k = (part if part.shape[0] == 1 else part[index] for part in (b.film, b.seen_k))
        weather = shared.Weather(film_k, seen_k, b.shape[-1])
        walls = quick.Walls(plant.area_table[index], plant.volume_m3[index])
        march = shared.March(weather, walls, plant.steel_j_k[index], np.array(plant.floor_k(basis)), self.limit_s)
        start = t_k[index].mean(axis=0) if index.size else t_k[0]
        done = march.begin(start, mass[index], demand_w / fluid.HEATING_VALUE_J_KG, b.row, b.hour, time_s)
        everything = np.array(mass)
        everything[index] = done.mass
        done.mass = everything
        return done
