"""Planned burns: liquid temperature and the pressure at the regulator through a day of cooking, and what it lacked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.site import Basis
from monitor.physics import fluid, manifold, sides
from monitor.physics.film import Air
from monitor.physics.hold import Batch
from monitor.physics.plant import Plant
from monitor.physics.rest import by_cylinder, rest_k
from monitor.physics.shell import DRY_KG

Array = NDArray[np.float64]
HOUR_S = 3600.0
BURNING_STEP_S, RESTING_STEP_S = 120.0, 600.0


@dataclass(frozen=True, slots=True)
class Burn:
    """A burn planned: from `start_s` to `end_s` after the start of the series, at `power_w` (gross). They add up."""

    start_s: float
    end_s: float
    power_w: float


@dataclass(frozen=True, slots=True)
class Planned:
    """What the burns do. `times_s` (S,); the others (..., S), or (..., S, n) by cylinder.

    `pressure_pa` is gauge, at the regulator's inlet (0 where nothing is left); `given_w` what burns (at a step's end
    the mean of that step); `lowest_pa` (..., hours) each hour's least pressure; `lacking_j` (...) the heat planned but
    not given.
    """

    times_s: Array
    pressure_pa: Array
    given_w: Array
    liquid_k: Array
    left_kg: Array
    lowest_pa: Array
    lacking_j: Array


def planned(
    plant: Plant,
    charge_kg: ArrayLike,
    air_series: Air,
    burns: Sequence[Burn],
    start_k: ArrayLike | None = None,
    basis: Basis | None = None,
    sample_s: float = 300.0,
) -> Planned:
    """Follow the series hour by hour through `burns`; `charge_kg` (..., n) at its start, `start_k` (...) or (..., n).

    Without `start_k` the liquid starts at rest at the first hour's outside temperature. Below the floor of the basis
    the regulator gives what boils off there. With changeover the service side feeds first at every burn's start if it
    stands above the setting. Raises ValueError for a burn that ends before it starts or a negative one. A missing hour
    gives NaN from there on.
    """
    for burn in burns:
        if burn.end_s < burn.start_s or burn.power_w < 0.0 or burn.start_s < 0.0:
            raise ValueError(f"{burn}: expected 0 <= start_s <= end_s and power_w >= 0")
    used = plant.basis if basis is None else basis
    charge = np.asarray(charge_kg, dtype=np.float64)
    shape = air_series.shape
    first = air_series.at_hours(np.array([0]))
    if start_k is None:
        rest = rest_k(plant, charge[..., None, :] if charge.ndim > 1 else charge, first, basis=used)
        start = rest[..., 0, :] if not plant.shares_temperature else rest[..., 0, None]
    else:
        start = by_cylinder(plant, start_k)
    lead = np.broadcast_shapes(shape[:-1], charge.shape[:-1], start.shape[:-1])
    wide = np.broadcast_to(charge[..., None, :], (*lead, shape[-1], plant.size))
    begin = np.broadcast_to(start[..., None, :], (*lead, shape[-1], plant.size))
    batch = Batch.of(plant, wide, air_series, begin, 0.0, used)
    return _Run(plant, batch, lead, used, burns, sample_s).all()


class _Run:
    """The march through the sample times; N = cases of the leading axes."""

    def __init__(
        self, plant: Plant, batch: Batch, lead: tuple[int, ...], basis: Basis, burns: Sequence[Burn], sample_s: float
    ) -> None:
        self.plant, self.field, self.lead, self.burns = plant, batch.field, lead, burns
        self.hours, self.n = batch.shape[-1], int(np.prod(lead))
        self.floor_pa = plant.floor_pa(basis)
        self.setting_pa = self.floor_pa
        if basis != "chart":
            self.setting_pa = plant.air_pressure_pa + plant.changeover_pa
        at_start = np.arange(self.n) * self.hours
        both = plant.sides() if plant.changeover else (plant.feeding,)
        self.index = [i for i in both if i.size]
        t_k, moles = batch.start.t_k[:, at_start], batch.start.moles[:, :, at_start]
        self.start_k, self.start_kg = t_k, batch.start.mass()[:, at_start]
        self.sides = [self._side(i, t_k[i], moles[:, i]) for i in self.index]
        self.on = np.zeros(self.n, dtype=np.intp)  # which side feeds
        self.given_j, self.lacking_j = np.zeros(self.n), np.zeros(self.n)
        self.lowest = np.full((self.n, self.hours), np.inf)
        edges = {0.0, self.hours * HOUR_S}
        edges.update(np.arange(0.0, self.hours * HOUR_S, sample_s).tolist())
        edges.update(HOUR_S * h for h in range(self.hours))
        edges.update(t for b in burns for t in (b.start_s, b.end_s) if t < self.hours * HOUR_S)
        self.edges = sorted(edges)

    def _side(self, index: NDArray[np.intp], t_k: Array, moles: Array) -> sides.Side:
        if self.plant.pure and not self.plant.check_valves:
            mass = moles[0] * fluid.MOLAR_KG_MOL[0]
            steel, walls = self.plant.steel_j_k[index], self.field.walls(index)
            return sides.Together(t_k.mean(axis=0), mass, mass >= DRY_KG, steel, walls)
        make = self.field.makeup(index)
        inside = moles[list(make.parts)]
        live = make.mass(inside) >= DRY_KG
        t_k, inside = manifold.even_out(make, t_k, inside, live)
        return sides.Apart(t_k, inside, live, np.zeros_like(t_k), make)

    def demand(self, at_s: float) -> float:
        """Power planned just after `at_s`."""
        return sum(b.power_w for b in self.burns if b.start_s <= at_s < b.end_s)

    def all(self) -> Planned:
        """Every sample from the start to the series' end."""
        n, count = self.plant.size, len(self.edges)
        pressure, given = np.empty((self.n, count)), np.zeros((self.n, count))
        liquid, left = np.empty((self.n, count, n)), np.empty((self.n, count, n))
        self._record(0, pressure, liquid, left)
        before = 0.0
        for k, (a, b) in enumerate(zip(self.edges[:-1], self.edges[1:], strict=True)):
            power = self.demand(a)
            if power > 0.0 and before == 0.0:
                self._service_first()
            self._stretch(a, b, power)
            given[:, k + 1] = self.given_j / (b - a)
            self._record(k + 1, pressure, liquid, left)
            before = power
        gauge = np.maximum(pressure - self.plant.air_pressure_pa, 0.0)
        lowest = np.maximum(self.lowest - self.plant.air_pressure_pa, 0.0)
        shape = (*self.lead, count)
        return Planned(
            np.array(self.edges), gauge.reshape(shape), given.reshape(shape), liquid.reshape(*shape, n),
            left.reshape(*shape, n), lowest.reshape(*self.lead, self.hours), self.lacking_j.reshape(self.lead),
        )  # fmt: skip

    def _service_first(self) -> None:
        if len(self.sides) == 2:
            self.on = np.where(self.sides[0].pressure() > self.setting_pa, 0, 1)

    def _record(self, k: int, pressure: Array, liquid: Array, left: Array) -> None:
        if k == 0:
            self.level = self._standing()
        pressure[:, k] = self.level
        liquid[:, k], left[:, k] = self.start_k.T, self.start_kg.T
        for index, side in zip(self.index, self.sides, strict=True):
            liquid[:, k, index], left[:, k, index] = side.temperatures().T, side.masses().T

    def _standing(self) -> Array:
        """Pressure at the regulator with nothing drawn: the side that feeds."""
        if not self.sides:
            return np.zeros(self.n)
        each = np.stack([s.pressure() for s in self.sides])
        return np.asarray(np.take_along_axis(each, np.minimum(self.on, len(self.sides) - 1)[None], axis=0)[0])

    def _outside(self, index: NDArray[np.intp], hour: int) -> tuple[Array, Array]:
        at = np.arange(self.n) * self.hours + hour
        film, seen = self.field.film, self.field.seen_k
        film = film if film.shape[0] == 1 else film[index]
        seen = seen if seen.shape[0] == 1 else seen[index]
        return (film if film.shape[1] == 1 else film[:, at]), seen[:, at]

    def _stretch(self, a: float, b: float, power: float) -> None:
        """From one edge to the next; each case in steps of its own, cut short where a side changes or runs dry."""
        hour = min(int((a + 1e-9) // HOUR_S), self.hours - 1)
        left = np.full(self.n, b - a)
        longest = BURNING_STEP_S if power > 0.0 else RESTING_STEP_S
        self.given_j = np.zeros(self.n)
        outside = [self._outside(i, hour) for i in self.index]
        while (left > 1e-9).any():
            h = np.minimum(left, longest)
            moving = h > 1e-9
            h = np.maximum(h, 1e-9)
            tried, h = self._try(h, power, outside)
            pressures = np.stack([t.pressure for t in tried]) if tried else np.zeros((1, self.n))
            self.sides = [s.merged(t.side, moving) for s, t in zip(self.sides, tried, strict=True)]
            given = np.sum([t.power for t in tried], axis=0) if tried else np.zeros(self.n)
            self.given_j += np.where(moving, given * h, 0.0)
            self.lacking_j += np.where(moving, np.maximum(power - given, 0.0) * h, 0.0)
            level = np.take_along_axis(pressures, np.minimum(self.on, pressures.shape[0] - 1)[None], axis=0)[0]
            self.level = np.where(moving, level, self.level)
            self.lowest[:, hour] = np.minimum(self.lowest[:, hour], self.level)
            left = np.where(moving, left - h, left)
            if power > 0.0:
                self._change(self.level)

    def _try(self, h: Array, power: float, outside: list[tuple[Array, Array]]) -> tuple[list[sides.Tried], Array]:
        """Step both sides; shorten and try again where one ran dry or service passed the changeover setting."""
        tried: list[sides.Tried] = []
        for _ in range(6):
            tried = [
                side.step(h, np.where(self.on == k, power, 0.0), *outside[k], self.floor_pa)
                for k, side in enumerate(self.sides)
            ]
            part = np.ones(self.n)
            for t in tried:
                part = np.minimum(part, t.part)
            if len(tried) == 2 and power > 0.0 and self.setting_pa > self.floor_pa:
                now = self.sides[0].pressure()
                end = tried[0].pressure
                over = (self.on == 0) & (end < self.setting_pa * (1.0 - 1e-6)) & (now > self.setting_pa * (1.0 + 1e-6))
                part = np.where(over, np.minimum(part, (now - self.setting_pa) / np.where(over, now - end, 1.0)), part)
            short = (part < 1.0) & (h > 1e-2)
            if not short.any():
                break
            h = np.where(short, np.maximum(part * h, 1e-2), h)
        return tried, h

    def _change(self, level: Array) -> None:
        """Service at its setting hands over to the reserve; the reserve at the floor gives back what service has."""
        if len(self.sides) < 2:
            return
        other = self.sides[1].pressure()
        hand_over = (self.on == 0) & (level <= self.setting_pa * (1.0 + 1e-6)) & (other > self.floor_pa * 1.0001)
        own = self.sides[0].pressure()
        give_back = (self.on == 1) & (level <= self.floor_pa * (1.0 + 1e-6)) & (own > self.floor_pa * 1.0001)
        self.on = np.where(hand_over, 1, np.where(give_back, 0, self.on))
