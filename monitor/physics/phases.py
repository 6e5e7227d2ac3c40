"""Stretches of a hold: who feeds, from which state, to which pressure. Both integrations behind one door."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.model.site import Basis
from monitor.physics import blend, film, fluid, manifold, quick, separate, shared
from monitor.physics.film import Air
from monitor.physics.plant import Plant, outside
from monitor.physics.shared import FUEL, LIMIT, PRESSURE, UNKNOWN
from monitor.physics.shell import DRY_KG

Array = NDArray[np.float64]
BLOCK = 1 << 16  # numbers in one array of an integration: half a megabyte, so that a step stays in the cache


@dataclass(slots=True)
class State:
    """Every cylinder of N cases: temperature (n, N), moles (4, n, N), and the time since the start (N,)."""

    t_k: Array
    moles: Array
    time_s: Array

    def part(self, some: slice) -> State:
        """The cases in `some` alone."""
        return State(self.t_k[:, some], self.moles[:, :, some], self.time_s[some])

    def mass(self) -> Array:
        """Mass (n, N), kg."""
        return np.asarray(np.tensordot(fluid.MOLAR_KG_MOL, self.moles, axes=1), dtype=np.float64)


@dataclass(slots=True)
class Ended:
    """State at the end of a stretch, how it ended (see `shared`), NaN time where that can't be said."""

    state: State
    ends: NDArray[np.int8]


def moles_of(plant: Plant, charge: Array) -> Array:
    """Moles (4, n, N) of charges (n, N), blends with the composition that is left of a full charge."""
    out = np.zeros((4, *charge.shape))
    for i in range(plant.size):
        if plant.fractions[i, 0] == 1.0:
            out[0, i] = charge[i] / fluid.MOLAR_KG_MOL[0]
            continue
        mole = blend.composition(plant.fractions[i], charge[i] / plant.full_kg[i])
        out[:, i] = (charge[i] / (mole @ fluid.MOLAR_KG_MOL)) * mole.T
    return out


def seen_flat(
    plant: Plant, air: Air, basis: Basis, shape: tuple[int, ...], floors: Array | None
) -> tuple[Array, Array]:
    """Film (n or 1, N or 1) and outside temperature (n or 1, N) for the flat layout; one row where all are alike."""
    if basis != "weather":
        plant.floor_gauge_pa(basis)
        return np.full((1, 1), film.CHART_FILM_W_M2K), np.broadcast_to(air.temperature_k(), shape).reshape(1, -1)
    seen = outside(plant, air, basis, floors)
    alike = floors is None and len({(s, float(d)) for s, d in zip(plant.shells, plant.outside_m, strict=True)}) == 1
    rows = 1 if alike else plant.size

    def lay(part: Array) -> Array:
        lead = (rows, *([1] * (len(shape) - part.ndim + 1)), *part.shape[1:])
        return np.broadcast_to(part[:rows].reshape(lead), (rows, *shape)).reshape(rows, -1)

    return lay(seen.film_w_m2k), lay(seen.outside_k)


@dataclass(slots=True)
class Field:
    """What every stretch has in common: the plant, the outside in flat layout, where each case stands in it."""

    plant: Plant
    film: Array
    seen_k: Array
    row: NDArray[np.intp]
    hour: NDArray[np.intp]
    hours: int

    def _weather(self, index: NDArray[np.intp]) -> shared.Weather:
        film_k, seen_k = (part if part.shape[0] == 1 else part[index] for part in (self.film, self.seen_k))
        return shared.Weather(film_k, seen_k, self.hours)

    def walls(self, index: NDArray[np.intp]) -> quick.Walls:
        """Tables of the cylinders in `index`."""
        return self.plant.walls(index)

    def makeup(self, index: NDArray[np.intp]) -> manifold.Makeup:
        """Components of the cylinders in `index`."""
        p = self.plant
        return manifold.makeup(
            p.fractions[index], p.steel_j_k[index], self.walls(index), p.check_valves,
            fluid.MOLAR_KG_MOL, fluid.HEATING_VALUES_J_KG,
        )  # fmt: skip

    def run(self, index: NDArray[np.intp], start: State, demand_w: Array, floor_pa: float, limit_s: Array) -> Ended:
        """The cylinders in `index` feed `demand_w` (N,) alone, to the floor (Pa absolute) or to `limit_s` (N,)."""
        if index.size == 0:
            ends = np.where(np.isnan(start.time_s), UNKNOWN, FUEL).astype(np.int8)
            return Ended(State(start.t_k, start.moles, np.array(start.time_s)), ends)
        width = max(BLOCK // index.size, 1)
        if start.time_s.size > width:
            return self._in_blocks(width, index, start, demand_w, floor_pa, limit_s)
        if self.plant.pure and not self.plant.check_valves:
            return self._together(index, start, demand_w, floor_pa, limit_s)
        return self._apart(index, start, demand_w, floor_pa, limit_s)

    def _in_blocks(
        self, width: int, index: NDArray[np.intp], start: State, demand_w: Array, floor_pa: float, limit_s: Array
    ) -> Ended:
        """`width` cases after `width` cases: each has its own steps, so it ends as it does among all at once."""
        count = start.time_s.size
        whole = State(np.empty_like(start.t_k), np.empty_like(start.moles), np.empty(count))
        ends = np.empty(count, dtype=np.int8)
        for first in range(0, count, width):
            some = slice(first, first + width)
            field = replace(self, row=self.row[some], hour=self.hour[some])
            done = field.run(index, start.part(some), demand_w[some], floor_pa, limit_s[some])
            whole.t_k[:, some], whole.moles[:, :, some] = done.state.t_k, done.state.moles
            whole.time_s[some], ends[some] = done.state.time_s, done.ends
        return Ended(whole, ends)

    def _together(
        self, index: NDArray[np.intp], start: State, demand_w: Array, floor_pa: float, limit_s: Array
    ) -> Ended:
        mass = start.moles[0, index] * fluid.MOLAR_KG_MOL[0]
        t = _common_k(start.t_k[index], mass, self.plant.steel_j_k[index])
        floor = fluid.temperature_k(floor_pa) if floor_pa > 0.0 else np.array(0.0)
        march = shared.March(self._weather(index), self.walls(index), self.plant.steel_j_k[index], floor, limit_s)
        draw = demand_w / fluid.HEATING_VALUE_J_KG
        done = march.begin(t, mass, draw, self.row, self.hour, start.time_s)
        t_all, moles = np.array(start.t_k), np.array(start.moles)
        t_all[index], moles[0, index] = done.t_k, done.mass / fluid.MOLAR_KG_MOL[0]
        return Ended(State(t_all, moles, done.hold_s), done.ends)

    def _apart(self, index: NDArray[np.intp], start: State, demand_w: Array, floor_pa: float, limit_s: Array) -> Ended:
        make = self.makeup(index)
        parts = np.array(make.parts)
        run = separate.Run(self._weather(index), make, floor_pa, limit_s)
        inside = start.moles[parts[:, None], index[None, :]]
        done = run.begin(start.t_k[index], inside, demand_w, self.row, self.hour, start.time_s)
        t_all, moles = np.array(start.t_k), np.array(start.moles)
        t_all[index] = done.t_k
        moles[parts[:, None], index[None, :]] = done.moles
        return Ended(State(t_all, moles, done.hold_s), done.ends)

    def rest(self, index: NDArray[np.intp], start: State, until_s: Array) -> State:
        """The cylinders in `index` rest until `until_s` (N,): nothing is drawn, no floor."""
        done = self.run(index, start, np.zeros_like(until_s), -1.0, until_s)
        return State(done.state.t_k, done.state.moles, np.array(until_s))


def _common_k(t_k: Array, mass: Array, steel: Array) -> Array:
    """Temperature (N,) that open cylinders (k, N) even out to, weighted by what they hold heat with."""
    if t_k.shape[0] == 1 or np.array_equal(t_k, np.broadcast_to(t_k[:1], t_k.shape), equal_nan=True):
        return np.array(t_k[0])
    weight = np.where(mass >= DRY_KG, mass * 2_400.0 + steel[:, None], 1e-9)
    return np.asarray((weight * t_k).sum(axis=0) / weight.sum(axis=0), dtype=np.float64)


def changeover(field: Field, start: State, demand_w: Array, basis: Basis, limit_s: Array) -> Ended:
    """Service side to the changeover setting, reserve side to the floor, then what service has left to the floor.

    A side that does not feed rests. On `chart`, which knows no regulator, the setting is 0 psig too. `ends` is fuel
    only where both sides are out of it.
    """
    plant = field.plant
    service, reserve = plant.sides()
    floor = plant.floor_pa(basis)
    setting = floor if basis == "chart" else plant.air_pressure_pa + plant.changeover_pa
    first = field.run(service, start, demand_w, setting, limit_s)
    waited = field.rest(reserve, State(first.state.t_k, first.state.moles, start.time_s), first.state.time_s)
    second = field.run(reserve, waited, demand_w, floor, limit_s)
    last = second
    if setting > floor:
        between = State(second.state.t_k, second.state.moles, first.state.time_s)
        rested = field.rest(service, between, second.state.time_s)
        last = field.run(service, rested, demand_w, floor, limit_s)
    index = plant.feeding
    left = (last.state.mass()[index] >= DRY_KG).any(axis=0)
    ends = np.where(left, PRESSURE, FUEL)
    ends = np.where(last.state.time_s >= limit_s - 1e-6, LIMIT, ends)
    ends = np.where(np.isnan(last.state.time_s), UNKNOWN, ends)
    return Ended(last.state, ends.astype(np.int8))
