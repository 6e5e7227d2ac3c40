"""The air ahead with its odds: members that agree with how wrong forecasts of this kind are.

Pure: no chance is involved. The members of a forecast without members of its own come from a fixed set of draws, so
the same facts give the same outlook. What the numbers rest on:

| number | from |
|---|---|
| `SIGMA_K`, days 1-5 | published error of forecast minima: UK Met Office performance page (119 sites: within 2 degC on 86.5 % of first nights, so sigma 1.34); MetGIS, an Alpine station (within 2 degC on 86, 82, 76, 60, 54 % on days 1-5) |
| days 6-10 | extrapolated, no source |
| heavy tails, nu = 4 | US multi-provider study of 2005: 3 % of next-day highs off by 10 degF and more (nu about 3); error kurtosis 4-5 of calibrated ensembles over Toulouse 2019-21 |
| twice the spread | spread / RMSE 0.44-0.48 at 30 h in four of five ensembles over Toulouse 2019-21 (CRAN package flatness) |
| 6.5 K/km | standard atmosphere (ISO 2533), also what ECMWF's verification uses |
| night to night 0.5 | assumed: errors of neighbouring nights go together, hours of one night nearly as one |
"""  # noqa: E501

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from statistics import NormalDist
from typing import Protocol
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.forecast import NO_SERVICE, Forecast
from monitor.model.site import Site

Series = NDArray[np.float64]

SIGMA_K = (
    1.4,
    1.6,
    1.9,
    2.4,
    2.8,
    3.1,
    3.4,
    3.7,
    4.0,
    4.2,
)  # standard deviation of the night minimum's error, day 1-10
LEADS = len(SIGMA_K)
NU = 4  # of Student's t
MEMBERS = 41
ENSEMBLE_FROM = 5  # fewer members than this are no ensemble
SPREAD_FACTOR = 2.0
NIGHT_TO_NIGHT = 0.5
LAPSE_K_M = 0.0065
NIGHT_FROM, NIGHT_TO = 18, 10  # local clock: a night's minimum lies between; one error is drawn for it
HOUR = timedelta(hours=1)
SMOOTH_H = 12  # members are ranked by their anomaly over half a day, so that rank does not flicker
REPRESENTATIVENESS_K = 1.0


class Correction(Protocol):
    """What was learnt of this site: how to move a forecast, and how far off it still is."""

    def corrected(self, air_k: Series, lead_h: Series, hour: Series) -> Series:
        """Return the corrected air temperature (K) at local clock hours `hour`."""

    def sigma_k(self, default_k: Series, spread_k: Series | None, lead_h: Series) -> Series:
        """Return the standard deviation (K) of the corrected forecast's error."""


def student_quantile(p: Series) -> Series:
    """Quantile of Student's t with 4 degrees of freedom, in units of its own standard deviation (root 2).

    Closed form: W. T. Shaw, J. Computational Finance 9(4), 2006.
    """
    a = np.clip(4.0 * p * (1.0 - p), 1e-300, 1.0)
    root = np.sqrt(a)
    q = np.cos(np.arccos(root) / 3.0) / root
    return np.asarray(np.sign(p - 0.5) * 2.0 * np.sqrt(np.maximum(q - 1.0, 0.0)) / math.sqrt(2.0), dtype=np.float64)


@lru_cache(maxsize=8)
def ladder(members: int) -> Series:
    """Errors of `members` equally likely members, ascending, in standard deviations; they add to 0."""
    return student_quantile((np.arange(members) + 0.5) / members)


@lru_cache(maxsize=8)
def draws(members: int, days: int) -> Series:
    """Fixed set of errors (members, days) in standard deviations: each day one `ladder`, neighbouring days go together.

    Additive quasi-random points (M. Roberts' generalisation of the golden ratio), run through a first-order
    autoregression and put in the ladder's order.
    """
    phi = 2.0
    for _ in range(60):
        phi = (1.0 + phi) ** (1.0 / (days + 1))
    normal = NormalDist()
    count = np.arange(1, members + 1)
    steps = ladder(members)
    out = np.empty((members, days))
    state = np.zeros(members)
    for day in range(days):
        u = (0.5 + count * (1.0 / phi) ** (day + 1)) % 1.0
        z = np.array([normal.inv_cdf(min(max(float(x), 1e-6), 1.0 - 1e-6)) for x in u])
        weight = NIGHT_TO_NIGHT if day else 0.0
        state = weight * state + math.sqrt(1.0 - weight**2) * z
        out[np.argsort(state, kind="stable"), day] = steps
    return out


def lead_hours(forecast: Forecast) -> Series:
    """Hours from the forecast's own time of issue to each of its hours; an old forecast is so less sure by itself."""
    first = (forecast.start - forecast.issued) / HOUR
    return np.asarray(first + np.arange(forecast.hours), dtype=np.float64)


def default_sigma_k(lead_h: Series) -> Series:
    """Standard deviation (K) of the error at `lead_h`, where nothing is known of this site; flat beyond ten days."""
    centres = 24.0 * np.arange(LEADS) + 12.0
    return np.asarray(np.interp(lead_h, centres, np.array(SIGMA_K)), dtype=np.float64)


def combined_sigma_k(default_k: Series, spread_k: Series | None, weight: float = 0.5) -> Series:
    """Default error and an ensemble's doubled spread together (K): quadratic mean, at least 0.7 of the default."""
    if spread_k is None:
        return default_k
    wide = SPREAD_FACTOR * spread_k
    both = np.sqrt((1.0 - weight) * default_k**2 + weight * np.where(np.isfinite(wide), wide, default_k) ** 2)
    return np.asarray(np.maximum(both, 0.7 * default_k), dtype=np.float64)


def local_hours(start: datetime, hours: int, timezone: str) -> Series:
    """Local clock time (hours, with fraction) of each hour from `start`."""
    zone = ZoneInfo(timezone)
    local = [(start + k * HOUR).astimezone(zone) for k in range(hours)]
    return np.array([t.hour + t.minute / 60.0 for t in local])


def elevation_shift_k(forecast: Forecast, site: Site) -> float:
    """What height makes of it (K): colder where the site lies higher than the forecast's cell; 0 where not stated."""
    if forecast.elevation_m is None or site.elevation_m == 0.0:
        return 0.0
    return LAPSE_K_M * (forecast.elevation_m - site.elevation_m)


def central(members_k: Series) -> Series:
    """Mean over the members of each hour, NaN where none has a value."""
    there = np.isfinite(members_k)
    count = there.sum(axis=0)
    total = np.where(there, members_k, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan), dtype=np.float64)


def raw_spread_k(forecast: Forecast) -> Series | None:
    """Spread (K, one standard deviation) that the source gives, from members or as stated; None where it gives none."""
    members = forecast.air_k.shape[0]
    if members >= ENSEMBLE_FROM:
        there = np.isfinite(forecast.air_k)
        count = there.sum(axis=0)
        off = np.where(there, forecast.air_k - central(forecast.air_k), 0.0)
        spread = np.sqrt((off**2).sum(axis=0) / np.maximum(count - 1, 1))
        return np.asarray(np.where(count >= ENSEMBLE_FROM, spread, np.nan), dtype=np.float64)
    return forecast.spread_k


def error_paths(start: datetime, hours: int, timezone: str, fixed: Series) -> Series:
    """Standardised error of each member at each hour (members, hours): one draw a night, by day a passage to the next.

    `fixed` (members, nights) as `draws` gives them. From 18 to 10 local the error stays, so that a member's minimum is
    not lowered by its own wavering; by day the mix of two nights is scaled so that its spread stays one.
    """
    local = local_hours(start, hours, timezone)
    zone = ZoneInfo(timezone)
    first_day = start.astimezone(zone).date()
    days = np.array([((start + k * HOUR).astimezone(zone).date() - first_day).days for k in range(hours)])
    left = np.minimum(days, fixed.shape[1] - 2)
    w = np.clip((local - NIGHT_TO) / (NIGHT_FROM - NIGHT_TO), 0.0, 1.0)
    size = np.sqrt((1.0 - w) ** 2 + w**2 + 2.0 * w * (1.0 - w) * NIGHT_TO_NIGHT)
    return np.asarray(((1.0 - w) * fixed[:, left] + w * fixed[:, left + 1]) / size, dtype=np.float64)


def _smoothed(anomaly: Series) -> Series:
    """Centred running mean over half a day along the hours; gaps count as no anomaly."""
    filled = np.nan_to_num(anomaly)
    total = np.cumsum(np.pad(filled, ((0, 0), (1, 0))), axis=1)
    n = filled.shape[1]
    low = np.maximum(np.arange(n) - SMOOTH_H // 2, 0)
    high = np.minimum(np.arange(n) + SMOOTH_H // 2 + 1, n)
    return np.asarray((total[:, high] - total[:, low]) / (high - low), dtype=np.float64)


def ranked_errors(raw_k: Series, tie_break: Series) -> Series:
    """Standardised errors in the rank order of raw members (members, hours): ensemble copula coupling.

    Members keep their order and so their coherence in time (Schefzik, Thorarinsdottir, Gneiting, Statistical Science
    28(4), 2013). `tie_break` (members, hours) settles the order of members that are equal.
    """
    members = tie_break.shape[0]
    if raw_k.shape[0] >= members:
        chosen = raw_k[np.linspace(0, raw_k.shape[0] - 1, members).round().astype(int)]
    else:
        chosen = raw_k[np.arange(members) % raw_k.shape[0]]
    score = _smoothed(chosen - central(chosen)) + 0.05 * tie_break
    rank = np.argsort(np.argsort(score, axis=0, kind="stable"), axis=0, kind="stable")
    return np.asarray(ladder(members)[rank], dtype=np.float64)


def prepare(
    forecast: Forecast,
    site: Site,
    *,
    learnt: Correction | None = None,
    members: int = MEMBERS,
    representativeness_k: float | None = None,
) -> Forecast:
    """Return `forecast` made right for this yard, with `members` equally likely members and its spread (K).

    Elevation first, then what was learnt here, then the error that forecasts of this age have: the ensemble's own
    order where it is one, else one heavy-tailed error a night. Until something is learnt the yard may differ from
    its grid cell by `representativeness_k` (the site's setting, 1 K by default). Gaps stay gaps.
    """
    if representativeness_k is None:
        stated = site.settings.get("forecast.representativeness")
        representativeness_k = REPRESENTATIVENESS_K if stated is None else float(stated)
    lead = lead_hours(forecast)
    shift = elevation_shift_k(forecast, site)
    middle = central(forecast.air_k) + shift
    default = default_sigma_k(lead)
    spread = raw_spread_k(forecast)
    notes = list(forecast.notes)
    if shift:
        notes.append(f"{abs(shift):.1f} °C {'colder' if shift < 0 else 'warmer'} for the site's height")
    if learnt is None:
        sigma = np.hypot(combined_sigma_k(default, spread), representativeness_k)
    else:
        middle = learnt.corrected(middle, lead, local_hours(forecast.start, forecast.hours, site.timezone))
        sigma = learnt.sigma_k(default, spread, lead)
    nights = forecast.hours // 24 + 3
    errors = error_paths(forecast.start, forecast.hours, site.timezone, draws(members, nights))
    if forecast.air_k.shape[0] >= ENSEMBLE_FROM:
        errors = ranked_errors(forecast.air_k, errors)
    return replace(forecast, air_k=middle + sigma * errors, spread_k=sigma, notes=tuple(notes))


# Both from the winter minima of the Illinois series (a continental climate: wide for a coast).
SEASON_SIGMA_K = (6.2, 7.2, 7.5, 7.7, 7.8, 7.9, 8.0, 8.1, 8.1, 8.2)
SEASON_MEMORY_D = 3.0  # how long the weather of now lasts
SEASON_HOURS = 240
LEAST_HISTORY_H = 20
ANNUAL_K_DEG = 0.33  # half the range between seasons (K) a degree of latitude, as in the Illinois series; no source
COLDEST_DAY = 20  # of the year on the northern hemisphere; half a year later on the southern


def from_season(
    times: Sequence[datetime], air_k: Sequence[float], at: datetime, site: Site, hours: int = SEASON_HOURS
) -> Forecast | None:
    """Return a forecast from the site's own thermometer and the season, for when no service is left; None without data.

    The weather of the last day fades (3 days) into the mean of the days there are, up to 30, which follows the season;
    the daily course is that of the last days. Its members are as wide as such forecasts were wrong in Illinois.
    """
    start = at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    back = 30 * 24
    total, count = np.zeros(back), np.zeros(back)
    for time, value in zip(times, air_k, strict=True):
        k = back - math.ceil((start - time) / HOUR)
        if 0 <= k < back and math.isfinite(value):
            total[k] += value
            count[k] += 1
    there = count > 0
    if there[-24:].sum() < LEAST_HISTORY_H:
        return None
    past = np.where(there, total / np.maximum(count, 1), np.nan)
    days = past.reshape(-1, 24)
    with_enough = np.isfinite(days).sum(axis=1) >= LEAST_HISTORY_H
    level = np.nanmean(days[with_enough], axis=1)
    now, usual = float(level[-1]), float(level.mean())
    course = np.nanmean(days[with_enough][-5:] - level[-5:, None], axis=0)
    ahead = np.arange(hours)
    fade = np.exp(-(ahead / 24.0 + 0.5) / SEASON_MEMORY_D)
    middle_of_past = start - timedelta(days=float(with_enough.sum()) / 2.0)
    trend = np.array([_season_k(start + int(k) * HOUR, site) for k in ahead]) - _season_k(middle_of_past, site)
    middle = usual + trend + (now - usual) * fade + course[ahead % 24]
    sigma = np.interp(ahead, 24.0 * np.arange(LEADS) + 12.0, np.array(SEASON_SIGMA_K))
    errors = error_paths(start, hours, site.timezone, draws(MEMBERS, hours // 24 + 3))
    return Forecast(
        source=NO_SERVICE,
        issued=at.astimezone(UTC),
        received=at.astimezone(UTC),
        start=start,
        air_k=middle + sigma * errors,
        spread_k=sigma,
        notes=("no forecast: the last days' temperatures and the season stand for it, with wide odds",),
    )


def _season_k(when: datetime, site: Site) -> float:
    """Mean air temperature of the day of the year, against the year's mean (K)."""
    coldest = COLDEST_DAY if site.latitude >= 0.0 else COLDEST_DAY + 182.6
    day = (when - datetime(when.year, 1, 1, tzinfo=UTC)) / timedelta(days=1)
    return -ANNUAL_K_DEG * abs(site.latitude) * math.cos(2.0 * math.pi * (day - coldest) / 365.25)
