"""The outlook drawn in four stacked panels on one time axis: air, capacity against demand, hold time, fuel.

Each function takes the outlook's JSON form (fixed names, SI) and gives path strings in picture units; the template
places them. Nothing here knows colours or words: those are in the template and the style sheet.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.model.site import BASES
from monitor.web.scale import Linear, TimeTick, band, line, ticks, time_ticks

Hour = Mapping[str, Any]
WIDTH, LEFT, RIGHT = 960.0, 64.0, 12.0
NARROW = 400.0  # width of the picture for a phone


@dataclass(frozen=True, slots=True)
class Mark:
    """A labelled height on a panel's value axis."""

    y: float
    label: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel: its frame, its value axis, its curves by name and its bands by name."""

    name: str
    top: float
    bottom: float
    unit: str
    marks: Sequence[Mark]
    curves: Mapping[str, str]
    bands: Mapping[str, str] = field(default_factory=dict)
    levels: Mapping[str, float] = field(default_factory=dict)  # constant heights, e.g. the demand
    tags: Sequence[tuple[float, float, str]] = ()  # the curves' names at their ends


@dataclass(frozen=True, slots=True)
class Chart:
    """The whole picture. `shades` are (x, width) of the uncovered stretches; `seconds` spans the x axis."""

    width: float
    height: float
    left: float
    right: float
    panels: Sequence[Panel]
    times: Sequence[tuple[float, TimeTick]]
    shades: Sequence[tuple[float, float]]
    start: datetime
    seconds: float
    flags: Sequence[tuple[float, str]] = ()  # labelled moments
    marks: Sequence[float] = ()  # moments at which an alert was raised
    steps: int = 0  # equal steps of the x axis that have a line of text each


Convert = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Shown:
    """How values are shown: converters from SI and the unit's sign, for temperature, power and mass."""

    temperature: Convert
    temperature_unit: str
    power: Convert
    power_unit: str
    mass: Convert
    mass_unit: str


def _hour_times(hours: Sequence[Hour]) -> list[datetime]:
    return [datetime.fromisoformat(str(h["time"])) for h in hours]


def panel(
    name: str,
    unit: str,
    frame: tuple[float, float],
    curves: Mapping[str, Sequence[tuple[float, float | None]]],
    x: Linear,
    *,
    bands: Mapping[str, Sequence[tuple[float, float | None, float | None]]] | None = None,
    levels: Mapping[str, float] | None = None,
    floor: float | None = None,
    ceiling: float | None = None,
    tagged: bool = False,
) -> Panel:
    """Scale one panel to what it shows and turn its series into paths."""
    values = [v for points in curves.values() for _, v in points if v is not None]
    values += [v for points in (bands or {}).values() for _, a, b in points for v in (a, b) if v is not None]
    values += list((levels or {}).values())
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    low = low if floor is None else min(floor, low)
    high = high if ceiling is None else min(ceiling, high)
    steps = ticks(low, high if high > low else low + 1.0, 4)
    top, bottom = frame
    y = Linear(steps[0], steps[-1], bottom, top)
    return Panel(
        name=name,
        top=top,
        bottom=bottom,
        unit=unit,
        marks=[Mark(y(v), f"{v:,.10g}") for v in steps],
        curves={key: line(points, x, y) for key, points in curves.items()},
        bands={key: band(points, x, y) for key, points in (bands or {}).items()},
        levels={key: y(v) for key, v in (levels or {}).items()},
        tags=[(x(s), y(v), key) for key, points in curves.items() for s, v in _end(points)] if tagged else (),
    )


def _end(points: Sequence[tuple[float, float | None]]) -> list[tuple[float, float]]:
    """The last point of a curve, [] where it has none."""
    return [(s, v) for s, v in points if v is not None][-1:]


def _scaled(seconds: Sequence[float], values: Sequence[float | None], to: Convert) -> list[tuple[float, float | None]]:
    return [(s, None if v is None else to(v)) for s, v in zip(seconds, values, strict=True)]


def outlook_chart(
    payload: Mapping[str, Any], shown: Shown, zone: ZoneInfo, hours: int | None = None,
    burn_s: float | None = None, width: float = WIDTH,
) -> Chart:  # fmt: skip
    """Draw the first `hours` hours (all where None) of an outlook in its JSON form; `burn_s` is the stated burn."""
    rows: list[Hour] = list(payload["hours"])[:hours]
    if not rows:
        raise ValueError("an outlook without hours cannot be drawn")
    times = _hour_times(rows)
    seconds = [(t - times[0]).total_seconds() for t in times]
    x = Linear(0.0, seconds[-1] + 3600.0, LEFT, width - RIGHT)
    power: dict[str, list[tuple[float, float | None]]] = {
        b: _scaled(seconds, [h["sustained_w"].get(b) for h in rows], shown.power) for b in BASES
    }
    spread = [(s, c and c[1], f and f[1]) for s, c, f in zip(seconds, power["weather"], power["chart"], strict=True)]
    hold = [(s, None if h["hold_s"] is None else h["hold_s"] / 60.0) for s, h in zip(seconds, rows, strict=True)]
    panels = [
        panel(
            "air",
            shown.temperature_unit,
            (20, 130),
            _temperatures(rows, seconds, shown),
            x,
            bands=_air_band(rows, seconds, shown),
        ),
        panel(
            "capacity",
            shown.power_unit,
            (160, 330),
            power,
            x,
            bands={"bases": spread},
            levels={"demand": shown.power(float(payload["demand_w"]))},
            floor=0.0,
        ),
        panel(
            "hold",
            "min",
            (360, 450),
            {"hold": [(s, None if v is None else min(v, 240.0)) for s, v in hold]},
            x,
            levels={"stated burn": burn_s / 60.0} if burn_s else {},
            floor=0.0,
        ),
        panel("fuel", shown.mass_unit, (480, 590), _fuel(rows, seconds, shown), x, floor=0.0, tagged=True),
    ]
    return Chart(
        width=width,
        height=630.0,
        left=LEFT,
        right=width - RIGHT,
        panels=panels,
        times=[(x(t.seconds), t) for t in time_ticks(times[0], times[-1], zone, round((width - LEFT) / 56))],
        shades=_shades(payload, times[0], x, seconds[-1] + 3600.0),
        start=times[0],
        seconds=seconds[-1] + 3600.0,
        steps=len(rows),
    )


def _temperatures(
    rows: Sequence[Hour], seconds: Sequence[float], shown: Shown
) -> dict[str, list[tuple[float, float | None]]]:
    return {
        "air": _scaled(seconds, [h["air_c"] for h in rows], shown.temperature),
        "liquid": _scaled(seconds, [h["liquid_c"] for h in rows], shown.temperature),
    }


def _air_band(
    rows: Sequence[Hour], seconds: Sequence[float], shown: Shown
) -> dict[str, list[tuple[float, float | None, float | None]]]:
    """Band of the air temperature's 10 to 90 % where the outlook carries odds."""
    bands = [h.get("air_band_c") or {} for h in rows]
    if not any(bands):
        return {}
    low = _scaled(seconds, [b.get("p10") for b in bands], shown.temperature)
    high = _scaled(seconds, [b.get("p90") for b in bands], shown.temperature)
    return {"odds": [(s, a, b) for (s, a), (_, b) in zip(low, high, strict=True)]}


def _fuel(rows: Sequence[Hour], seconds: Sequence[float], shown: Shown) -> dict[str, list[tuple[float, float | None]]]:
    names = sorted({name for h in rows for name in h.get("charge_kg", {})})
    return {name: _scaled(seconds, [h.get("charge_kg", {}).get(name) for h in rows], shown.mass) for name in names}


def _shades(payload: Mapping[str, Any], start: datetime, x: Linear, span: float) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for stretch in payload["uncovered"]:
        first = (datetime.fromisoformat(str(stretch["from"])) - start).total_seconds()
        last = (datetime.fromisoformat(str(stretch["to"])) - start).total_seconds()
        if last > 0 and first < span:
            left, right = x(max(0.0, first)), x(min(span, last))
            out.append((left, round(right - left, 2)))
    return out
