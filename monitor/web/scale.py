"""Scales and path strings for pictures drawn on the server. Pure: numbers in, strings and numbers out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class Linear:
    """Maps `low`..`high` in the data onto `start`..`end` in the picture."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Position of `value` in the picture, held within it."""
        if self.high == self.low:
            return self.start
        share = (value - self.low) / (self.high - self.low)
        return round(self.start + (self.end - self.start) * min(1.0, max(0.0, share)), 2)

    @property
    def rule(self) -> tuple[float, float]:
        """Position of zero and length of one unit in the picture, for many values that lie within."""
        if self.high == self.low:
            return self.start, 0.0
        length = (self.end - self.start) / (self.high - self.low)
        return self.start - length * self.low, length


def nice_step(span: float, count: int) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that cuts `span` into about `count` parts."""
    if span <= 0 or not math.isfinite(span):
        return 1.0
    raw = span / max(1, count)
    power = 10.0 ** math.floor(math.log10(raw))
    for factor in (1.0, 2.0, 5.0, 10.0):
        if raw <= factor * power * (1 + 1e-9):
            return factor * power
    return 10.0 * power


def ticks(low: float, high: float, count: int = 5) -> list[float]:
    """Return round values from `low` to `high`, both taken outwards to the next step."""
    step = nice_step(high - low, count)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(k * step, 10) for k in range(first, max(last, first + 1) + 1)]


def line(points: Sequence[tuple[float, float | None]], x: Linear, y: Linear) -> str:
    """Return an SVG path through `points`; None starts a new piece, so that a gap stays a gap."""
    parts: list[str] = []
    pen_down = False
    (x0, kx), (y0, ky) = x.rule, y.rule
    for px, py in points:
        if py is None or not math.isfinite(py):
            pen_down = False
            continue
        parts.append(f"{' ' if pen_down else 'M'}{x0 + kx * px:.1f} {y0 + ky * py:.1f}")
        pen_down = True
    return "".join(parts)


def band(points: Sequence[tuple[float, float | None, float | None]], x: Linear, y: Linear) -> str:
    """Return a closed SVG path between two curves; a point with a None in it ends the piece."""
    out: list[str] = []
    there: list[str] = []
    back: list[str] = []
    (x0, kx), (y0, ky) = x.rule, y.rule
    for px, low, high in [*points, (0.0, None, None)]:
        if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
            if len(there) > 1:
                out.append(f"M{' '.join(there)} {' '.join(reversed(back))}Z")
            there, back = [], []
        else:
            at = f"{x0 + kx * px:.1f}"
            there.append(f"{at} {y0 + ky * high:.1f}")
            back.append(f"{at} {y0 + ky * low:.1f}")
    return "".join(out)


def bars(spans: Sequence[tuple[float, float, float]], x: Linear, y: Linear) -> str:
    """Return an SVG path of upright bars from zero: (from, to, height)."""
    (x0, kx), (y0, ky) = x.rule, y.rule
    return "".join(
        f"M{x0 + kx * a:.1f} {y0:.1f}V{y0 + ky * height:.1f}H{x0 + kx * b:.1f}V{y0:.1f}Z" for a, b, height in spans
    )


@dataclass(frozen=True, slots=True)
class TimeTick:
    """A mark on a time axis; `strong` at local midnight."""

    seconds: float
    label: str
    strong: bool


def time_ticks(start: datetime, end: datetime, zone: ZoneInfo, most: int = 16) -> list[TimeTick]:
    """Return about `most` marks in local time between two UTC times: hours, days or months."""
    hours = (end - start).total_seconds() / 3600
    if hours > 24 * 120:
        return _months(start, end, zone, most)
    every = next((h for h in (1, 3, 6, 12, 24) if hours / h <= most), 24 * max(1, math.ceil(hours / 24 / most)))
    local = start.astimezone(zone).replace(minute=0, second=0, microsecond=0)
    marks: list[TimeTick] = []
    moment = local.astimezone(UTC)
    while moment <= end:
        here = moment.astimezone(zone)
        days = here.toordinal() - local.toordinal()
        due = here.hour % every == 0 if every < 24 else here.hour == 0 and days % (every // 24) == 0
        if due and moment >= start:
            midnight = here.hour == 0
            label = f"{here:%a} {here.day}" if midnight else f"{here:%H:%M}"
            marks.append(TimeTick((moment - start).total_seconds(), label, midnight))
        moment += timedelta(hours=1)
    return marks


def _months(start: datetime, end: datetime, zone: ZoneInfo, most: int) -> list[TimeTick]:
    marks: list[TimeTick] = []
    year, month = start.astimezone(zone).year, start.astimezone(zone).month
    count = max(1, round((end - start).days / 30.4 / most))
    while True:
        first = datetime(year, month, 1, tzinfo=zone).astimezone(UTC)
        if first > end:
            return marks
        if first >= start and (month - 1) % count == 0:
            label = str(year) if month == 1 else f"{first.astimezone(zone):%b}"
            marks.append(TimeTick((first - start).total_seconds(), label, month == 1))
        month += 1
        if month == 13:
            year, month = year + 1, 1
