"""Series of the past for the picture and the tables: thinned, converted to fuel left, refills told from use."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.reading import LEVEL_QUANTITIES, Quantity
from monitor.model.site import Site
from monitor.model.units_out import show
from monitor.outlook import convert
from monitor.store import Store
from monitor.web import chart, thin, words
from monitor.web.scale import Linear, time_ticks

Values = NDArray[np.float64]
POINTS = 360
REFILL_SHARE = 0.12  # of full: a rise by this much within a step or two is gas put in, not noise or warming
FORECAST_DAYS = 32  # spans up to this show what was forecast a day before
# which kind of reading tells use best, where a cylinder has several
_BEST = ("gross_weight", "propane_left", "share_of_full", "liquid_height", "height_from_top", "echo_time",
         "liquid_volume", "gauge_percent")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Curve:
    """One source's view of one cylinder: propane left (kg) in each step, NaN = not read."""

    cylinder: str
    source: str
    quantity: str
    left_kg: Values


@dataclass(frozen=True, slots=True)
class Refill:
    """Gas put in."""

    at: datetime
    cylinder: str
    kg: float


@dataclass(frozen=True, slots=True)
class Month:
    """Use in one month; `days` is how many of its days could be judged."""

    name: str
    used_kg: float
    days: int


@dataclass(frozen=True, slots=True)
class Raised:
    """An alert that was raised."""

    at: datetime
    text: str


@dataclass(frozen=True, slots=True)
class History:
    """All of it. `used_kg` is kg by local day (NaN = not known), day k beginning at `day_starts[k]`."""

    span: thin.Span
    curves: Sequence[Curve]
    air_k: Values
    forecast_k: Values
    day_starts: Sequence[datetime]
    used_kg: Values
    months: Sequence[Month] = ()
    refills: Sequence[Refill] = ()
    raised: Sequence[Raised] = ()
    names: Mapping[str, str] = field(default_factory=dict)

    @property
    def any(self) -> bool:
        """Whether there is anything to draw."""
        return bool(self.curves) or bool(np.isfinite(self.air_k).any())


def collect(path: Path, site: Site, start: datetime, end: datetime, points: int = POINTS) -> History:
    """Read one span of the store."""
    span = thin.Span(start, end, points)
    zone = ZoneInfo(site.timezone)
    edges = _midnights(start, end, zone)
    with thin.opened(path) as series:
        streams = series.streams()
        air_k = _air(series, streams, span)
        curves = [c for s in streams if (c := _curve(series, s, span, site, air_k)) is not None]
    used, refills = _use(site, curves, span, edges)
    with Store.open(path, readonly=True) as store:
        raised = [
            Raised(t.at, f"{t.key.replace('-', ' ').replace('/', ', ')}: {t.reason}")
            for t in reversed(store.transitions(limit=2000))
            if t.after == "unacknowledged" and start <= t.at < end
        ]
        forecast_k = _forecast(store, site, span) if end - start <= timedelta(days=FORECAST_DAYS) else _nothing(span)
    return History(span, curves, air_k, forecast_k, edges[:-1], used, _months(edges, used, zone), refills, raised)


def _nothing(span: thin.Span) -> Values:
    return np.full(span.points, np.nan)


def _midnights(start: datetime, end: datetime, zone: ZoneInfo) -> list[datetime]:
    day = start.astimezone(zone).date()
    out = []
    while True:
        edge = datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
        if edge >= start - timedelta(days=1):
            out.append(edge)
        if edge > end:
            return out
        day += timedelta(days=1)


def _air(series: thin.Series, streams: Sequence[thin.Stream], span: thin.Span) -> Values:
    own = [s for s in streams if s.subject == "site" and s.quantity == Quantity.AIR_TEMPERATURE]
    found = [series.sample(s, span) for s in own]
    return thin.middle(np.stack(found, axis=-1)) if found else _nothing(span)


def _curve(series: thin.Series, stream: thin.Stream, span: thin.Span, site: Site, air_k: Values) -> Curve | None:
    cylinder = next((c for c in site.cylinders if c.name == stream.subject), None)
    if cylinder is None or stream.quantity not in {str(q) for q in LEVEL_QUANTITIES}:
        return None
    values = series.sample(stream, span)
    if not np.isfinite(values).any():
        return None
    liquid_k = np.where(np.isfinite(air_k), air_k, convert.NOMINAL_K)
    left = convert.to_kg(cylinder, Quantity(stream.quantity), values, liquid_k)
    return Curve(cylinder.name, stream.source, stream.quantity, np.maximum(left, 0.0))


def _use(
    site: Site, curves: Sequence[Curve], span: thin.Span, edges: Sequence[datetime]
) -> tuple[Values, list[Refill]]:
    """Use by day from the best curve of each cylinder, interpolated to midnights, refills told apart."""
    total = np.full(len(edges) - 1, np.nan)
    refills: list[Refill] = []
    at = np.array([span.middle(k).timestamp() for k in range(span.points)])
    marks = np.array([e.timestamp() for e in edges])
    for cylinder in site.cylinders:
        own = [c for c in curves if c.cylinder == cylinder.name]
        if not own:
            continue
        best = min(own, key=lambda c: (_BEST.index(c.quantity), -np.isfinite(c.left_kg).sum()))
        known = np.flatnonzero(np.isfinite(best.left_kg))
        if known.size < 2:
            continue
        left, times = best.left_kg[known], at[known]
        step = np.diff(left)
        up = step > REFILL_SHARE * cylinder.full_kg
        refills += [
            Refill(datetime.fromtimestamp(times[k + 1], UTC), cylinder.name, float(step[k])) for k in np.flatnonzero(up)
        ]
        lasted = np.diff(times)
        usual = float(np.median(-step[~up] / lasted[~up])) if (~up).any() else 0.0
        # what was burnt while a cylinder was filled cannot be seen: take the usual
        burnt = np.concatenate([[0.0], np.cumsum(np.where(up, max(usual, 0.0) * lasted, -step))])
        each = np.diff(np.interp(marks, times, burnt, left=np.nan, right=np.nan))
        total = np.where(np.isfinite(each), np.where(np.isfinite(total), total, 0.0) + each, total)
    return total, sorted(refills, key=lambda r: r.at)


def _months(edges: Sequence[datetime], used: Values, zone: ZoneInfo) -> list[Month]:
    groups: dict[tuple[int, int], list[float]] = {}
    for edge, kg in zip(edges, used, strict=False):
        local = edge.astimezone(zone)
        if np.isfinite(kg):
            groups.setdefault((local.year, local.month), []).append(float(kg))
    return [
        Month(f"{datetime(y, m, 1, tzinfo=UTC):%B} {y}", max(0.0, sum(kgs)), len(kgs))
        for (y, m), kgs in sorted(groups.items(), reverse=True)
    ]


def _forecast(store: Store, site: Site, span: thin.Span) -> Values:
    """The air as it was forecast about a day before, in each step."""
    from monitor.weather import yard

    out = _nothing(span)
    middles = [span.middle(k) for k in range(span.points)]
    for kind in list(dict.fromkeys(w.kind for w in site.weather))[:1]:
        since = span.start - timedelta(days=2)
        for forecast in yard.issued_daily(store, kind, since, span.end, site.timezone):
            mean = forecast.air_k.mean(axis=0)
            for k, moment in enumerate(middles):
                lead = (moment - forecast.issued) / timedelta(hours=1)
                hour = int((moment - forecast.start) / timedelta(hours=1))
                if 24 <= lead < 48 and 0 <= hour < mean.size:
                    out[k] = mean[hour]
    return out


def _points(span: thin.Span, values: Values, to: chart.Convert) -> list[tuple[float, float | None]]:
    step = span.step.total_seconds()
    return [((k + 0.5) * step, to(v) if v == v else None) for k, v in enumerate(values.tolist())]  # noqa: PLR0124  NaN


def draw(found: History, shown: chart.Shown, zone: ZoneInfo, width: float = chart.WIDTH) -> chart.Chart:
    """Draw fuel left, use a day and air over the span."""
    span = found.span
    seconds = (span.end - span.start).total_seconds()
    x = Linear(0.0, seconds, chart.LEFT, width - chart.RIGHT)
    left = {
        f"{c.cylinder} ({c.source})": _joined(_points(span, c.left_kg, shown.mass), c.left_kg) for c in found.curves
    }
    air = {
        "air": _joined(_points(span, found.air_k - 273.15, shown.temperature), found.air_k),
        "liquid": _points(span, found.forecast_k - 273.15, shown.temperature),
    }
    panels = [
        chart.panel("left", shown.mass_unit, (20, 200), left, x, floor=0.0, tagged=True),
        chart.panel(
            "use", f"{shown.mass_unit}/day", (235, 345), {}, x, upright={"days": _bars(found, shown)}, floor=0.0
        ),
    ]
    measured = bool(np.isfinite(found.air_k).any() or np.isfinite(found.forecast_k).any())
    if measured:
        panels.append(chart.panel("air", shown.temperature_unit, (380, 500), air, x))
    flags = [(x((r.at - span.start).total_seconds()), f"filled {r.cylinder}") for r in found.refills]
    return chart.Chart(
        width=width, height=540.0 if measured else 385.0, left=chart.LEFT, right=width - chart.RIGHT, panels=panels,
        times=[(x(t.seconds), t) for t in time_ticks(span.start, span.end, zone, round((width - chart.LEFT) / 56))],
        shades=[], start=span.start,
        seconds=seconds, flags=flags, marks=[x((r.at - span.start).total_seconds()) for r in found.raised],
        steps=span.points,
    )  # fmt: skip


def _joined(points: list[tuple[float, float | None]], values: Values) -> list[tuple[float, float | None]]:
    """Leave out short gaps (readings by hand, a sensor that reports seldom), keep long ones as gaps."""
    known = np.flatnonzero(np.isfinite(values))
    if known.size < 2:
        return points
    longest = 4 * float(np.median(np.diff(known)))
    out: list[tuple[float, float | None]] = []
    last = known[0]
    for k in known:
        if k - last > max(longest, 3):
            out.append((points[k][0], None))
        out.append(points[k])
        last = k
    return out


def _bars(found: History, shown: chart.Shown) -> list[tuple[float, float, float]]:
    """A bar for each day whose use is known, narrower than the day."""
    start, end = found.span.start, (found.span.end - found.span.start).total_seconds()
    known = np.isfinite(found.used_kg)
    firsts = [(day - start).total_seconds() for day in found.day_starts]
    return [
        (max(0.0, first + 8_000.0), min(end, first + 78_400.0), shown.mass(max(0.0, kg)))
        for first, kg, told in zip(firsts, found.used_kg.tolist(), known.tolist(), strict=True)
        if told and first + 78_400.0 > 0.0 and first + 8_000.0 < end
    ]


def texts(found: History, site: Site, zone: ZoneInfo) -> list[str]:
    """Return one line for each step, for the reader under the finger."""
    return [text_at(found, k, site, zone) for k in range(found.span.points)]


def last_text(found: History, site: Site, zone: ZoneInfo) -> str:
    """Return the line of the newest step in which something was read, "" where there is none."""
    series = [c.left_kg for c in found.curves] + [found.air_k]
    known = np.flatnonzero(np.isfinite(np.stack(series)).any(axis=0))
    return text_at(found, int(known[-1]), site, zone) if known.size else ""


def text_at(found: History, k: int, site: Site, zone: ZoneInfo) -> str:
    """Return the line of one step."""
    at = found.span.middle(k)
    parts = [
        f"{c.cylinder} {show(float(c.left_kg[k]), 'mass', site.units)} by {c.source}"
        for c in found.curves
        if np.isfinite(c.left_kg[k])
    ]
    if np.isfinite(found.air_k[k]):
        parts.append(f"air {show(float(found.air_k[k]), 'temperature', site.units)}")
    day = bisect_right(found.day_starts, at) - 1
    if 0 <= day < found.used_kg.size and np.isfinite(found.used_kg[day]):
        parts.append(f"used that day {show(max(0.0, float(found.used_kg[day])), 'mass', site.units)}")
    return f"{words.stamp(at, zone)}: " + ("; ".join(parts) or "nothing was read")
