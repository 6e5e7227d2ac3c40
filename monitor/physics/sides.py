"""One side of the supply, stepped from outside: used where the demand changes as time goes on (planned burns).

Where the pressure would fall below the floor the regulator gives only what the liquid boils off at the floor: the side
is held there and the power it gives is less than asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.physics import fluid, manifold, quick, shared
from monitor.physics.shell import DRY_KG

Array = NDArray[np.float64]
_DRY_SLACK_KG = 1e-5
NO_PART = 1.0


@dataclass(frozen=True, slots=True)
class Tried:
    """A step of a side: the side after it, absolute pressure and power given (N,), the part of it that may be kept.

    `part` < 1 where a cylinder ran dry within the step: it should be taken again, that long.
    """

    side: Side
    pressure: Array
    power: Array
    part: Array


class Side(Protocol):
    """What both kinds of side can do."""

    def step(self, h: Array, demand_w: Array, film: Array, seen_k: Array, floor_pa: float) -> Tried:
        """Advance by `h` seconds (N,) with `demand_w` (N,)."""
        ...

    def merged(self, other: Side, mask: NDArray[np.bool_]) -> Side:
        """This side with the cases in `mask` taken from `other`."""
        ...

    def temperatures(self) -> Array:
        """Liquid temperature (k, N)."""
        ...

    def masses(self) -> Array:
        """Mass (k, N)."""
        ...

    def pressure(self) -> Array:
        """Pressure (N,) in the manifold with nothing drawn, absolute; 0 where all are dry."""
        ...


@dataclass(frozen=True, slots=True)
class Together:
    """Pure propane on an open manifold: one temperature (N,), masses (k, N)."""

    t_k: Array
    mass: Array
    live: NDArray[np.bool_]
    steel: Array
    walls: quick.Walls

    def _at(self, draw: Array) -> shared.At:
        density, _, _ = quick.liquid(self.t_k)
        area = np.where(self.live, self.walls.area(self.mass / density), 0.0)
        return shared.At(self.t_k, self.mass, area, self.live, draw)

    def step(self, h: Array, demand_w: Array, film: Array, seen_k: Array, floor_pa: float) -> Tried:
        """See `Side`. Held at the floor by a draw that lands there: a secant on the draw, which is nearly straight."""
        draw = np.where(self.live.any(axis=0), demand_w / fluid.HEATING_VALUE_J_KG, 0.0)
        steel = self.steel[:, None] * self.live
        steel = np.where(self.live.any(axis=0), steel, 1e3)  # an empty side drifts with the air and gives nothing
        floor = float(fluid.temperature_k(floor_pa))
        step = shared.try_step(self._at(draw), h, film, seen_k, steel, self.walls)
        below = (step.t1 < floor) & (draw > 0.0)
        if below.any():
            idle = shared.try_step(self._at(np.zeros_like(draw)), h, film, seen_k, steel, self.walls).t1
            low, t_low, high, t_high = np.zeros_like(draw), idle, draw, step.t1
            for _ in range(3):
                share = np.clip((t_low - floor) / np.where(t_low > t_high, t_low - t_high, 1.0), 0.0, 1.0)
                less = np.where(below, low + share * (high - low), draw)
                step = shared.try_step(self._at(less), h, film, seen_k, steel, self.walls)
                warm = step.t1 > floor
                low, t_low = np.where(warm, less, low), np.where(warm, step.t1, t_low)
                high, t_high = np.where(warm, high, less), np.where(warm, t_high, step.t1)
            draw = less
        low_mass = self.live & (step.mass < DRY_KG)
        part = np.full(h.shape, NO_PART)
        if low_mass.any():
            deep = low_mass & (step.mass < DRY_KG - _DRY_SLACK_KG)
            each = np.where(deep, np.clip(shared.dry_part(self.mass, step), 0.0, 1.0), NO_PART)
            part = each.min(axis=0)
        after = replace(self, t_k=step.t1, mass=step.mass, live=self.live & ~low_mass)
        return Tried(after, after.pressure(), draw * fluid.HEATING_VALUE_J_KG, part)

    def merged(self, other: Side, mask: NDArray[np.bool_]) -> Side:
        """See `Side`."""
        assert isinstance(other, Together)
        return replace(
            self,
            t_k=np.where(mask, other.t_k, self.t_k),
            mass=np.where(mask, other.mass, self.mass),
            live=np.where(mask, other.live, self.live),
        )

    def temperatures(self) -> Array:
        """See `Side`."""
        return np.broadcast_to(self.t_k, self.mass.shape)

    def masses(self) -> Array:
        """See `Side`."""
        return self.mass

    def pressure(self) -> Array:
        """See `Side`."""
        sat, _ = quick.saturation(self.t_k, (0,))
        return np.where(self.live.any(axis=0), sat[0], 0.0)


@dataclass(frozen=True, slots=True)
class Apart:
    """A temperature (k, N) and moles (J, k, N) for each cylinder; `flow` of the last step is the next one's guess."""

    t_k: Array
    moles: Array
    live: NDArray[np.bool_]
    flow: Array
    make: manifold.Makeup

    def step(self, h: Array, demand_w: Array, film: Array, seen_k: Array, floor_pa: float) -> Tried:
        """See `Side`."""
        some = self.live.any(axis=0)
        demand = np.where(some, demand_w, 0.0)
        floor = np.where(demand > 0.0, floor_pa, 0.0)
        moved, _ = manifold.try_step(
            self.make, self.t_k, self.moles, self.live, film, seen_k, h, demand, self.flow, floor
        )
        before, mass = self.make.mass(self.moles), self.make.mass(moved.moles)
        low = self.live & (mass < DRY_KG)
        part = np.full(h.shape, NO_PART)
        if low.any():
            fall = np.maximum(before - mass, 1e-12)
            deep = low & (mass < DRY_KG - _DRY_SLACK_KG)
            part = np.where(deep, np.clip((before - DRY_KG) / fall, 0.0, 1.0), NO_PART).min(axis=0)
        after = replace(self, t_k=moved.t_k, moles=moved.moles, flow=moved.flow, live=self.live & ~low)
        return Tried(after, np.where(some, moved.pressure, 0.0), moved.power, part)

    def merged(self, other: Side, mask: NDArray[np.bool_]) -> Side:
        """See `Side`."""
        assert isinstance(other, Apart)
        return replace(
            self,
            t_k=np.where(mask, other.t_k, self.t_k),
            moles=np.where(mask, other.moles, self.moles),
            live=np.where(mask, other.live, self.live),
            flow=np.where(mask, other.flow, self.flow),
        )

    def temperatures(self) -> Array:
        """See `Side`."""
        return self.t_k

    def masses(self) -> Array:
        """See `Side`."""
        return self.make.mass(self.moles)

    def pressure(self) -> Array:
        """See `Side`: the highest among the cylinders with liquid."""
        each = manifold.pressure(self.make, self.t_k, self.moles)
        return np.asarray(np.where(self.live, each, 0.0).max(axis=0))
