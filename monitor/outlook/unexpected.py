"""Draw in hours in which nothing may burn: how fast a cylinder falls while the house is asleep, and how sure that is.

Each night (a run of closed hours) gives a slope of its own, with no word on the level, so that meals, refills and a
cylinder put down a little differently leave no mark on it. A sensor that drifts with the cold falls at night as well:
its drift is estimated with the draw from nights that cooled more and nights that cooled less, starting from the
sensor's usual size, and what stays unknown of it is in the uncertainty. Nothing here uses chance.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from monitor.outlook import convert, level
from monitor.outlook.level import Air
from monitor.outlook.sensor_state import Observation

Series = NDArray[np.float64]
SUPPLY = "site"  # the open cylinders together: gas that goes from one to the other is no draw
WINDOWS = (1, 2, 4, 8, 16, 32)  # nights back from the newest
MEMORY = timedelta(days=33)
AFTER_USE = timedelta(minutes=30)  # the last burner may still be on, and the liquid is cold of it
LEAST_READINGS = 4
LEAST_SPAN_H = 1.5
OLDEST = timedelta(days=2)  # an older night says nothing about now
NOISE_WEIGHT = 4.0  # of the sensor's usual noise, in readings
MANY = 30.0
LEAST_NOISE_KG = 0.01
OUTLIER = 4.0  # standard deviations off the night's line
LEFT_OUT = 0.25  # with more readings than this off the line the night is no line
BUMPY = 9.0  # variance about its line over what is usual: somebody was there
UNSURE = 1.5  # how much wider a night's slope is taken until nights have been compared
COMPARED = 5
CONTRADICTS = 3.0  # standard deviations by which newer nights must lie below to stop an older finding
COOLING_K_H = 1.0  # of a night whose temperature nobody measured (common practice, no source)
HOUR_S = 3600.0
OF_MASS = frozenset({Quantity.GROSS_WEIGHT, Quantity.PROPANE_LEFT})


@dataclass(frozen=True, slots=True)
class Draw:
    """Fuel lost in closed hours (kg/s, positive = falls), one standard deviation, and the nights it rests on."""

    kg_s: float
    sd_kg_s: float
    nights: int
    newest: datetime


@dataclass(frozen=True, slots=True)
class Night:
    """One run of closed hours of one sensor: slope (kg/h) with its formal variance over the noise's, and cooling."""

    end: datetime
    slope_kg_h: float
    sxx_h2: float
    rss_kg2: float
    dof: int
    warming_k_h: float  # NaN = not known


@dataclass(frozen=True, slots=True)
class _Seen:
    """What one sensor says for each of WINDOWS: rate and sd (kg/h), NaN where there are too few nights."""

    rate: Series
    sd: Series
    newest: datetime
    nights: int


def unexpected(site: Site, readings: Sequence[Reading], at: datetime, air: Air | None = None) -> dict[str, Draw]:
    """Return the draw in closed hours by cylinder, and of all open ones together as `SUPPLY`.

    `readings` of levels over the last weeks in any order, those after `at` are ignored; `air` (times, K) where it was
    measured. Cylinders without an automatic sensor, or whose nights are too few or too old, are left out; so is all of
    a house in which something may burn at any hour.
    """
    into = hours_into(site)
    if into is None:
        return {}
    zone = ZoneInfo(site.timezone)
    groups: dict[str, list[Observation]] = defaultdict(list)
    recent = [r for r in readings if at - MEMORY <= r.time <= at]
    for seen in level.observations(site, recent, air):
        if not seen.manual and seen.aged:
            groups[seen.sensor].append(seen)
    best: dict[int, _Seen] = {}
    for key, group in groups.items():
        quantity = Quantity(key.rsplit("|", 1)[1])
        if quantity not in OF_MASS and all(o.warm_k is None for o in group):
            continue  # without a temperature its fall in the night is mostly the liquid that shrinks
        cylinder = group[0].cylinder
        kappa = convert.warm_kg_k(site.cylinders[cylinder], quantity)
        found = _seen(list(_nights(group, into, zone)), group[0].sd_kg, kappa)
        if found is None or at - found.newest > OLDEST:
            continue
        if cylinder not in best or found.sd[0] < best[cylinder].sd[0]:
            best[cylinder] = found
    draws = {site.cylinders[i].name: _chosen(seen) for i, seen in sorted(best.items())}
    open_ = [i for i, c in enumerate(site.cylinders) if c.valve_open]
    if len(open_) > 1 and all(i in best for i in open_):
        every = [best[i] for i in open_]
        rate, var = sum(s.rate for s in every), sum(s.sd**2 for s in every)
        together = _Seen(
            np.asarray(rate), np.sqrt(var), min(s.newest for s in every), min(s.nights for s in every)
        )  # fmt: skip
        draws[SUPPLY] = _chosen(together)
    return draws


def hours_into(site: Site) -> Mapping[int, int] | None:
    """Return for each closed local hour how many closed hours come before it without a gap (over midnight too).

    None where something may burn at any hour, or nothing ever may: there is no night to look at.
    """
    closed = [not any(a.may_burn(h) for a in site.appliances) for h in range(24)]
    if not any(closed) or all(closed):
        return None
    out: dict[int, int] = {}
    for h in range(24):
        if closed[h]:
            back = 1
            while closed[(h - back) % 24]:
                back += 1
            out[h] = back - 1
    return out


def _nights(group: Sequence[Observation], into: Mapping[int, int], zone: ZoneInfo) -> Iterator[Night]:
    """Yield the runs of closed hours of one sensor that can be judged, oldest first."""
    closed: list[tuple[datetime, Observation]] = []
    for seen in group:
        time = level.EPOCH + timedelta(days=seen.time_d)
        local = time.astimezone(zone)
        if local.hour in into:
            begun = local.replace(tzinfo=None, minute=0, second=0, microsecond=0) - timedelta(hours=into[local.hour])
            if local.replace(tzinfo=None) - begun >= AFTER_USE:
                closed.append((begun, seen))
    for _, night in groupby(closed, key=lambda pair: pair[0]):
        made = _night([seen for _, seen in night])
        if made is not None:
            yield made


def _night(seen: Sequence[Observation]) -> Night | None:
    """Return the line through one night's readings; None where they are too few or no line."""
    if len(seen) < LEAST_READINGS or (seen[-1].time_d - seen[0].time_d) * 24.0 < LEAST_SPAN_H:
        return None
    hours = np.array([o.time_d for o in seen]) * 24.0
    hours -= hours.mean()
    kg = np.array([o.kg for o in seen])
    a, b = np.triu_indices(len(kg), 1)
    apart = hours[b] - hours[a]
    use = apart > 1e-6
    if not use.any():
        return None
    rest = kg - float(np.median((kg[b] - kg[a])[use] / apart[use])) * hours  # Theil-Sen: spikes do not turn it
    off = np.abs(rest - np.median(rest))
    keep = off <= OUTLIER * max(seen[0].sd_kg, 1.4826 * float(np.median(off)))
    if keep.sum() < LEAST_READINGS or keep.mean() < 1.0 - LEFT_OUT:
        return None
    hours, kg = hours[keep] - hours[keep].mean(), kg[keep] - kg[keep].mean()
    sxx = float(hours @ hours)
    if sxx <= 0.0:
        return None
    slope = float(hours @ kg) / sxx
    warm = np.array([math.nan if o.warm_k is None else o.warm_k for o in seen])[keep]
    warming = float(hours @ (warm - warm.mean())) / sxx  # NaN where one is not known
    rss = float(np.sum((kg - slope * hours) ** 2))
    end = level.EPOCH + timedelta(days=seen[-1].time_d)
    return Night(end, slope, sxx, rss, len(kg) - 2, warming)


def _noise_kg2(nights: Sequence[Night], usual_kg: float) -> float:
    """Noise variance about the nights' lines, from the sensor's usual one and what was seen."""
    rss, dof = sum(n.rss_kg2 for n in nights), sum(n.dof for n in nights)
    usual = min(usual_kg**2, (1.0 + MANY / dof) * rss / dof)  # many quiet readings outweigh a cautious first guess
    return max((NOISE_WEIGHT * usual + rss) / (NOISE_WEIGHT + dof), LEAST_NOISE_KG**2)


def _seen(nights: list[Night], usual_kg: float, warm_sd: float) -> _Seen | None:
    """Return what one sensor's nights say; `warm_sd` its drift with temperature (kg/K, one sd)."""
    if not nights:
        return None
    middle = float(np.median([n.rss_kg2 / n.dof for n in nights]))
    nights = [n for n in nights if n.rss_kg2 / n.dof <= BUMPY * max(middle, usual_kg**2, LEAST_NOISE_KG**2)]
    if not nights:
        return None
    nights.sort(key=lambda n: n.end, reverse=True)
    noise = _noise_kg2(nights, usual_kg)
    slope = np.array([n.slope_kg_h for n in nights])
    warming = np.array([n.warming_k_h for n in nights])
    known = np.isfinite(warming)
    var = noise / np.array([n.sxx_h2 for n in nights])
    var = np.where(known, var, var + (warm_sd * COOLING_K_H) ** 2)
    warming = np.where(known, warming, 0.0)
    drift = _fit(slope, var, warming, len(nights), warm_sd)[0][1]
    var *= _scatter(slope - drift * warming, var)
    rate, sd = np.full(len(WINDOWS), math.nan), np.full(len(WINDOWS), math.nan)
    for k, count in enumerate(WINDOWS):
        if count > len(nights) and k:
            break
        found, cov = _fit(slope, var, warming, min(count, len(nights)), warm_sd)
        rate[k], sd[k] = found[0], math.sqrt(float(cov[0, 0]))
        if not known.any():  # a drift with the cold is the same each night: it does not average out
            sd[k] = math.hypot(sd[k], warm_sd * COOLING_K_H)
    return _Seen(rate, sd, nights[0].end, len(nights))


def _scatter(slope: Series, var: Series) -> float:
    """Variance of the nights' slopes over what their noise explains: wind, creep, a cat. At least 1.

    By the median, and from neighbouring nights, so that neither one odd night nor a leak that begins widens it.
    """
    if len(slope) < COMPARED:
        return UNSURE**2
    off = np.diff(slope) ** 2 / (var[1:] + var[:-1])
    return max(1.0, float(np.median(off)) / 0.4549)  # median of chi-squared with one degree of freedom


def _fit(slope: Series, var: Series, warming: Series, count: int, warm_sd: float) -> tuple[Series, Series]:
    """Draw (kg/h) of the newest `count` nights and drift (kg/K), with their covariance; older nights have a rate of
    their own and help with the drift alone.
    """
    newer = np.arange(len(slope)) < count
    columns = [-newer.astype(float), warming]
    if not newer.all():
        columns.append((~newer).astype(float))
    rows = np.stack(columns, axis=1)
    weight = rows / var[:, None]
    normal = rows.T @ weight
    normal[1, 1] += 1.0 / max(warm_sd, 1e-9) ** 2
    cov = np.linalg.inv(normal)
    return np.asarray(cov @ (weight.T @ slope)), np.asarray(cov)


def _chosen(seen: _Seen) -> Draw:
    """Return the window that shows a draw most clearly, of those that newer nights do not contradict."""
    best = 0
    for k in range(1, len(WINDOWS)):
        if not math.isfinite(seen.rate[k]):
            break
        lower = seen.rate[:k] + CONTRADICTS * seen.sd[:k] < seen.rate[k]
        if not lower.any() and seen.rate[k] / seen.sd[k] > seen.rate[best] / seen.sd[best]:
            best = k
    return Draw(
        float(seen.rate[best]) / HOUR_S, float(seen.sd[best]) / HOUR_S, min(WINDOWS[best], seen.nights), seen.newest
    )
