"""The odds of trouble before a trip for gas on each of the coming days. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from statistics import NormalDist
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.outlook import HourOutlook
from monitor.model.site import Site
from monitor.outlook.fuel import Ahead, coldest_covered_k

Series = NDArray[np.float64]
DAYS_AHEAD = 45
DAY = timedelta(days=1)
FORECAST_SD_K = 2.5  # usual error of a night's minimum some days ahead; from memory


def mendable_odds(site: Site, hours: Sequence[HourOutlook], since: datetime) -> dict[datetime, float]:
    """Odds that an hour in which something may burn is uncovered, as far as a full charge would mend it."""
    normal, limit_k = NormalDist(), coldest_covered_k(site)
    out: dict[datetime, float] = {}
    for hour in hours if limit_k is not None else ():
        if hour.air_k is None or not hour.may_burn or hour.time < since - timedelta(hours=1):
            continue
        odds = hour.probability_uncovered
        if odds is None:
            odds = 1.0 if hour.uncovered else 0.0
        out[hour.time] = odds - normal.cdf(((limit_k or 0.0) - hour.air_k) / FORECAST_SD_K)
    return out


def odds_by_day(
    site: Site,
    left: tuple[float, float],
    ahead: Ahead,
    hours: Sequence[HourOutlook],
    mendable: Mapping[datetime, float],
    floors_kg: tuple[float, float],
    first_hour: int,
) -> Series:
    """Odds that before a trip on the day after each day ahead the fuel is at its floor, or a meal was uncovered.

    `floors_kg`: the reserve, for days that the hours tell of (their own odds judge the cold there, so that it counts
    once), and the floor for the days beyond. An hour before `first_hour` comes before that day's trip. Of the odds
    only what a full charge would mend counts: no trip helps against colder air.
    """
    normal = NormalDist()
    zone = ZoneInfo(site.timezone)
    first = ahead.at.astimezone(zone).date()
    cold, told = np.zeros(DAYS_AHEAD), np.zeros(DAYS_AHEAD, dtype=bool)
    for hour in hours:
        local = hour.time.astimezone(zone)
        day = (local.date() - first).days
        if not 0 <= day < DAYS_AHEAD or hour.air_k is None:
            continue
        told[day] = True
        k = day - 1 if local.hour < first_hour else day
        if k >= 0 and hour.time in mendable:
            cold[k] = max(cold[k], mendable[hour.time])
    spread = np.hypot(ahead.sd_kg, max(left[1], 1e-3))[:DAYS_AHEAD]
    score = (ahead.mean_kg[:DAYS_AHEAD] - left[0] + np.where(told, *floors_kg)) / spread
    fuel = np.array([normal.cdf(float(s)) for s in score])
    return np.maximum.accumulate(np.maximum(fuel, cold))
