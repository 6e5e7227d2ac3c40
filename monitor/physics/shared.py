"""Integration of cylinders that share one temperature: every case at once, each with its own step.

    C dT/dt = sum_i U A_i (T_env,i - T) - mdot h_fg(T),      C = sum_i (m_i c + steel_i)
    mdot_i = [U A_i (T_env,i - T) - C_i dT/dt] / h_fg,       dm_i/dt = -mdot_i

Exponential second-order scheme: over a step the relaxation is exact, its coefficients vary linearly between the step's
start and a first-order prediction of its end; the difference between prediction and result rules the step. Masses sum
to the draw to rounding by construction. Steps end at the hour, where a cylinder runs dry, and at the limit; where the
temperature crosses the floor a cubic through both ends says when.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.physics import quick
from monitor.physics.shell import DRY_KG

Array = NDArray[np.float64]
HOUR_S = 3600.0
PRESSURE, FUEL, LIMIT, UNKNOWN = 0, 1, 2, -1
TOLERANCE_K = 0.02  # between prediction and result; the result's own error is some twentieth of that
FIRST_STEP_S = 1200.0
_DRY_SLACK_KG = 1e-5


@dataclass(slots=True)
class Weather:
    """Outside by the hour, flattened: `film`, `seen_k` (k or 1, rows * hours), k cylinders."""

    film: Array
    seen_k: Array
    hours: int


@dataclass(slots=True)
class Cases:
    """The cases under way, k cylinders by N cases; `row` is where a case's series begins in the weather."""

    number: NDArray[np.intp]
    row: NDArray[np.intp]
    hour: NDArray[np.intp]
    time_s: Array
    left_s: Array  # to the end of the hour
    want_s: Array  # step wanted
    t_k: Array
    mass: Array
    area: Array
    live: NDArray[np.bool_]
    draw: Array  # kg/s

    def keep(self, mask: NDArray[np.bool_]) -> Cases:
        """The cases in `mask` alone."""
        index = np.flatnonzero(mask)
        return Cases(*(getattr(self, name).take(index, axis=-1) for name in self.__slots__))


@dataclass(slots=True)
class Step:
    """One step tried: start slope, end temperature and slope, masses and walls at the end, error."""

    h: Array
    r0: Array
    t1: Array
    r1: Array
    mass: Array
    area: Array
    error: Array
    flow0: Array  # kg/s from each cylinder at the start


def _phi(x: Array) -> tuple[Array, Array, Array]:
    """(1 - e^-x)/x and its two successors, the weights of a constant, a ramp, and the ramp's mean."""
    x = np.maximum(x, 1e-5)
    inverse = 1.0 / x
    p1 = -np.expm1(-x) * inverse
    p2 = (1.0 - p1) * inverse
    return p1, p2, (0.5 - p2) * inverse


@dataclass(slots=True)
class At:
    """State of N cases before a step: temperature and draw (N,), masses, walls and live cylinders (k, N)."""

    t_k: Array
    mass: Array
    area: Array
    live: NDArray[np.bool_]
    draw: Array


def total(each: Array) -> Array:
    """Sum (N,) over the cylinders of (k, N), one after the other: also for a last case, which NumPy sums in pairs."""
    if each.shape[1] == 1:
        return np.asarray(np.add.accumulate(each, axis=0)[-1])
    return np.asarray(each.sum(axis=0))


def try_step(c: At | Cases, h: Array, film: Array, seen_k: Array, steel: Array, walls: quick.Walls) -> Step:
    """Advance every case by its `h` seconds under its hour's outside; `steel` (k, N) of the live ones."""
    t0, draw = c.t_k, c.draw
    _, heat, latent = quick.liquid(t0)
    over = seen_k - t0
    a0 = film * c.area
    g0 = total(a0)
    q0 = a0 * over
    c0 = c.mass * heat + steel
    cap0 = total(c0)
    power0 = total(q0) - draw * latent
    r0 = power0 / cap0
    k0 = g0 / cap0
    p1, p2, _ = _phi(k0 * h)
    rise = r0 * h * p1
    flow0 = (q0 - c0 * r0) / latent
    loss = (q0 * h - a0 * (r0 * h * h * p2) - c0 * rise) / latent
    density, heat1, latent1 = quick.liquid(t0 + rise)
    m1 = c.mass - loss
    np.maximum(m1, 0.0, out=m1)
    area = walls.area(m1 / density)
    area *= c.live
    a1 = film * area
    g1 = total(a1)
    c1 = m1 * heat1 + steel
    cap1 = total(c1)
    q1 = a1 * over
    ramp = (total(q1) - draw * latent1) / cap1 - r0
    p1, p2, p3 = _phi(0.5 * h * (k0 + g1 / cap1))
    mean = h * (r0 * p2 + ramp * p3)
    middle = 0.5 * (latent + latent1)
    taken = (0.5 * h) * (q0 + q1 - (a0 + a1) * mean)
    capacity = 0.5 * (c0 + c1)
    rise1 = (total(taken) - draw * h * middle) / total(capacity)
    mass = c.mass - (taken - capacity * rise1) / middle
    t1 = t0 + rise1
    r1 = ramp + r0 - g1 / cap1 * rise1
    return Step(h, r0, t1, r1, mass, area, np.abs(rise1 - rise), flow0)


def crossing(t0: Array, step: Step, floor_k: Array | float) -> Array:
    """Part of the step (0..1) at which a cubic through both ends first meets the floor: Newton inside a bracket."""
    s0, s1 = step.r0 * step.h, step.r1 * step.h
    rise = step.t1 - t0
    b = 3.0 * rise - 2.0 * s0 - s1
    a = s0 + s1 - 2.0 * rise
    target = t0 - floor_k
    low, high = np.zeros_like(t0), np.ones_like(t0)
    s = np.clip(target / np.maximum(target - (step.t1 - floor_k), 1e-300), 0.0, 1.0)
    for _ in range(6):
        above = target + s * (s0 + s * (b + s * a))
        slope = s0 + s * (2.0 * b + 3.0 * s * a)
        positive = above > 0.0
        low, high = np.where(positive, s, low), np.where(positive, high, s)
        s = s - above / np.where(slope < 0.0, slope, -1e-300)
        s = np.where((s > low) & (s < high), s, 0.5 * (low + high))
    return np.asarray(s, dtype=np.float64)


def dry_part(mass0: Array, step: Step) -> Array:
    """Part of the step at which a cylinder falls to 1 g, by a parabola through its start, flow and end; (k, N)."""
    b = -step.flow0 * step.h
    a = step.mass - mass0 - b
    c = mass0 - DRY_KG
    root = np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0))
    bottom = -b + root
    return np.asarray(np.where(bottom > 0.0, 2.0 * c / np.where(bottom > 0.0, bottom, 1.0), 1.0), dtype=np.float64)


@dataclass(slots=True)
class Result:
    """For each case: seconds held, how it ended, and the state there."""

    hold_s: Array
    ends: NDArray[np.int8]
    t_k: Array
    mass: Array
    time_s: Array


class March:
    """One run of cases to their end. `steel` (k,), `floor_k` one or one a case, `limit_s` one or one a case."""

    def __init__(self, weather: Weather, walls: quick.Walls, steel: Array, floor_k: Array, limit_s: Array) -> None:
        self.weather, self.walls, self.steel = weather, walls, steel
        self.floor_k, self.limit_s = floor_k, limit_s
        self._met: list[tuple[NDArray[np.intp], Array, Step]] = []

    def begin(
        self, t_k: Array, mass: Array, draw: Array, row: NDArray[np.intp], hour: NDArray[np.intp], time_s: Array
    ) -> Result:
        """Run cases from `t_k` (N,), `mass` (k, N), `draw` kg/s (N,), `time_s` seconds after the start of `hour`.

        `row` is the series in the weather that each follows. Times in the result count from the start of `hour`.
        """
        n = t_k.size
        self.result = Result(
            np.full(n, np.nan), np.full(n, UNKNOWN, dtype=np.int8), np.array(t_k), np.array(mass), np.zeros(n)
        )
        live = mass >= DRY_KG
        density, _, _ = quick.liquid(t_k)
        area = np.where(live, self.walls.area(mass / density), 0.0)
        draw = np.broadcast_to(draw, (n,)).astype(np.float64)
        begun = np.floor(np.nan_to_num(time_s) / HOUR_S)
        cases = Cases(
            np.arange(n), row * self.weather.hours, hour + begun.astype(np.intp), np.array(time_s),
            HOUR_S * (begun + 1.0) - time_s, np.full(n, FIRST_STEP_S), np.array(t_k), np.array(mass), area, live, draw,
        )  # fmt: skip
        known = ~(
            np.isnan(t_k) | np.isnan(mass).any(axis=0) | np.isnan(draw) | np.isnan(time_s) | np.isnan(self.limit_s)
        )
        cases = cases.keep(known)
        floor = self._floor(cases)
        cases = self._retire(cases, cases.t_k <= floor, PRESSURE)
        cases = self._retire(cases, np.asarray(~cases.live.any(axis=0)), FUEL)
        cases = self._retire(cases, cases.time_s >= self._limit(cases) - 1e-6, LIMIT)
        while cases.number.size:
            cases = self._advance(cases)
        self._land()
        return self.result

    def _land(self) -> None:
        """When each case that met the floor did so within its last step: for all of them at once, that is cheap."""
        if not self._met:
            return
        at = np.concatenate([m[0] for m in self._met])
        t0 = np.concatenate([m[1] for m in self._met])
        step = Step(*(np.concatenate([getattr(m[2], n) for m in self._met], axis=-1) for n in Step.__slots__))
        floor = self.floor_k if self.floor_k.ndim == 0 else self.floor_k[at]
        part = crossing(t0, step, floor)
        for times in (self.result.hold_s, self.result.time_s):
            times[at] += part * step.h
        self.result.t_k[at] = floor
        self.result.mass[:, at] += part * (step.mass - self.result.mass[:, at])

    def _floor(self, c: Cases) -> Array:
        return self.floor_k if self.floor_k.ndim == 0 else self.floor_k[c.number]

    def _limit(self, c: Cases) -> Array:
        return self.limit_s if self.limit_s.ndim == 0 else self.limit_s[c.number]

    def _retire(self, c: Cases, mask: NDArray[np.bool_], code: int) -> Cases:
        """Write down the cases in `mask` at their present state; give back the others."""
        if not mask.any():
            return c
        return self._write(c, mask, np.full(mask.shape, code))

    def _outside(self, c: Cases) -> tuple[Array, Array]:
        at = c.row + np.minimum(c.hour, self.weather.hours - 1)
        seen = self.weather.seen_k.take(at, axis=1)
        film = self.weather.film
        return (film if film.shape[1] == 1 else film.take(at, axis=1)), seen

    def _advance(self, c: Cases) -> Cases:
        film, seen = self._outside(c)
        lost = np.asarray(np.isnan(seen).any(axis=0) | np.isnan(film).any(axis=0))
        if lost.any():
            return self._retire(c, lost, UNKNOWN)
        h = np.minimum(np.minimum(c.left_s, c.want_s), self._limit(c) - c.time_s)
        steel = self.steel[:, None] * c.live
        step = try_step(c, h, film, seen, steel, self.walls)
        factor = 0.85 * np.sqrt(TOLERANCE_K / np.maximum(step.error, 1e-9))
        want = h * np.minimum(np.maximum(factor, 0.2), 4.0)
        good = (step.error <= 1.5 * TOLERANCE_K) | (h <= 1.0)
        cold = step.t1 <= self._floor(c)
        low = c.live & (step.mass < DRY_KG)
        if low.any():
            good, want, cold = self._dry(c, step, low, good, want, cold)
        return self._accept(c, step, good, want, cold, low)

    def _dry(
        self, c: Cases, step: Step, low: NDArray[np.bool_], good: NDArray[np.bool_], want: Array,
        cold: NDArray[np.bool_],
    ) -> tuple[NDArray[np.bool_], Array, NDArray[np.bool_]]:  # fmt: skip
        """Steps in which a cylinder ran dry are taken again to end there; a floor met before that stands."""
        some = np.flatnonzero(low.any(axis=0))
        part = np.full(low.shape, 1.0)
        part[:, some] = dry_part(c.mass[:, some], pick(step, some))
        part = np.where(low, np.clip(part, 0.0, 1.0), 1.0).min(axis=0)
        deep = np.where(low, DRY_KG - step.mass, 0.0).max(axis=0) > _DRY_SLACK_KG
        early = np.zeros_like(cold)
        both = np.flatnonzero(cold & deep)
        if both.size:
            sub = pick(step, both)
            floor = self._floor(c)
            early[both] = crossing(c.t_k[both], sub, floor if floor.ndim == 0 else floor[both]) <= part[both]
        again = deep & ~early & good & (step.h > 1e-3)
        return good & ~again, np.where(again, np.maximum(part * step.h, 1e-3), want), cold & ~again

    def _accept(
        self, c: Cases, step: Step, good: NDArray[np.bool_], want: Array, cold: NDArray[np.bool_],
        low: NDArray[np.bool_],
    ) -> Cases:  # fmt: skip
        ended = cold & good
        c.want_s = want
        if ended.any():
            at = np.flatnonzero(ended)
            self._met.append((c.number[at], c.t_k[at], pick(step, at)))
        move = good & ~ended
        if move.all():
            c.t_k, c.mass, c.area = step.t1, step.mass, step.area
            c.time_s = c.time_s + step.h
            c.left_s = c.left_s - step.h
        else:
            c.t_k = np.where(move, step.t1, c.t_k)
            c.mass = np.where(move, step.mass, c.mass)
            c.area = np.where(move, step.area, c.area)
            c.time_s = np.where(move, c.time_s + step.h, c.time_s)
            c.left_s = np.where(move, c.left_s - step.h, c.left_s)
        turn = c.left_s <= 1e-6
        c.hour = c.hour + turn
        c.left_s = np.where(turn, HOUR_S, c.left_s)
        dry = low & move
        if dry.any():
            c.live = c.live & ~dry
            c.area = np.where(c.live, c.area, 0.0)
            c.want_s = np.where(dry.any(axis=0), np.minimum(np.maximum(c.want_s, 600.0), HOUR_S), c.want_s)
        out = (ended, c.time_s >= self._limit(c) - 1e-6, ~c.live.any(axis=0))
        if not (out[0].any() or out[1].any() or out[2].any()):
            return c
        code = np.where(out[0], PRESSURE, np.where(out[2], FUEL, LIMIT))
        gone = out[0] | out[1] | out[2]
        return self._write(c, gone, code)

    def _write(self, c: Cases, gone: NDArray[np.bool_], code: NDArray[np.intp]) -> Cases:
        at = c.number[gone]
        self.result.hold_s[at] = np.where(code[gone] == UNKNOWN, np.nan, c.time_s[gone])
        self.result.ends[at] = code[gone]
        self.result.t_k[at] = c.t_k[gone]
        self.result.mass[:, at] = c.mass[:, gone]
        self.result.time_s[at] = c.time_s[gone]
        return c.keep(~gone)


def pick(step: Step, index: NDArray[np.intp]) -> Step:
    """The step of the cases in `index` alone."""
    return Step(*(getattr(step, name).take(index, axis=-1) for name in step.__slots__))
