"""What the members say together: bands by hour, the odds of each night and of the week, the coldest night ahead.

A night's odds are joint: the share of members in which at least one of its hours is uncovered, not a product of hours.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.outlook import Band, NightOdds

Series = NDArray[np.float64]
HOUR = timedelta(hours=1)
NIGHT_FROM, NIGHT_TO = 18, 10  # local clock; the morning's cooking belongs to the night that cooled the cylinders
WEEK_HOURS = 168
POINTS = np.array([0.1, 0.5, 0.9])


def quantiles(members: Series) -> Series:
    """Quantiles 10, 50, 90 % over the first axis, a member standing for an equal share of the odds; NaN where none is.

    `members` (m, ...) with NaN for members that cannot be judged; returns (3, ...).
    """
    ordered = np.sort(members, axis=0)  # NaN last
    count = np.isfinite(ordered).sum(axis=0)
    at = np.clip(POINTS.reshape(-1, *([1] * (members.ndim - 1))) * count - 0.5, 0.0, np.maximum(count - 1, 0))
    left = np.floor(at).astype(int)
    right = np.minimum(left + 1, np.maximum(count - 1, 0))
    low, high = np.take_along_axis(ordered, left, 0), np.take_along_axis(ordered, right, 0)
    return np.where(count > 0, low + (at - left) * (high - low), np.nan)


def band(members: Series) -> Band | None:
    """Band of one quantity (m,); None where no member has a value."""
    found = quantiles(members)
    return Band(*(float(v) for v in found)) if np.isfinite(found).all() else None


def by_hour(members: Series) -> list[Band | None]:
    """Band at each hour; `members` (m, hours)."""
    found = quantiles(members)
    return [Band(*(float(v) for v in column)) if np.isfinite(column).all() else None for column in found.T]


def _night_of(time: datetime, zone: ZoneInfo) -> int | None:
    local = time.astimezone(zone)
    if local.hour >= NIGHT_FROM:
        return local.date().toordinal() + 1
    return local.date().toordinal() if local.hour < NIGHT_TO else None


def _least(values: Series) -> Series:
    """Least over the hours of each member, NaN where a member has none."""
    filled = np.where(np.isfinite(values), values, np.inf).min(axis=1)
    return np.where(np.isfinite(filled), filled, np.nan)


def nights(
    times: Sequence[datetime],
    timezone: str,
    uncovered: NDArray[np.bool_],
    air_k: Series,
    capacity_w: Series,
    hold_s: Series,
) -> tuple[NightOdds, ...]:
    """Odds of each night (18-10 local). All arrays (members, hours); hours without air are left out."""
    zone = ZoneInfo(timezone)
    number = [_night_of(t, zone) for t in times]
    found = []
    for which in sorted({n for n in number if n is not None}):
        mine = np.array([n == which for n in number])
        judged = mine & np.isfinite(air_k).any(axis=0)
        if not judged.any():
            continue
        index = np.flatnonzero(mine)
        found.append(
            NightOdds(
                start=times[index[0]],
                end=times[index[-1]] + HOUR,
                probability=float(uncovered[:, judged].any(axis=1).mean()),
                coldest_k=band(_least(air_k[:, judged])),
                capacity_w=band(_least(capacity_w[:, judged])),
                hold_s=band(_least(hold_s[:, judged])),
                missing=int((mine & ~judged).sum()),
            )
        )
    return tuple(found)


def week(times: Sequence[datetime], uncovered: NDArray[np.bool_], air_k: Series) -> float | None:
    """Odds that any hour of the coming seven days is uncovered; None where fewer than six of them can be judged."""
    within = np.array([t < times[0] + WEEK_HOURS * HOUR for t in times])
    judged = within & np.isfinite(air_k).any(axis=0)
    if judged.sum() < 6 * 24:
        return None
    return float(uncovered[:, judged].any(axis=1).mean())


def coldest(found: Sequence[NightOdds]) -> NightOdds | None:
    """The night ahead with the lowest middle minimum."""
    known = [n for n in found if n.coldest_k is not None]
    return min(known, key=lambda n: n.coldest_k.p50 if n.coldest_k else np.inf, default=None)
