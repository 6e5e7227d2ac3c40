"""Cylinders that share a pressure but not a temperature: blends, and propane behind check valves.

Each cylinder has its own temperature T and moles n_j. Gas leaves as y_j = x_j p_j(T)/P (Raoult), which is Rayleigh's
distillation in small steps; a flow F mol/s takes F sum y_j h_j of heat:

    C dT/dt = U A (T_env - T) - F H,    dn_j/dt = -F y_j,    P = sum x_j p_j(T) the same in every cylinder that feeds

and the flows' heating value is the demand. A negative F is vapour of the manifold condensing in a cylinder that would
be colder; check valves forbid it, and a cylinder below the manifold's pressure then waits. Over a step the flows are
constant and such that the pressures at its end agree (Newton, with the valves as a water-filling problem); coefficients
are the mean of the step's start and its predicted end. Heat carried by flowing vapour and held in steel beyond the
cylinder's own is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.physics import quick
from monitor.physics.shell import DRY_KG

Array = NDArray[np.float64]
_NEWTON = 4
_PARTS = 6  # in which cylinders of unlike pressure even out
_SETTLED = 1e-6  # of the largest flow; Newton's next turn would be quadratically smaller
_LEAST_MOL = 1e-12


@dataclass(frozen=True, slots=True)
class Makeup:
    """What feeds: component numbers (J), their molar masses and heating values, steel (k,), walls, check valves."""

    parts: tuple[int, ...]
    molar_kg: Array
    heating_j_mol: Array
    steel: Array
    walls: quick.Walls
    check_valves: bool

    def mass(self, moles: Array) -> Array:
        """Mass (k, N) of moles (J, k, N)."""
        return np.asarray(np.tensordot(self.molar_kg, moles, axes=1), dtype=np.float64)


@dataclass(slots=True)
class Coefficients:
    """At one state: U A (W/K), heat capacity (J/K), vapour (J, k, N), liquid's latent heats (J, k, N)."""

    ua: Array
    capacity: Array
    vapour: Array
    latent: Array

    def mean(self, other: Coefficients) -> Coefficients:
        """Half way between two states."""
        return Coefficients(
            0.5 * (self.ua + other.ua),
            0.5 * (self.capacity + other.capacity),
            0.5 * (self.vapour + other.vapour),
            0.5 * (self.latent + other.latent),
        )


@dataclass(slots=True)
class Moved:
    """End of a step: temperatures and flows (k, N), moles (J, k, N), manifold pressure and power given (N,)."""

    t_k: Array
    moles: Array
    flow: Array
    pressure: Array
    power: Array


def coefficients(make: Makeup, t_k: Array, moles: Array, live: NDArray[np.bool_], film: Array) -> Coefficients:
    """Everything about the state that a step needs."""
    total = np.maximum(moles.sum(axis=0), _LEAST_MOL)
    p, _ = quick.saturation(t_k, make.parts)
    partial = moles / total * p
    volume, heat, latent = quick.molar(t_k, make.parts)
    area = make.walls.area((moles * volume).sum(axis=0)) * live
    capacity = (moles * heat).sum(axis=0) + make.steel[:, None]
    pressure = partial.sum(axis=0)
    return Coefficients(film * area, capacity, partial / np.where(pressure > 0.0, pressure, 1.0), latent)


def pressure(make: Makeup, t_k: Array, moles: Array) -> Array:
    """Vapour pressure (Pa, absolute) in each cylinder (k, N)."""
    total = np.maximum(moles.sum(axis=0), _LEAST_MOL)
    p, _ = quick.saturation(t_k, make.parts)
    return np.asarray((moles / total * p).sum(axis=0), dtype=np.float64)


def _level(weight: Array, flow: Array, p: Array, slope: Array, demand: Array, check: bool) -> Array:
    """Manifold pressure at which the flows, linear about their guess, give the demand.

    g(P) = sum w (F + (P - p)/slope) - demand; with check valves only flows above zero count, g is convex and falling,
    and Newton over the set of those that feed ends after as many turns as there are cylinders.
    """
    lean = weight / slope
    total = lean.sum(axis=0)
    level = (demand - (weight * flow - lean * p).sum(axis=0)) / np.where(total < 0.0, total, -1.0)
    if not check:
        return np.asarray(level, dtype=np.float64)
    for _ in range(flow.shape[0] + 1):
        feeds = (flow + (level - p) / slope > 0.0) & (weight > 0.0)
        some = np.where(feeds, lean, 0.0)
        total = some.sum(axis=0)
        alone = total < 0.0
        part = np.where(feeds, weight * flow - lean * p, 0.0).sum(axis=0)
        level = np.where(alone, (demand - part) / np.where(alone, total, 1.0), level)
    return np.asarray(level, dtype=np.float64)


def _inflow(c: Coefficients, flow: Array, make: Makeup) -> tuple[Array, Array, Array]:
    """Composition, latent heat and heating value per mole of each flow: its own vapour out, the manifold's in."""
    vapour = c.vapour
    if len(make.parts) > 1 and (flow < 0.0).any():
        out = np.maximum(flow, 0.0)
        total = out.sum(axis=0)
        mixed = (vapour * out).sum(axis=1) / np.where(total > 0.0, total, 1.0)
        back = (flow < 0.0) & (total > 0.0)
        vapour = np.where(back, mixed[:, None], vapour)
    latent = (vapour * c.latent).sum(axis=0)
    heating = np.tensordot(make.heating_j_mol, vapour, axes=1)
    return vapour, latent, np.asarray(heating)


def advance(
    make: Makeup, t_k: Array, moles: Array, c: Coefficients, seen_k: Array, live: NDArray[np.bool_], h: Array,
    demand_w: Array, guess: Array, floor_pa: Array | None, part: float = 1.0,
) -> Moved:  # fmt: skip
    """One step with given coefficients. With `floor_pa` the manifold is held there and gives what it can.

    `part` < 1 lets only that part of the flows pass.
    """
    x = np.maximum(c.ua / c.capacity * h, 1e-9)
    relax = -np.expm1(-x) / x * h / c.capacity
    free = t_k + c.ua * (seen_k - t_k) * relax
    flow, level = np.where(live, guess, 0.0), np.zeros_like(demand_w)
    total = moles.sum(axis=0)
    most = 1.5 * total / h
    t1, n1, heating = free, moles, flow
    for _ in range(_NEWTON):
        vapour, latent, heating = _inflow(c, flow, make)
        t1 = free - flow * latent * relax
        n1 = np.maximum(moles - flow * h * vapour, 0.0)
        left = np.maximum(n1.sum(axis=0), _LEAST_MOL)
        sat, rise = quick.saturation(t1, make.parts)
        p = (n1 / left * sat).sum(axis=0)
        slope = -(n1 / left * rise).sum(axis=0) * latent * relax + (p - (vapour * sat).sum(axis=0)) / left * h
        slope = np.minimum(slope, -1e-6)
        weight = np.where(live, heating, 0.0)
        level = _level(weight, flow, p, slope, demand_w, make.check_valves)
        if floor_pa is not None:
            idle = _level(weight, flow, p, slope, np.zeros_like(demand_w), make.check_valves)
            level = np.minimum(np.maximum(level, floor_pa), np.maximum(idle, level))
        turned = np.where(live, flow + (level - p) / slope, 0.0)
        if make.check_valves:
            turned = np.maximum(turned, 0.0)
        turned = np.minimum(turned, most)
        settled = (np.abs(turned - flow).max(axis=0) <= _SETTLED * np.abs(turned).max(axis=0) + 1e-15).all()
        flow = turned
        if settled:
            break
    flow = flow * part
    vapour, latent, heating = _inflow(c, flow, make)
    t1 = free - flow * latent * relax
    n1 = np.maximum(moles - flow * h * vapour, 0.0)
    return Moved(t1, n1, flow, level, (flow * heating).sum(axis=0))


def try_step(
    make: Makeup, t_k: Array, moles: Array, live: NDArray[np.bool_], film: Array, seen_k: Array, h: Array,
    demand_w: Array, guess: Array, floor_pa: Array | None = None,
) -> tuple[Moved, Array]:  # fmt: skip
    """Predict, then correct with the mean coefficients; also the largest difference in temperature (K) of the two."""
    first = coefficients(make, t_k, moles, live, film)
    ahead = advance(make, t_k, moles, first, seen_k, live, h, demand_w, guess, floor_pa)
    second = coefficients(make, ahead.t_k, ahead.moles, live, film)
    done = advance(make, t_k, moles, first.mean(second), seen_k, live, h, demand_w, ahead.flow, floor_pa)
    off = np.where(live, np.abs(done.t_k - ahead.t_k), 0.0).max(axis=0)
    return done, np.asarray(off, dtype=np.float64)


def even_out(make: Makeup, t_k: Array, moles: Array, live: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Temperatures and moles after cylinders of unlike pressure on an open manifold have evened out, nothing drawn.

    That takes seconds, and a single step would take the vapour's composition from its two ends alone: so it goes in
    parts, each second order.
    """
    if make.check_valves or t_k.shape[0] == 1:
        return t_k, moles
    h, nothing, still = np.ones(t_k.shape[1]), np.zeros(t_k.shape[1]), np.zeros_like(t_k)
    for left in range(_PARTS, 0, -1):
        first = coefficients(make, t_k, moles, live, still)
        ahead = advance(make, t_k, moles, first, t_k, live, h, nothing, still, None, 1.0 / left)
        mean = first.mean(coefficients(make, ahead.t_k, ahead.moles, live, still))
        done = advance(make, t_k, moles, mean, t_k, live, h, nothing, ahead.flow, None, 1.0 / left)
        t_k, moles = done.t_k, done.moles
    return t_k, moles


def makeup(
    fractions: Array, steel: Array, walls: quick.Walls, check_valves: bool, molar: Array, heating: Array
) -> Makeup:
    """The components that occur in `fractions` (k, 4), and nothing else, so that pure propane costs one."""
    parts = tuple(int(j) for j in np.flatnonzero((fractions > 0.0).any(axis=0)))
    index = list(parts)
    return Makeup(parts, molar[index], (heating * molar)[index], steel, walls, check_valves)


def is_dry(make: Makeup, moles: Array) -> NDArray[np.bool_]:
    """Cylinders (k, N) below 1 g."""
    return np.asarray(make.mass(moles) < DRY_KG)
