"""How the odds of a shortfall that were given turned out, hour by hour.

Given: the outlooks as they were made, one a day. Came: the same judgement made once more with the air that was then
measured, from the levels of the outlook of that day and the wind and cloud of its forecast.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from monitor import outlook
from monitor.model.forecast import Forecast
from monitor.model.reading import Level
from monitor.model.site import Site
from monitor.outlook.cases import Measured
from monitor.weather import yard

Series = NDArray[np.float64]
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)


class Facts(yard.Facts, Protocol):
    """What is read of the store."""

    def outlooks(self, *, since: datetime, until: datetime) -> list[dict[str, Any]]:
        """Return outlooks in their JSON form by when they were made."""


def record(store: Facts, site: Site, since: datetime, now: datetime) -> tuple[Series, NDArray[np.bool_], Series]:
    """Return the odds given, whether the hour was uncovered, and the lead (h), for each hour that can be judged."""
    seen = yard.measured(store, since - 3 * DAY, now)
    odds: list[float] = []
    came: list[bool] = []
    leads: list[float] = []
    if seen is not None:
        made = _one_a_day(store, since, now)
        truth = _truth(store, site, seen, made)
        for payload in made:
            at = datetime.fromisoformat(payload["at"])
            for hour in payload.get("hours", ()):
                time = datetime.fromisoformat(hour["time"])
                given = hour.get("probability_uncovered")
                if given is not None and hour.get("may_burn") and time >= at and time in truth:
                    odds.append(float(given))
                    came.append(truth[time])
                    leads.append((time - at) / HOUR)
    return np.array(odds), np.array(came, dtype=bool), np.array(leads)


def _one_a_day(store: Facts, since: datetime, now: datetime) -> list[dict[str, Any]]:
    """The first outlook of each 24 h from `since` on."""
    found, start = [], since
    while start < now:
        for begin in (start, start + timedelta(hours=2)):  # outlooks are made every few minutes: look at few of them
            some = store.outlooks(since=begin, until=begin + timedelta(hours=2))
            if some:
                found.append(some[0])
                break
        start += DAY
    return found


def _truth(store: Facts, site: Site, seen: Measured, made: list[dict[str, Any]]) -> dict[datetime, bool]:
    """Whether each hour was uncovered, by the air that was measured; hours that cannot be judged are left out."""
    out: dict[datetime, bool] = {}
    for payload in made:
        at = datetime.fromisoformat(payload["at"])
        before = store.forecasts(since=at - DAY, until=at + HOUR)
        start = at.replace(minute=0, second=0, microsecond=0)
        forecast = _measured_forecast(before[-1] if before else None, seen, start)
        levels = [level for entry in payload.get("levels", ()) if (level := _level(entry, at)) is not None]
        if not levels or not np.isfinite(forecast.air_k).any():
            continue
        history = seen.at(start - 2 * DAY, 48)
        times = [start - 2 * DAY + k * HOUR for k in range(48)]
        judged = outlook.make(site, forecast, levels, at, history=(times, history.tolist()))
        out.update({h.time: h.uncovered for h in judged.hours if h.uncovered is not None})
    return out


def _measured_forecast(like: Forecast | None, seen: Measured, start: datetime) -> Forecast:
    """The day that followed as if it had been forecast: measured air, the forecast's wind and cloud."""
    hours = 25
    plain = Forecast("measured", start, start, start, seen.at(start, hours)[None, :])
    if like is None:
        return plain
    offset = int((start - like.start) / HOUR)

    def cut(values: Series | None) -> Series | None:
        if values is None or offset < 0 or offset + hours > values.size:
            return None
        return values[offset : offset + hours]

    return replace(plain, wind_m_s=cut(like.wind_m_s), cloud=cut(like.cloud), humidity=cut(like.humidity))


def _level(entry: Mapping[str, Any], at: datetime) -> Level | None:
    if entry.get("left_kg") is None or not entry.get("reading_time"):
        return None
    return Level(
        cylinder=str(entry["cylinder"]),
        time=at,
        left_kg=float(entry["left_kg"]),
        sd_kg=0.0,
        burn_kg_s=float(entry.get("burn_kg_s") or 0.0),
        burn_sd_kg_s=0.0,
        reading_time=datetime.fromisoformat(str(entry["reading_time"])),
        basis="as it stood then",
    )
