"""Runs of cylinders with a temperature each (`manifold`), every case with its own step, to the floor or out of fuel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.physics import manifold
from monitor.physics.shared import FUEL, HOUR_S, LIMIT, PRESSURE, UNKNOWN, Weather
from monitor.physics.shell import DRY_KG

Array = NDArray[np.float64]
TOLERANCE_K = 0.01
FIRST_STEP_S = 60.0
LONGEST_STEP_S = 1200.0
_DRY_SLACK_KG = 1e-5
_FLOOR_SLACK = 2e-6  # of the pressure, when landing on the floor


@dataclass(slots=True)
class Cases:
    """The cases under way: temperatures (k, N), moles (J, k, N), the rest (N,) or (k, N)."""

    number: NDArray[np.intp]
    row: NDArray[np.intp]
    hour: NDArray[np.intp]
    time_s: Array
    left_s: Array
    want_s: Array
    t_k: Array
    moles: Array
    flow: Array
    pressure: Array
    live: NDArray[np.bool_]
    demand_w: Array

    def keep(self, mask: NDArray[np.bool_]) -> Cases:
        """The cases in `mask` alone."""
        index = np.flatnonzero(mask)
        return Cases(*(getattr(self, name).take(index, axis=-1) for name in self.__slots__))


@dataclass(slots=True)
class Result:
    """For each case: seconds held, how it ended, temperatures (k, N) and moles (J, k, N) there, and the time."""

    hold_s: Array
    ends: NDArray[np.int8]
    t_k: Array
    moles: Array
    time_s: Array


class Run:
    """One run of cases to their end. `floor_pa` one for all; `limit_s` one a case."""

    def __init__(self, weather: Weather, make: manifold.Makeup, floor_pa: float, limit_s: Array) -> None:
        self.weather, self.make, self.floor_pa, self.limit_s = weather, make, floor_pa, limit_s

    def begin(
        self, t_k: Array, moles: Array, demand_w: Array, row: NDArray[np.intp], hour: NDArray[np.intp], time_s: Array
    ) -> Result:
        """Run from `t_k` (k, N), `moles` (J, k, N), `demand_w` (N,), `time_s` after the start of `hour` (N,)."""
        n = t_k.shape[1]
        self.result = Result(
            np.full(n, np.nan), np.full(n, UNKNOWN, dtype=np.int8), np.array(t_k), np.array(moles), np.zeros(n)
        )
        begun = np.floor(np.nan_to_num(time_s) / HOUR_S)
        unknown = np.isnan(t_k).any(axis=0) | np.isnan(moles).any(axis=(0, 1)) | np.isnan(demand_w) | np.isnan(time_s)
        unknown |= np.isnan(self.limit_s)
        live = ~manifold.is_dry(self.make, moles)
        t_k, moles = np.where(unknown, 270.0, t_k), np.where(unknown, 0.0, moles)
        t_k, moles = manifold.even_out(self.make, t_k, moles, live)
        level = np.where(live, manifold.pressure(self.make, t_k, moles), -np.inf).max(axis=0)
        cases = Cases(
            np.arange(n), row * self.weather.hours, hour + begun.astype(np.intp), np.array(time_s),
            HOUR_S * (begun + 1.0) - time_s, np.full(n, FIRST_STEP_S), np.array(t_k), np.array(moles),
            np.zeros_like(t_k), level, live, np.array(demand_w),
        )  # fmt: skip
        cases = cases.keep(~unknown)
        cases = self._retire(cases, np.asarray(~cases.live.any(axis=0)), FUEL)
        cases = self._retire(cases, cases.pressure <= self.floor_pa, PRESSURE)
        cases = self._retire(cases, cases.time_s >= self.limit_s[cases.number] - 1e-6, LIMIT)
        while cases.number.size:
            cases = self._advance(cases)
        return self.result

    def _retire(self, c: Cases, mask: NDArray[np.bool_], code: int) -> Cases:
        return self._write(c, mask, np.full(mask.shape, code)) if mask.any() else c

    def _write(self, c: Cases, gone: NDArray[np.bool_], code: NDArray[np.intp]) -> Cases:
        at = c.number[gone]
        self.result.hold_s[at] = np.where(code[gone] == UNKNOWN, np.nan, c.time_s[gone])
        self.result.ends[at] = code[gone]
        self.result.t_k[:, at] = c.t_k[:, gone]
        self.result.moles[:, :, at] = c.moles[:, :, gone]
        self.result.time_s[at] = c.time_s[gone]
        return c.keep(~gone)

    def _outside(self, c: Cases) -> tuple[Array, Array]:
        at = c.row + np.minimum(c.hour, self.weather.hours - 1)
        film = self.weather.film
        return (film if film.shape[1] == 1 else film.take(at, axis=1)), self.weather.seen_k.take(at, axis=1)

    def _advance(self, c: Cases) -> Cases:
        film, seen = self._outside(c)
        lost = np.asarray(np.isnan(seen).any(axis=0) | np.isnan(film).any(axis=0))
        if lost.any():
            return self._retire(c, lost, UNKNOWN)
        limit = self.limit_s[c.number]
        h = np.minimum(np.minimum(np.minimum(c.left_s, c.want_s), LONGEST_STEP_S), limit - c.time_s)
        moved, off = manifold.try_step(self.make, c.t_k, c.moles, c.live, film, seen, h, c.demand_w, c.flow)
        factor = 0.85 * np.sqrt(TOLERANCE_K / np.maximum(off, 1e-9))
        want = h * np.clip(factor, 0.2, 3.0)
        good = (off <= 1.5 * TOLERANCE_K) | (h <= 1.0)
        good, want, dry, cold = self._events(c, moved, h, good, want)
        return self._accept(c, moved, h, good, want, dry, cold)

    def _events(
        self, c: Cases, moved: manifold.Moved, h: Array, good: NDArray[np.bool_], want: Array
    ) -> tuple[NDArray[np.bool_], Array, NDArray[np.bool_], NDArray[np.bool_]]:
        """Steps that overshoot a dry cylinder or the floor are taken again, shortened to end there."""
        mass = self.make.mass(moved.moles)
        low = c.live & (mass < DRY_KG)
        part = np.ones_like(h)
        if low.any():
            before = self.make.mass(c.moles)
            fall = np.maximum(before - mass, 1e-12)
            each = np.where(low & (mass < DRY_KG - _DRY_SLACK_KG), np.clip((before - DRY_KG) / fall, 0.0, 1.0), 1.0)
            part = each.min(axis=0)
        cold = moved.pressure <= self.floor_pa
        over = cold & (moved.pressure < self.floor_pa * (1.0 - _FLOOR_SLACK))
        if over.any():
            drop = np.maximum(c.pressure - moved.pressure, 1e-9)
            part = np.where(over, np.minimum(part, np.clip((c.pressure - self.floor_pa) / drop, 0.0, 1.0)), part)
        again = (part < 1.0) & good & (h > 1e-2)
        return good & ~again, np.where(again, np.maximum(part * h, 1e-2), want), low, cold

    def _accept(
        self, c: Cases, moved: manifold.Moved, h: Array, good: NDArray[np.bool_], want: Array,
        low: NDArray[np.bool_], cold: NDArray[np.bool_],
    ) -> Cases:  # fmt: skip
        c.want_s = want
        c.t_k = np.where(good, moved.t_k, c.t_k)
        c.moles = np.where(good, moved.moles, c.moles)
        c.flow = np.where(good, moved.flow, c.flow)
        c.pressure = np.where(good, moved.pressure, c.pressure)
        c.time_s = np.where(good, c.time_s + h, c.time_s)
        c.left_s = np.where(good, c.left_s - h, c.left_s)
        turn = c.left_s <= 1e-6
        c.hour = c.hour + turn
        c.left_s = np.where(turn, HOUR_S, c.left_s)
        dry = low & good
        if dry.any():
            c.live = c.live & ~dry
            c.want_s = np.where(dry.any(axis=0), np.maximum(c.want_s, FIRST_STEP_S), c.want_s)
        ended = cold & good
        empty = ~c.live.any(axis=0)
        late = c.time_s >= self.limit_s[c.number] - 1e-6
        gone = np.asarray(ended | empty | late)
        if not gone.any():
            return c
        return self._write(c, gone, np.where(ended, PRESSURE, np.where(empty, FUEL, LIMIT)))
