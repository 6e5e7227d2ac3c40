"""The hours ahead as arrays: a forecast cut to whole hours from now, history before it, the household's local clock."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.forecast import Forecast
from monitor.model.site import Site

Series = NDArray[np.float64]
HISTORY_HOURS = 48  # physics: the liquid's rest temperature starts from two days of air
LONGEST_LEAD_HOURS = 240  # a forecast that begins later than this is not an outlook from now
CLEAR_SKY_UNKNOWN = 1.0  # clear-sky share where the forecast has no cloud: the safe side at night
HOUR_S = 3600.0


@dataclass(frozen=True)
class Ahead:
    """Hours from the one that holds `at`. `air_k` is the central series (hours,), `members_k` (members, hours)."""

    times: tuple[datetime, ...]
    air_k: Series
    members_k: Series
    wind_m_s: Series
    sky: Series
    dewpoint_k: Series
    history_k: Series | None  # hourly air before the first hour, newest last, no gap
    notes: tuple[str, ...] = field(default=())


def hour_of(at: datetime) -> datetime:
    """Return the start of the UTC hour that holds `at` (aware)."""
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def dewpoint_k(air_k: Series, humidity: Series) -> Series:
    """Dew point (K) from air (K) and relative humidity (share) over water, 228-333 K.

    Magnus form with the constants of WMO-No. 8 (2018), Annex 4.B: 17.62, 243.12 degC. NaN in, NaN out.
    """
    celsius = air_k - 273.15
    gamma = np.log(np.clip(humidity, 0.01, 1.0)) + 17.62 * celsius / (243.12 + celsius)
    return np.asarray(273.15 + 243.12 * gamma / (17.62 - gamma), dtype=np.float64)


def local_hours(times: Sequence[datetime], timezone: str) -> NDArray[np.int64]:
    """Local clock hour 0..23 of each UTC time; a zone with a half-hour offset counts the hour it begins in."""
    zone = ZoneInfo(timezone)
    return np.array([t.astimezone(zone).hour for t in times], dtype=np.int64)


def may_burn(site: Site, times: Sequence[datetime]) -> tuple[NDArray[np.bool_], Series, NDArray[np.bool_]]:
    """For each hour: may any appliance burn; the longest stated burn (s) of those that burn by turns, 0 for none;
    may a continuous one burn.
    """
    local = local_hours(times, site.timezone)
    anything = np.zeros(len(local), dtype=bool)
    stated_s = np.zeros(len(local))
    for appliance in site.appliances:
        allowed = np.array([appliance.may_burn(int(h)) for h in local], dtype=bool)
        anything |= allowed
        if not appliance.continuous:
            stated_s = np.where(allowed, np.maximum(stated_s, appliance.hold_s), stated_s)
    return anything, stated_s, np.full(len(local), site.continuous_w > 0.0)


def central(members_k: Series) -> Series:
    """Mean over the members of each hour, NaN where none has a value."""
    there = np.isfinite(members_k)
    count = there.sum(axis=0)
    total = np.where(there, members_k, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan), dtype=np.float64)


def _hourly(times: Sequence[datetime], air_k: Sequence[float], first: datetime, hours: int) -> Series:
    """Mean of the values that fall in each of `hours` hours from `first`; NaN for an hour without one."""
    total, count = np.zeros(hours), np.zeros(hours)
    for time, value in zip(times, air_k, strict=True):
        k = int((time - first).total_seconds() // HOUR_S)
        if 0 <= k < hours and np.isfinite(value):
            total[k] += value
            count[k] += 1
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan), dtype=np.float64)


def history(
    forecast: Forecast | None, first: datetime, measured: tuple[Sequence[datetime], Sequence[float]] | None
) -> Series | None:
    """Hourly air of up to 48 h before `first`: measured where it was, else the forecast's own past hours.

    Short gaps (up to 3 h) are bridged by a straight line; a longer one ends the history there. None = nothing usable.
    """
    begin = first - timedelta(hours=HISTORY_HOURS)
    air = np.full(HISTORY_HOURS, np.nan)
    if forecast is not None:
        past = central(forecast.air_k)
        offset = int((forecast.start - begin).total_seconds() // HOUR_S)
        for k in range(max(0, offset), min(HISTORY_HOURS, offset + forecast.hours)):
            air[k] = past[k - offset]
    if measured is not None:
        seen = _hourly(measured[0], measured[1], begin, HISTORY_HOURS)
        air = np.where(np.isfinite(seen), seen, air)
    there = np.flatnonzero(np.isfinite(air))
    if there.size == 0 or there[-1] < HISTORY_HOURS - 4:
        return None
    breaks = np.flatnonzero(np.diff(there) > 4)
    start = there[breaks[-1] + 1] if breaks.size else there[0]
    index = np.arange(start, HISTORY_HOURS)
    return np.asarray(np.interp(index, there, air[there]), dtype=np.float64)


def _aligned(series: Series | None, offset: int, hours: int, default: float) -> Series:
    """Cut or shift a forecast's series to the hours ahead; `default` where there is no value."""
    out = np.full(hours, default)
    if series is None:
        return out
    for k in range(hours):
        source = k + offset
        if 0 <= source < series.shape[-1] and np.isfinite(series[source]):
            out[k] = series[source]
    return out


def ahead(
    forecast: Forecast, at: datetime, measured: tuple[Sequence[datetime], Sequence[float]] | None = None
) -> Ahead:
    """Cut `forecast` to whole hours from the one that holds `at` to its end; hours it lacks are NaN."""
    first = hour_of(at)
    notes: list[str] = []
    offset = int((first - forecast.start).total_seconds() // HOUR_S)
    if -offset > LONGEST_LEAD_HOURS:
        notes.append(f"the forecast begins only at {forecast.start.isoformat()}: no outlook before then")
        first, offset = forecast.start, 0
    hours = max(0, forecast.hours - offset)
    if hours == 0:
        notes.append(f"the forecast ended at {forecast.end.isoformat()}: nothing can be said about the air ahead")
    times = tuple(first + timedelta(hours=k) for k in range(hours))
    members = np.full((forecast.air_k.shape[0], hours), np.nan)
    low = max(0, -offset)
    members[:, low:] = forecast.air_k[:, offset + low : offset + hours]
    air = central(members)
    if forecast.wind_m_s is None:
        notes.append("no wind in the forecast: calm assumed")
    if forecast.cloud is None:
        notes.append("no cloud in the forecast: clear sky assumed")
    humidity = _aligned(forecast.humidity, offset, hours, np.nan)
    return Ahead(
        times=times,
        air_k=air,
        members_k=members,
        wind_m_s=np.maximum(_aligned(forecast.wind_m_s, offset, hours, 0.0), 0.0),
        sky=np.clip(1.0 - _aligned(forecast.cloud, offset, hours, 1.0 - CLEAR_SKY_UNKNOWN), 0.0, 1.0),
        dewpoint_k=dewpoint_k(air, humidity),
        history_k=history(forecast, first, measured),
        notes=tuple(notes),
    )


def _local_days(view: Ahead, timezone: str) -> tuple[list[date], NDArray[np.int64]]:
    """Local dates ahead in order, and the index of each hour's date."""
    zone = ZoneInfo(timezone)
    dates = [t.astimezone(zone).date() for t in view.times]
    order = list(dict.fromkeys(dates))
    return order, np.array([order.index(d) for d in dates], dtype=np.int64)


def daily_means(view: Ahead, timezone: str) -> list[float]:
    """Mean air (K) of each local day ahead, NaN where less than half of it is known."""
    order, index = _local_days(view, timezone)
    out = []
    for k in range(len(order)):
        air = view.air_k[index == k]
        air = air[np.isfinite(air)]
        out.append(float(air.mean()) if air.size >= 12 or (k == 0 and air.size) else float("nan"))
    return out


def spread_over_hours(
    view: Ahead, site: Site, mean_kg_d: Callable[[NDArray[np.int64], Series], Series], shares: Series | None
) -> Series:
    """Gas drawn in each hour ahead (kg): each day's mean over the hours of the week, else over those that may burn."""
    order, index = _local_days(view, site.timezone)
    air = np.array(daily_means(view, site.timezone))
    daily = mean_kg_d(np.array([d.weekday() for d in order], dtype=np.int64), air)
    local = local_hours(view.times, site.timezone)
    weekday = np.array([d.weekday() for d in order], dtype=np.int64)[index]
    if shares is None:
        allowed = np.array([any(a.may_burn(h) for a in site.appliances) for h in range(24)], dtype=np.float64)
        shares = np.tile(allowed / max(allowed.sum(), 1.0), (7, 1))
    return np.asarray(daily[index] * shares[weekday, local], dtype=np.float64)
