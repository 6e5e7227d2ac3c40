"""Single draws ("meals") in the readings of a fine level sensor: when each began and ended, and what it burnt.

A draw is a straight fall between two rests. The rests may drift slowly either way (a load cell in the sun). Every
place and length is tried by least squares (a matched filter), what stands out from the noise is taken out and the
search goes on in what remains; start and end are then fitted to the readings themselves. Rises (a refill, an
exchange), sudden falls (a cylinder lifted off) and long gaps cut the series; nothing is told across a cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]

HEATING_VALUE_J_KG = 21_548 * 2_326.0  # NFPA 58 table of properties, commercial propane, gross
Z_LEAST = 5.5  # a week's search tries some thousand independent places: noise alone passes about once in years
RISE_KG, RISE_S = 0.25, 2400.0  # a rise of so much in so short a time is a refill, however gently it was done
CUT_SD = 8.0  # two readings in a row further apart than this, in sd of their difference, are no noise
LEAST_KG = 0.25  # a kitchen range on full for 20 minutes burns about this
LEAST_W, MOST_W = 800.0, 100_000.0  # slower is drift or a pilot, faster is no burner of a household
DRIFT_SD_KG_S = 0.020 / 3600.0  # slope of a rest: 75 g up and down in a day
LONGEST_INTERVAL_S = 1800.0
LONGEST_S = 18_000.0  # a longer burn is told in parts that touch, and joined
TYPICAL_S = 1800.0  # length of draw by which a sensor is judged
LENGTHS_S = tuple(60.0 * m for m in (5, 8, 12, 18, 27, 40, 60, 90, 135, 200))
REST_S = (3600.0, 14_400.0)  # shortest and longest rest looked at on either side
REST_AIM_KG = 0.005  # the rest is long enough when its mean is known about this well
GRID_S = 120.0
JOIN_S = 600.0  # draws closer than this are one meal
EDGE_SD_S = 1800.0  # start and end before anything is known
ROUNDS = 40


@dataclass(frozen=True, slots=True)
class Meal:
    """One draw. Times in the caller's seconds; `sd_kg` and `*_sd_s` are one standard deviation; `rate_w` is gross."""

    start_s: float
    end_s: float
    kg: float
    sd_kg: float
    rate_w: float
    start_sd_s: float
    end_sd_s: float


@dataclass(frozen=True, slots=True)
class Found:
    """The draws in order of time; where `fine_enough` is False there are none and `reason` says why.

    `least_kg` is the smallest draw of half an hour that this sensor can tell (NaN where nothing can be said).
    """

    meals: tuple[Meal, ...]
    fine_enough: bool
    reason: str
    least_kg: float


@dataclass(frozen=True, slots=True)
class _Scan:
    """What the search of one section needs: noise (kg), rest (s), the grid's step (s) and its noise (kg)."""

    sd_kg: float
    rest_s: float
    step_s: float
    grid_sd_kg: float


@dataclass(frozen=True, slots=True)
class _Ramp:
    """A fall of `kg` from `start_s` to `end_s`, and how far it stands out from the noise."""

    start_s: float
    end_s: float
    kg: float
    z: float

    @property
    def rate_w(self) -> float:
        """Mean rate (W, gross)."""
        return self.kg * HEATING_VALUE_J_KG / (self.end_s - self.start_s)

    @property
    def stands_out(self) -> bool:
        """Whether it is neither noise nor slow drift."""
        return self.z >= Z_LEAST and self.rate_w >= LEAST_W

    def at(self, time_s: Series) -> Series:
        """Mass gone (kg) at each time."""
        return self.kg * _shape(time_s, self.start_s, self.end_s)


def meals(readings_time_s: Series, left_kg: Series, sd_kg: float, least_kg: float = LEAST_KG) -> Found:
    """Find the draws in one sensor's readings.

    `readings_time_s` (n,) in seconds from any origin and `left_kg` (n,) in any order, NaN = no reading; `sd_kg` the
    sensor's noise, one standard deviation of a reading; where the readings scatter more, their scatter is taken.
    `least_kg`: a sensor that cannot tell a draw of this mass in half an hour is too coarse, and no draw is told. A draw
    that has not ended, or lies at a cut, is left out. Raises ValueError where the arrays differ in length or a limit
    is not positive.
    """
    time, kg = np.asarray(readings_time_s, dtype=np.float64), np.asarray(left_kg, dtype=np.float64)
    if time.shape != kg.shape or time.ndim != 1:
        raise ValueError("readings_time_s and left_kg must be of one length")
    if not (sd_kg > 0.0 and least_kg > 0.0):
        raise ValueError("sd_kg and least_kg must be positive")
    time, kg = _ordered(time, kg)
    if time.size < 12:
        return Found((), False, f"only {time.size} readings: too few to tell a draw", float("nan"))
    interval = float(np.median(np.diff(time)))
    if interval > LONGEST_INTERVAL_S:
        return Found((), False, f"a reading every {interval / 60.0:.0f} min is too seldom to tell a draw", float("nan"))
    scan = _scan(interval, max(sd_kg, _scatter(kg)))
    least = Z_LEAST * _least_sd(interval, scan)
    if least > least_kg:
        reason = (
            f"a reading every {interval / 60.0:.0f} min, {1000.0 * scan.sd_kg:.0f} g off (one standard deviation), "
            f"tells no draw under {least:.2f} kg; {least_kg:.2f} kg is wanted"
        )
        return Found((), False, reason, least)
    calm = _calm(kg, scan.sd_kg)
    time, kg = time[calm], kg[calm]
    out: list[Meal] = []
    for part in _sections(time, kg, scan.sd_kg, interval):
        out += _in_section(time[part], kg[part], scan)
    return Found(tuple(out), True, "", least)


def _ordered(time: Series, kg: Series) -> tuple[Series, Series]:
    good = np.isfinite(time) & np.isfinite(kg)
    time, first = np.unique(time[good], return_index=True)
    return time, kg[good][first]


def _scatter(kg: Series) -> float:
    """Noise of a reading (kg) from the second differences, which neither drift nor a steady draw changes."""
    bend = kg[2:] - 2.0 * kg[1:-1] + kg[:-2]
    return float(np.median(np.abs(bend)) / 0.6745 / np.sqrt(6.0))


def _calm(kg: Series, sd: float) -> NDArray[np.bool_]:
    """False for a lone reading far off both its neighbours on one side (a knock, a gust): it tells nothing."""
    step = np.diff(kg)
    far = (np.abs(step) > CUT_SD * np.sqrt(2.0) * sd).astype(bool)
    lone = far[:-1] & far[1:] & (np.sign(step[:-1]) != np.sign(step[1:]))
    return ~np.concatenate([[False], lone, [False]])


def _scan(interval: float, sd: float) -> _Scan:
    wanted = interval * (sd / REST_AIM_KG) ** 2
    rest = float(np.clip(wanted, max(REST_S[0], 6.0 * interval), REST_S[1]))
    step = max(interval, GRID_S)
    return _Scan(sd, rest, step, sd * float(np.sqrt(interval / step)))


def _least_sd(interval: float, scan: _Scan) -> float:
    """One standard deviation (kg) of the mass of a typical draw."""
    time = np.arange(-scan.rest_s, TYPICAL_S + scan.rest_s, interval)
    return _spread(time, _Ramp(0.0, TYPICAL_S, 0.5, 0.0), scan.sd_kg)[0]


def _sections(time: Series, kg: Series, sd: float, interval: float) -> list[NDArray[np.int64]]:
    """Indices of each stretch between gaps, rises and falls that no burner makes."""
    step, gap = np.diff(kg), np.diff(time)
    clear = CUT_SD * np.sqrt(2.0) * sd
    cut = (gap > max(3600.0, 3.0 * interval)) | (step > clear) | (-step > clear + MOST_W / HEATING_VALUE_J_KG * gap)
    part = np.concatenate([[0], np.cumsum(cut)])
    rising = _rising(time, kg, sd)
    part[1:] += np.cumsum(rising[1:] & ~rising[:-1])
    stretches = (np.flatnonzero((part == p) & ~rising) for p in np.unique(part))
    return [s for s in stretches if s.size >= 8]


def _rising(time: Series, kg: Series, sd: float) -> NDArray[np.bool_]:
    """Where a gentle rise goes on: the mean of a few readings lies clearly above that of a few before."""
    few = 4
    if time.size < 2 * few:
        return np.zeros(time.size, dtype=bool)
    mean = np.convolve(kg, np.full(few, 1.0 / few), "valid")  # of readings i .. i+few-1
    last = np.searchsorted(time, time[: mean.size] + RISE_S, side="right") - few  # the last group that ends in time
    clear = max(RISE_KG, CUT_SD * sd * np.sqrt(2.0 / few))
    out = np.zeros(time.size + 1, dtype=np.int64)
    for far in (few, 2 * few, 4 * few, 8 * few, 16 * few):
        begin = np.arange(mean.size - far) if far < mean.size else np.arange(0)
        up = begin[(mean[begin + far] - mean[begin] > clear) & (begin + far <= last[begin])]
        np.add.at(out, up, 1)
        np.add.at(out, up + far + few, -1)
    return np.cumsum(out)[:-1] > 0


def _shape(time_s: Series, start_s: float | Series, end_s: float | Series) -> Series:
    return np.asarray(np.clip((time_s - start_s) / (end_s - start_s), 0.0, 1.0), dtype=np.float64)


def _in_section(time: Series, kg: Series, scan: _Scan) -> list[Meal]:
    """Draws of a section without cuts."""
    ramps: list[_Ramp] = []
    for _ in range(ROUNDS):
        left = kg + _gone(ramps, time)
        new = [r for r in (_fitted(time, left, r, scan) for r in _search(time, left, scan)) if r.stands_out]
        ramps += new
        if not new:
            break
        ramps = _refitted(time, kg, ramps, scan)
    found = [_meal(time, r, scan) for r in _refitted(time, kg, ramps, scan)]
    inside = [m for m in found if _rests(time, m)]
    return _joined(sorted(inside, key=lambda m: m.start_s))


def _gone(ramps: list[_Ramp], time: Series) -> Series:
    return np.asarray(sum((r.at(time) for r in ramps), np.zeros(time.size)), dtype=np.float64)


def _refitted(time: Series, kg: Series, ramps: list[_Ramp], scan: _Scan) -> list[_Ramp]:
    """Fit each again with the others taken out; what no longer stands out is dropped."""
    for _ in range(2):
        kept: list[_Ramp] = list(ramps)
        for ramp in ramps:
            others = [r for r in kept if r is not ramp]
            again = _fitted(time, kg + _gone(others, time), ramp, scan)
            kept = others + ([again] if again.stands_out else [])
        ramps = kept
    return ramps


def _search(time: Series, kg: Series, scan: _Scan) -> list[_Ramp]:
    """The places that stand out most, none within another's window, on a regular grid."""
    grid = np.arange(time[0], time[-1] + scan.step_s, scan.step_s)
    slot = np.clip(np.round((time - grid[0]) / scan.step_s).astype(int), 0, grid.size - 1)
    count = np.bincount(slot, minlength=grid.size)
    mean = np.bincount(slot, kg, minlength=grid.size) / np.maximum(count, 1)
    level = np.interp(grid, grid[count > 0], mean[count > 0])
    rest = max(round(scan.rest_s / scan.step_s), 3)
    level = np.concatenate([np.full(rest, level[:3].mean()), level, np.full(rest, level[-3:].mean())])
    lengths = sorted({max(round(s / scan.step_s), 1) for s in LENGTHS_S if s >= 0.5 * scan.step_s})
    best, best_length = np.zeros(grid.size), np.ones(grid.size, dtype=int)
    for length in lengths:
        if length + 2 * rest > level.size:
            break
        z = np.correlate(level, _kernel(length, rest, scan), "valid")
        place = np.arange(z.size)
        more = z > best[place]
        best[place[more]], best_length[place[more]] = z[more], length
    return _peaks(best, best_length, rest, grid, scan)


def _peaks(best: Series, length: NDArray[np.int64], rest: int, grid: Series, scan: _Scan) -> list[_Ramp]:
    out: list[_Ramp] = []
    height, place = best.copy(), np.arange(best.size)
    while height.max() >= Z_LEAST - 1.0 and len(out) < 200:
        k = int(np.argmax(height))
        size = int(length[k])
        start = float(grid[k])
        out.append(_Ramp(start, start + size * scan.step_s, 0.0, float(best[k])))
        near = (place + length + rest > k) & (place - rest < k + size)  # what sees this fall answers to it too
        height[near] = 0.0
    return out


def _kernel(length: int, rest: int, scan: _Scan) -> Series:
    """Weights that turn a window of the grid into z of a fall `length` steps long after `rest` steps."""
    time = np.asarray(np.arange(2 * rest + length) * scan.step_s, dtype=np.float64)
    columns = np.stack([_shape(time, rest * scan.step_s, (rest + length) * scan.step_s) * -1.0,
                        np.ones(time.size), time - time.mean()])  # fmt: skip
    normal = columns @ columns.T / scan.grid_sd_kg**2 + np.diag([0.0, 0.0, DRIFT_SD_KG_S**-2])
    inverse = np.linalg.inv(normal)
    return np.asarray(inverse[0] @ columns / scan.grid_sd_kg**2 / np.sqrt(inverse[0, 0]), dtype=np.float64)


def _fitted(time: Series, kg: Series, near: _Ramp, scan: _Scan) -> _Ramp:
    """The best fall near `near` by least squares: start and end by finer and finer trial, mass exactly."""
    around = (time >= near.start_s - scan.rest_s) & (time <= near.end_s + scan.rest_s)
    t, y = time[around], kg[around]
    if t.size < 6:
        return _Ramp(near.start_s, near.end_s, 0.0, 0.0)
    best = near
    reach = max(0.5 * (near.end_s - near.start_s), scan.step_s)
    while reach > 8.0:
        trial = np.linspace(-reach, reach, 9)
        start, end = (v.ravel() for v in np.meshgrid(best.start_s + trial, best.end_s + trial))
        apart = (end - start >= 60.0) & (end - start <= LONGEST_S)
        best = _best(t, y, start[apart], end[apart], scan.sd_kg, best)
        reach *= 0.4
    return best


def _best(t: Series, y: Series, start: Series, end: Series, sd: float, last: _Ramp) -> _Ramp:
    """Of several starts and ends the one that explains the readings best (kg and z solved for each at once)."""
    if start.size == 0:
        return last
    middle = t - t.mean()
    drift = float(middle @ middle) + (sd / DRIFT_SD_KG_S) ** 2
    shape = -_shape(t[None, :], start[:, None], end[:, None])
    flat, level = shape - shape.mean(axis=1, keepdims=True), y - y.mean()
    slope = flat @ middle
    power = (flat * flat).sum(axis=1) - slope**2 / drift
    match = flat @ level - slope * float(middle @ level) / drift
    good = power > 1e-9
    z = np.where(good, match / np.sqrt(np.where(good, power, 1.0)) / sd, 0.0)
    k = int(np.argmax(z))
    kg = float(match[k] / power[k]) if good[k] else 0.0
    return _Ramp(float(start[k]), float(end[k]), kg, float(z[k]))


def _spread(time: Series, ramp: _Ramp, sd: float) -> tuple[float, float, float]:
    """One standard deviation of mass (kg), start (s) and end (s), with rest, drift and edges all unknown."""
    span = ramp.end_s - ramp.start_s
    inside = (time > ramp.start_s) & (time < ramp.end_s)
    rate = ramp.kg / span
    shape = _shape(time, ramp.start_s, ramp.end_s)
    columns = np.stack([
        -shape,
        np.where(inside, rate * (1.0 - shape), 0.0),
        np.where(inside, rate * shape, 0.0),
        np.ones(time.size),
        time - time.mean(),
    ])  # fmt: skip
    normal = columns @ columns.T / sd**2 + np.diag([1e-6, EDGE_SD_S**-2, EDGE_SD_S**-2, 1e-6, DRIFT_SD_KG_S**-2])
    size = np.sqrt(np.diag(normal))
    cover = np.linalg.inv(normal / np.outer(size, size)) / np.outer(size, size)
    mass, start, end = (float(v) for v in np.sqrt(np.diag(cover)[:3]))
    return mass, start, end


def _meal(time: Series, ramp: _Ramp, scan: _Scan) -> Meal:
    near = time[(time >= ramp.start_s - scan.rest_s) & (time <= ramp.end_s + scan.rest_s)]
    mass, start, end = _spread(near, ramp, scan.sd_kg)
    return Meal(ramp.start_s, ramp.end_s, ramp.kg, mass, ramp.rate_w, start, end)


def _rests(time: Series, meal: Meal) -> bool:
    """Whether readings before and after it show the rests."""
    return int((time <= meal.start_s).sum()) >= 3 and int((time >= meal.end_s).sum()) >= 3


def _joined(found: list[Meal]) -> list[Meal]:
    """Take draws that touch as one; their masses add."""
    out: list[Meal] = []
    for meal in found:
        if out and meal.start_s - out[-1].end_s < JOIN_S:
            last = out.pop()
            kg = last.kg + meal.kg
            end = max(last.end_s, meal.end_s)
            rate = kg * HEATING_VALUE_J_KG / (end - last.start_s)
            spread = float(np.hypot(last.sd_kg, meal.sd_kg))
            out.append(Meal(last.start_s, end, kg, spread, rate, last.start_sd_s, meal.end_sd_s))
        else:
            out.append(meal)
    return out
