"""ISO 8601 intervals as the US service's raw grid uses them, expanded to whole hours.

Mostly start/duration; start/end, duration/end and NOW are allowed by its schema and read too.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import numpy as np

from monitor.weather.series import HOUR, Series, hour_floor

_DURATION = re.compile(
    r"P(?:(\d+)Y)?(?:(\d+)M)?(?:(\d+)W)?(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?(?:(\d+(?:\.\d+)?)S)?)?"
)
LONGEST = timedelta(days=40)


def duration(text: str) -> timedelta:
    """Return an ISO 8601 duration; a month counts 30 days, a year 365. Raises ValueError."""
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()):
        raise ValueError(f"{text!r} is no duration")
    years, months, weeks, days, hours, minutes, seconds = (float(g or 0) for g in match.groups())
    whole_days = 365 * years + 30 * months + 7 * weeks + days
    return timedelta(days=whole_days, hours=hours, minutes=minutes, seconds=seconds)


def interval(text: str, now: datetime) -> tuple[datetime, datetime]:
    """Return start and end (UTC) of an interval. Raises ValueError for anything else, or one that runs back."""
    first, slash, second = text.partition("/")
    if not slash:
        raise ValueError(f"{text!r} is no interval")
    if first.startswith("P"):
        end = _moment(second, now)
        start = end - duration(first)
    else:
        start = _moment(first, now)
        end = start + duration(second) if second.startswith("P") else _moment(second, now)
    if not start < end <= start + LONGEST:
        raise ValueError(f"{text!r} is no interval of up to 40 days")
    return start, end


def _moment(text: str, now: datetime) -> datetime:
    if text == "NOW":
        return now
    when = datetime.fromisoformat(text)
    if when.tzinfo is None:
        raise ValueError(f"{text!r} has no UTC offset")
    return when.astimezone(UTC)


def expand(parts: Iterable[tuple[datetime, datetime, float]], start: datetime, hours: int) -> Series:
    """Value of each hour from `start`: that of the interval which holds the hour's start; NaN where none does.

    Where two intervals hold it, the one that begins later counts.
    """
    out = np.full(hours, np.nan)
    for begins, ends, value in sorted(parts, key=lambda p: p[0]):
        if math.isnan(value):
            continue
        low = math.ceil((begins - start) / HOUR)
        high = math.ceil((ends - start) / HOUR)
        out[max(low, 0) : max(min(high, hours), 0)] = value
    return out


def reach(parts: Iterable[tuple[datetime, datetime, float]]) -> tuple[datetime, datetime]:
    """Return first and last moment that some interval holds. Raises ValueError where there is none."""
    spans = [(a, b) for a, b, _ in parts]
    if not spans:
        raise ValueError("no interval")
    return hour_floor(min(a for a, _ in spans)), max(b for _, b in spans)
