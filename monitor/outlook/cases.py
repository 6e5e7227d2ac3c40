"""Forecasts as issued beside what the site's own thermometer measured: what is learnt from, and what is left out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.forecast import Forecast
from monitor.model.site import Site
from monitor.outlook import air
from monitor.outlook.air import LEADS
from monitor.outlook.learn import PART_H, PARTS, Cases

Series = NDArray[np.float64]
HOUR = timedelta(hours=1)
LEAST_HOURS = 2  # of a part's three

# When the thermometer is not to be learnt from. Judgement, no source.
STUCK_H = 10
STUCK_RANGE_K = 4.0  # of the forecast meanwhile
WILD_K = 15.0  # away from the forecast of the first day, or from one hour to the next
INDOORS_H = 72
INDOORS_SHARE = 0.2  # of the forecast's day-to-day movement
INDOORS_WARM_K = 8.0


@dataclass(frozen=True)
class Measured:
    """Hourly means of the outdoor thermometer from `start` (UTC, whole hour); NaN = nothing measured."""

    start: datetime
    air_k: Series

    @classmethod
    def of(cls, times: Sequence[datetime], air_k: Sequence[float]) -> Measured | None:
        """Return means of half an hour before to half an hour after each hour: forecasts mean the value at the hour."""
        good = [(t, v) for t, v in zip(times, air_k, strict=True) if math.isfinite(v)]
        if not good:
            return None
        half = timedelta(minutes=30)
        stamps = [(t.astimezone(UTC) + half).replace(minute=0, second=0, microsecond=0) for t, _ in good]
        start = min(stamps)
        index = np.array([(s - start) // HOUR for s in stamps])
        hours = int(index.max()) + 1
        count = np.bincount(index, minlength=hours)
        total = np.bincount(index, [v for _, v in good], minlength=hours)
        return cls(start, np.where(count > 0, total / np.maximum(count, 1), np.nan))

    def at(self, start: datetime, hours: int) -> Series:
        """Return the values of `hours` hours from `start`, NaN outside."""
        out = np.full(hours, np.nan)
        offset = int((start - self.start) / HOUR)
        low, high = max(0, -offset), min(hours, self.air_k.size - offset)
        if high > low:
            out[low:high] = self.air_k[low + offset : high + offset]
        return out


def pair(forecast: Forecast, measured: Measured, site: Site) -> Cases:
    """Return the cases of one forecast: means over three local hours, both sides from the same hours."""
    lead_h = air.lead_hours(forecast)
    seen = measured.at(forecast.start, forecast.hours)
    said = air.central(forecast.air_k) + air.elevation_shift_k(forecast, site)
    spread = air.raw_spread_k(forecast)
    use = np.isfinite(seen) & np.isfinite(said) & (lead_h >= 0.0) & (lead_h < 24.0 * LEADS)
    if not use.any():
        return Cases.none()
    zone = ZoneInfo(site.timezone)
    local = [t.astimezone(zone) for t in forecast.times()]
    day = np.array([t.date().toordinal() for t in local])
    part = np.array([t.hour // PART_H for t in local])
    lead = (lead_h // 24.0).astype(np.int64) + 1
    key = ((day * PARTS + part) * (LEADS + 2) + lead)[use]
    groups, first, which, count = np.unique(key, return_index=True, return_inverse=True, return_counts=True)
    enough = count >= LEAST_HOURS

    def mean(values: Series) -> Series:
        return np.asarray((np.bincount(which, values[use], groups.size) / count)[enough], dtype=np.float64)

    unix_h = int(forecast.start.timestamp() // 3600) + np.arange(forecast.hours)
    ends = np.zeros(groups.size, dtype=np.int64)
    np.maximum.at(ends, which, unix_h[use] + 1)
    return Cases(
        lead=lead[use][first][enough],
        part=part[use][first][enough].astype(np.int64),
        night=day[use][first][enough].astype(np.int64),
        ends=ends[enough],
        forecast_k=mean(said),
        spread_k=mean(spread) if spread is not None else np.full(int(enough.sum()), np.nan),
        observed_k=mean(seen),
    )


def one_a_day(forecasts: Sequence[Forecast], timezone: str) -> list[Forecast]:
    """Return for each source and local day the first forecast issued: hourly pulls are not new evidence each."""
    zone = ZoneInfo(timezone)
    kept: dict[tuple[str, int], Forecast] = {}
    for forecast in sorted(forecasts, key=lambda f: f.issued):
        kept.setdefault((forecast.source, forecast.issued.astimezone(zone).date().toordinal()), forecast)
    return list(kept.values())


def gather(forecasts: Sequence[Forecast], measured: Measured, site: Site) -> Cases:
    """Return the cases of all `forecasts` (of one source), leaving out hours in which the thermometer is suspect."""
    chosen = one_a_day(forecasts, site.timezone)
    guide = first_day(chosen, measured)
    bad, _ = suspect(measured, guide)
    trusted = Measured(measured.start, np.where(bad, np.nan, measured.air_k))
    return Cases.joined([pair(f, trusted, site) for f in chosen])


def first_day(forecasts: Sequence[Forecast], measured: Measured) -> Series:
    """What the newest forecast of at most a day's lead said for each measured hour; NaN where there was none."""
    out = np.full(measured.air_k.size, np.nan)
    for forecast in sorted(forecasts, key=lambda f: f.issued):
        lead = air.lead_hours(forecast)
        offset = int((forecast.start - measured.start) / HOUR)
        middle = air.central(forecast.air_k)
        for k in np.flatnonzero((lead >= 0.0) & (lead < 24.0) & np.isfinite(middle)):
            if 0 <= k + offset < out.size:
                out[k + offset] = middle[k]
    return out


def suspect(measured: Measured, guide_k: Series) -> tuple[NDArray[np.bool_], str]:
    """Return which hours of the thermometer are not to be learnt from, and why in words ("" = none).

    Stuck while the forecast moves, wildly away from it, jumping, or moving so little and so warm that it hangs indoors.
    `guide_k` is the forecast of the first day for the same hours.
    """
    seen = measured.air_k
    bad = np.zeros(seen.size, dtype=bool)
    reasons = []
    far = np.abs(seen - guide_k) > WILD_K
    step = np.abs(np.diff(seen, prepend=seen[:1])) > WILD_K
    if (far | step).any():
        bad |= far | step
        reasons.append("it differs wildly from the forecast or jumps")
    for begin in range(max(seen.size - STUCK_H + 1, 0)):
        part, said = seen[begin : begin + STUCK_H], guide_k[begin : begin + STUCK_H]
        if np.isfinite(part).all() and np.isfinite(said).all() and np.ptp(part) < 0.05 and np.ptp(said) > STUCK_RANGE_K:
            bad[begin : begin + STUCK_H] = True
            if "it is stuck" not in reasons:
                reasons.append("it is stuck")
    for begin in range(0, max(seen.size - INDOORS_H + 1, 0), 24):
        part, said = seen[begin : begin + INDOORS_H], guide_k[begin : begin + INDOORS_H]
        both = np.isfinite(part) & np.isfinite(said)
        if both.sum() < INDOORS_H // 2:
            continue
        little = np.std(part[both]) < INDOORS_SHARE * np.std(said[both])
        if little and float(np.mean(part[both] - said[both])) > INDOORS_WARM_K:
            bad[begin : begin + INDOORS_H] = True
            if "it seems to hang indoors" not in reasons:
                reasons.append("it seems to hang indoors")
    return bad, "; ".join(reasons)
