"""What the household burns: learnt from the levels by day, weekday, weather and hour of the week, with its spread.

Daily use is a local mean that wanders, a factor for the day of the week, and a part that grows with the cold where
the data show one. The spread of a sum over h days is fitted to the sums of the past themselves,
`variance = c + s1 h + s2 h^2` (readings' noise, day to day, guests and seasons), and starts from a wide prior, so that
a household nobody knows gets wide odds. Nothing here uses chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.outlook import Outlook
from monitor.model.reading import Reading
from monitor.model.site import Site
from monitor.outlook import level
from monitor.outlook.level import Air
from monitor.outlook.sensor_state import Observation

Series = NDArray[np.float64]
BASE_K = 288.15  # heating days count below 15 degC
MEMORY_D = 120.0  # half-life of what is learnt about weekdays and weather
LOCAL_D = 14.0  # mean age of what the local mean rests on
PRIOR_DAYS = 10.0  # weight of the first guess, in days
PRIOR_S1 = 0.35  # variance a day over the mean squared, before anything is known
PRIOR_S2 = 0.045  # of the mean rate over a long time: 21 %
PRIOR_SUMS = 3.0  # how many independent sums the prior counts for
SPANS = (1, 2, 4, 7, 14, 28)
LEAST_DAYS = 21  # before weekdays and weather are looked at
LEAST_RATE = 0.02  # kg/day
STATED_SPREAD = (0.35, 0.15)  # of a stated use: day to day, and over a long time, each over its mean


@dataclass(frozen=True)
class DayLog:
    """Fuel burnt in each whole local day (kg, NaN = not known) and the day's mean air (K, NaN = not known).

    Day k begins `first` + k days, local midnight; `weekday` 0 = Monday. `by_hour` (7, 24) sums what was burnt in each
    hour of the week where the sensors are fine enough, else zeros.
    """

    first: datetime
    used_kg: Series
    air_k: Series
    weekday: NDArray[np.int64]
    by_hour: Series = field(default_factory=lambda: np.zeros((7, 24)))


@dataclass(frozen=True)
class Use:
    """What is expected from now on. `rate_kg_d` local mean on a mild middle weekday; `weekday` adds (7, kg/day);
    `cold_kg_d_k` kg a day for each kelvin under 15 degC. `s0`, `s1`, `s2`: variance of a sum over h days.
    `hours` (7, 24): share of a day's burn in each hour; None = not known. `days` it rests on.
    """

    rate_kg_d: float
    weekday: Series
    cold_kg_d_k: float
    usual_cold_k: float
    s0: float
    s1: float
    s2: float
    days: int
    hours: Series | None
    basis: str

    def mean_kg_d(self, weekday: NDArray[np.int64], air_k: Series | None = None) -> Series:
        """Expected burn of days with these weekdays (and mean air, K; unknown = as cold as of late)."""
        cold = np.full(len(weekday), self.usual_cold_k)
        if air_k is not None:
            cold = np.where(np.isfinite(air_k), np.maximum(BASE_K - air_k, 0.0), self.usual_cold_k)
        mean = self.rate_kg_d + self.weekday[weekday] + self.cold_kg_d_k * (cold - self.usual_cold_k)
        return np.maximum(mean, 0.25 * self.rate_kg_d)

    def spread_kg(self, span_d: Series) -> Series:
        """One standard deviation (kg) of what is burnt over `span_d` days."""
        return np.asarray(np.sqrt(self.s1 * span_d + self.s2 * span_d**2), dtype=np.float64)


def log_days(site: Site, readings: Sequence[Reading], at: datetime, air: Air | None = None) -> DayLog:
    """Fuel burnt by local day from the level filter, refills left out, up to the last midnight before `at`.

    A day counts as known where a level was read in it or on both sides within two days.
    """
    zone = ZoneInfo(site.timezone)
    seen = [o for o in level.observations(site, readings, air) if o.time_d <= level.days(at)]
    if not seen:
        return DayLog(at, np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.int64))
    begin = (level.EPOCH + timedelta(days=seen[0].time_d)).astimezone(zone)
    midnight = begin.replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    count = (at.astimezone(zone).date() - midnight.date()).days
    edges = [midnight + timedelta(days=k) for k in range(count + 1)]  # wall clock: a day of 23 or 25 h is one day
    filter_ = level.tracker(site)
    sums, read = np.full(count + 1, np.nan), np.zeros(count + 1, dtype=bool)
    j = 0
    for k, edge in enumerate(edges):
        edge_d = level.days(edge)
        while j < len(seen) and seen[j].time_d <= edge_d:
            filter_.add(seen[j])
            read[k] = True
            j += 1
        if j > 0:
            filter_.advance(edge_d)
            sums[k] = filter_.used()
    used = np.diff(sums)
    near = np.array([read[max(0, k) : k + 3].any() for k in range(count)], dtype=bool)
    used = np.where(near, used, np.nan)
    if count > 0:
        used[0] = np.nan  # begins in the middle
    weekday = np.array([e.weekday() for e in edges[:-1]], dtype=np.int64)
    return DayLog(midnight, used, _daily_air(air, edges), weekday, hours_of_week(seen, zone, filter_.most_kg_d))


def hours_of_week(seen: Sequence[Observation], zone: ZoneInfo, most_kg_d: float) -> Series:
    """Fuel burnt (kg, summed) by weekday and local hour, from the falls between readings that follow closely.

    Zero where readings do not come about hourly over four weeks. An hour whose mean fall is not clear of the noise
    (two standard errors) counts as none.
    """
    out = np.zeros((7, 24))
    if not _fine(seen):
        return out
    falls: dict[tuple[int, int], list[float]] = {}
    last: dict[str, Observation] = {}
    for now in seen:
        before = last.get(now.sensor)
        last[now.sensor] = now
        gap_d = 0.0 if before is None else now.time_d - before.time_d
        if before is None or now.manual or not 0.2 / 24.0 < gap_d < 2.2 / 24.0:
            continue
        fall = before.kg - now.kg
        if abs(fall) > most_kg_d * gap_d + 4.0 * now.sd_kg:
            continue  # a spike or a new charge
        middle = level.EPOCH + timedelta(days=(now.time_d + before.time_d) / 2.0)
        local = middle.astimezone(zone)
        falls.setdefault((local.weekday(), local.hour), []).append(fall)
    for (day, hour), values in falls.items():
        mean = float(np.mean(values))
        noise = float(np.std(values)) / max(len(values), 1) ** 0.5
        out[day, hour] = len(values) * mean if mean > 2.0 * noise or (noise == 0.0 and mean > 0.0) else 0.0
    return out


def _fine(seen: Sequence[Observation]) -> bool:
    """Whether readings come often enough, over four weeks at least, to tell one hour from another."""
    span = seen[-1].time_d - seen[0].time_d
    return span >= 28.0 and len({int(o.time_d * 24.0) for o in seen if not o.manual}) >= 0.6 * 24.0 * span


def _daily_air(air: Air | None, edges: Sequence[datetime]) -> Series:
    count = len(edges) - 1
    total, number = np.zeros(max(count, 0)), np.zeros(max(count, 0))
    if air is None or count <= 0:
        return np.full(max(count, 0), np.nan)
    bounds = np.array([level.days(e) for e in edges])
    for time, value in zip(*air, strict=True):
        k = int(np.searchsorted(bounds, level.days(time), side="right")) - 1
        if 0 <= k < count and np.isfinite(value):
            total[k] += value
            number[k] += 1
    return np.asarray(np.where(number >= 6, total / np.maximum(number, 1), np.nan), dtype=np.float64)


def learn_use(site: Site, readings: Sequence[Reading], at: datetime, air: Air | None = None) -> Use:
    """Learn the use of a site from its readings up to `at` (months of them where there are) and its measured air."""
    return learn(log_days(site, readings, at, air), *level.habit_kg_d(site))


def falls_by_kg_d(made: Outlook) -> float:
    """The use that the outlook's charges fall by (kg/day), 0 for none."""
    hours = [h for h in made.hours if h.charge_kg]
    if len(hours) < 2:
        return sum(x.burn_kg_s for x in made.levels if x.reading_time is not None) * 86_400.0
    days = (hours[-1].time - hours[0].time).total_seconds() / 86_400.0
    return (sum(hours[0].charge_kg.values()) - sum(hours[-1].charge_kg.values())) / days


def stated(site: Site, made: Outlook) -> Use:
    """A use nobody has learnt yet: as stated or as the levels show it, else the first guess, with a wide spread."""
    mean_kg_d, basis = falls_by_kg_d(made), "use as stated or as the levels show it"
    if mean_kg_d <= 0.0:
        mean_kg_d, _ = level.habit_kg_d(site)
        basis = "use guessed from the appliances"
    day, long = STATED_SPREAD
    spread = day * mean_kg_d**2, (long * mean_kg_d) ** 2
    return Use(mean_kg_d, np.zeros(7), 0.0, 0.0, 0.0, *spread, 0, None, basis)


def learn(log: DayLog, habit_kg_d: float, habit_sd_kg_d: float) -> Use:
    """Learn the use from a log of days, starting from a habit (kg/day) as uncertain as it is."""
    good = np.isfinite(log.used_kg)
    used = log.used_kg[good]
    days = int(used.size)
    age = (len(log.used_kg) - 1 - np.flatnonzero(good)).astype(np.float64)
    weekday = log.weekday[good]
    cold = np.maximum(BASE_K - log.air_k[good], 0.0)
    cold = np.where(np.isfinite(cold), cold, np.nan)
    week, slope = np.zeros(7), 0.0
    if days >= LEAST_DAYS:
        week, slope = _pattern(used, age, weekday, cold)
    have_cold = bool(np.isfinite(cold).any())
    usual = float(np.nanmean(np.where(age < 2 * LOCAL_D, cold, np.nan))) if _recent(cold, age) else 0.0
    shift = np.where(np.isfinite(cold), cold - usual, 0.0) if have_cold else np.zeros(days)
    plain = used - week[weekday] - slope * shift
    rate, effective = _local(plain, age, habit_kg_d, habit_sd_kg_d)
    s0, s1, s2 = _sums(plain, np.flatnonzero(good), rate, effective, habit_sd_kg_d)
    few = f"use from {days} day{'' if days == 1 else 's'} and a first guess"
    words = f"use learnt from {days} days" if days >= LEAST_DAYS else few
    return Use(max(rate, LEAST_RATE), week, slope, usual, s0, s1, s2, days, _hours(log), words)


def _recent(cold: Series, age: Series) -> bool:
    return bool(np.isfinite(cold[age < 2 * LOCAL_D]).any())


def _hours(log: DayLog) -> Series | None:
    total = log.by_hour.sum(axis=1, keepdims=True)
    return None if not np.all(total > 0.0) else np.asarray(log.by_hour / total, dtype=np.float64)


def _pattern(used: Series, age: Series, weekday: NDArray[np.int64], cold: Series) -> tuple[Series, float]:
    """Weekday factors (kg/day, mean 0) and the slope with cold, shrunk to nothing where the data are few.

    Differences from a running mean of four weeks are used, so that a drift of the mean is not taken for weather.
    """
    weight = 0.5 ** (age / MEMORY_D)
    slow = _running(used, age, 28.0)
    off = used - slow
    scale = float(np.average(off**2, weights=weight)) + 1e-6
    slope = 0.0
    if np.isfinite(cold).sum() >= LEAST_DAYS:
        have = np.isfinite(cold)
        c = np.where(have, cold, 0.0)
        c = c - _running(c, age, 28.0)
        c = np.where(have, c, 0.0)
        mean_rate = max(float(np.average(used, weights=weight)), LEAST_RATE)
        ridge = scale / (0.05 * mean_rate) ** 2  # 5 % of the mean a kelvin would be much
        slope = max(float((weight * c * off).sum() / ((weight * c * c).sum() + ridge)), 0.0)
        off = off - slope * c
    week = np.zeros(7)
    mean_off = float(np.average(off, weights=weight))
    for day in range(7):
        mine = weekday == day
        w = weight[mine].sum()
        spread = scale / (0.25 * max(float(np.average(used, weights=weight)), LEAST_RATE)) ** 2
        week[day] = (weight[mine] * (off[mine] - mean_off)).sum() / (w + spread)
    return week - week.mean(), slope


def _running(values: Series, age: Series, memory: float) -> Series:
    """Two-sided mean with a triangular window in days."""
    apart = np.abs(age[:, None] - age[None, :])
    weight = np.maximum(1.0 - apart / memory, 0.0)
    return np.asarray(weight @ values / weight.sum(axis=1), dtype=np.float64)


def _local(plain: Series, age: Series, habit: float, habit_sd: float) -> tuple[float, float]:
    """Local mean (kg/day) and how many days' worth it rests on; the habit and the long mean stand in for few days."""
    weight = np.exp(-age / LOCAL_D)
    long = np.exp(-age / MEMORY_D)
    prior_days = PRIOR_DAYS * min(1.0, (habit / max(habit_sd, 1e-6)) ** 2)
    base = (prior_days * habit + (long * plain).sum()) / (prior_days + long.sum())
    pull = 6.0
    rate = ((weight * plain).sum() + pull * base) / (weight.sum() + pull)
    return float(max(rate, LEAST_RATE)), float(weight.sum() + pull * min(1.0, long.sum() / 30.0))


def _sums(
    plain: Series, index: NDArray[np.int64], rate: float, effective: float, habit_sd: float
) -> tuple[float, float, float]:
    """Fit `c + s1 h + s2 h^2` to the errors of what a local mean would have said about sums over h days."""
    rate = max(rate, LEAST_RATE)
    s2_prior = PRIOR_S2 * rate**2 + (habit_sd**2) / (1.0 + effective) ** 2
    s1_prior = PRIOR_S1 * rate**2
    if plain.size < LEAST_DAYS:
        return 0.0, s1_prior, s2_prior
    rows, target, weight = [], [], []
    for h in SPANS:
        errors = _past_errors(plain, index, h)
        if errors.size < 3:
            continue
        independent = max(errors.size / h, 1.0)
        rows.append([1.0, h, h * h])
        target.append(float(np.mean(errors**2)))
        weight.append(independent)
    prior = [s1_prior * h + s2_prior * h * h for h in SPANS[: len(rows)]]
    blended = [(w * t + PRIOR_SUMS * p) / (w + PRIOR_SUMS) for w, t, p in zip(weight, target, prior, strict=True)]
    return _nonnegative(np.array(rows), np.array(blended))


def _past_errors(plain: Series, index: NDArray[np.int64], span: int) -> Series:
    """Sum over the next `span` days less what the local mean of the days before it said."""
    n = plain.size
    if n < span + 14:
        return np.zeros(0)
    decay = np.exp(-1.0 / LOCAL_D)
    long_decay = np.exp(-1.0 / MEMORY_D)
    near = far = near_w = far_w = 0.0
    total = np.concatenate([[0.0], np.cumsum(plain)])
    out = []
    for k in range(n - span):
        near, near_w = near * decay + plain[k], near_w * decay + 1.0
        far, far_w = far * long_decay + plain[k], far_w * long_decay + 1.0
        if k < 10 or index[k + span] - index[k] != span:
            continue
        base = far / far_w
        mean = (near + 6.0 * base) / (near_w + 6.0)
        out.append(total[k + 1 + span] - total[k + 1] - mean * span)
    return np.array(out)


def _nonnegative(rows: Series, target: Series) -> tuple[float, float, float]:
    """Weighted least squares with coefficients that are not negative, relative errors, by trying every subset."""
    scale = 1.0 / np.maximum(target, 1e-9)
    best, found = np.inf, (0.0, 0.0, 0.0)
    for mask in range(1, 8):
        columns = [c for c in range(3) if mask >> c & 1]
        a = rows[:, columns] * scale[:, None]
        solution, *_ = np.linalg.lstsq(a, np.ones(len(target)), rcond=None)
        if np.any(solution < 0.0):
            continue
        error = float(((a @ solution - 1.0) ** 2).sum())
        if error < best - 1e-12:
            best = error
            full = [0.0, 0.0, 0.0]
            for c, value in zip(columns, solution, strict=True):
                full[c] = float(value)
            found = (full[0], full[1], full[2])
    return found
