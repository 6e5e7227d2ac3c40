"""Values at times -> whole UTC hours. A gap stays a gap; only steps that a source documents are bridged."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]

LOWEST_C, HIGHEST_C = -80.0, 60.0  # outside, a number is an error and no air temperature
STEEPEST_K = 30.0  # from one hour to the next
ZERO_C = 273.15
HOUR = timedelta(hours=1)
LONGEST_HOURS = 24 * 40  # no source here looks further; guards against a wild time stamp


def number(value: Any) -> float:
    """Return `value` as a float, NaN for null, text that is no number, and anything else that is none."""
    if isinstance(value, bool) or value is None:
        return math.nan
    if isinstance(value, str):
        try:
            value = float(value.strip())
        except ValueError:
            return math.nan
    if isinstance(value, int | float):
        try:
            result = float(value)
        except OverflowError:  # an integer beyond any float
            return math.nan
        return result if math.isfinite(result) else math.nan
    return math.nan


def numbers(values: Sequence[Any]) -> Series:
    """Return `values` as an array, NaN where `number` gives it."""
    return np.array([number(v) for v in values], dtype=np.float64)


def air_k(celsius: Series) -> tuple[Series, int]:
    """Return air temperature in K with values no air can have made gaps, and how many there were."""
    with np.errstate(invalid="ignore"):
        wild = np.isfinite(celsius) & ((celsius < LOWEST_C) | (celsius > HIGHEST_C))
    return np.where(wild, np.nan, celsius + ZERO_C), int(wild.sum())


def steady(air: Series) -> tuple[Series, int]:
    """Return air temperatures (K, (members, hours)), both sides of a step that cannot be made gaps; and the steps.

    No front is steeper: the fastest change on record is 27 K within minutes (Spearfish, 1943; from memory).
    """
    with np.errstate(invalid="ignore"):
        steps = np.abs(np.diff(air, axis=1)) > STEEPEST_K
    beside = np.zeros(air.shape, dtype=bool)
    beside[:, :-1] |= steps
    beside[:, 1:] |= steps
    return np.where(beside, np.nan, air), int(steps.sum())


def within(values: Series, low: float, high: float) -> Series:
    """Return `values` with those outside low..high made gaps."""
    with np.errstate(invalid="ignore"):
        return np.where((values >= low) & (values <= high), values, np.nan)


def hour_floor(when: datetime) -> datetime:
    """Return the start of the UTC hour that holds `when`."""
    return when.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def span(times: Sequence[datetime]) -> tuple[datetime, int]:
    """Return the first whole hour and the number of hours that hold every one of `times` (aware, not empty)."""
    first = min(times).astimezone(UTC)
    start = hour_floor(first)
    if first != start:
        start += HOUR
    hours = int((max(times) - start) // HOUR) + 1
    return start, max(hours, 0)


def on_hours(start: datetime, hours: int, times: Sequence[datetime], values: Series, bridge_h: float = 1.0) -> Series:
    """Values at whole hours: as given where a time is one, else between neighbours at most `bridge_h` apart.

    `times` ascend strictly. Anything further apart is a gap (NaN) between, and so is the outside of the series.
    """
    out = np.full(hours, np.nan)
    there = np.flatnonzero(np.isfinite(values))
    if there.size == 0:
        return out
    at = np.array([(times[int(i)] - start) / HOUR for i in there])
    known = values[there]
    grid = np.arange(hours, dtype=np.float64)
    after = np.searchsorted(at, grid, side="left")
    for k in range(hours):
        i = int(after[k])
        if i < at.size and at[i] == grid[k]:
            out[k] = known[i]
        elif 0 < i < at.size and at[i] - at[i - 1] <= bridge_h + 1e-9:
            part = (grid[k] - at[i - 1]) / (at[i] - at[i - 1])
            out[k] = known[i - 1] + part * (known[i] - known[i - 1])
    return out


def parse_time(text: str) -> datetime:
    """Return an ISO 8601 time with offset as UTC; raises ValueError where the offset or the form is missing."""
    when = datetime.fromisoformat(text)
    if when.tzinfo is None:
        raise ValueError("no UTC offset")
    try:
        return when.astimezone(UTC)
    except OverflowError:  # in the year 1 or 9999 an offset leads out of what can be told
        raise ValueError(f"{text[:40]} is no time") from None


def nearest_grid(latitude: float, longitude: float, decimals: int) -> tuple[str, str]:
    """Return coordinates as text rounded to `decimals`, no trailing zeros, longitude brought within -180..180."""
    wrapped = (longitude + 180.0) % 360.0 - 180.0
    return _short(latitude, decimals), _short(wrapped, decimals)


def _short(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def member(payload: Any, *path: str) -> Any:
    """Return payload[path[0]][path[1]]... or None where any step is not there."""
    for key in path:
        if not isinstance(payload, Mapping):
            return None
        payload = payload.get(key)
    return payload
