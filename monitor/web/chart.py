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
from monitor.web.scale import Linear, TimeTick, band, bars, line, ticks, time_ticks

Hour = Mapping[str, Any]
WIDTH, LEFT, RIGHT = 960.0, 64.0, 12.0
NARROW = 400.0  # width of the picture for a phone
HOLD_SHOWN_MIN = 240.0  # longer holds are no answer to a meal; drawn at this height


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
    dots: Sequence[tuple[float, float, str]] = ()  # points with no neighbour to draw a line to, by curve
    note: str = ""  # what the axis leaves out


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
    upright: Mapping[str, Sequence[tuple[float, float, float]]] | None = None,
    levels: Mapping[str, float] | None = None,
    floor: float | None = None,
    ceiling: float | None = None,
    tagged: bool = False,
    note: str = "",
) -> Panel:
    """Scale one panel to what it shows and turn its series into paths; `upright` are bars (from, to, height)."""
    values = [v for points in curves.values() for _, v in points if v is not None]
    values += [v for points in (bands or {}).values() for _, a, b in points for v in (a, b) if v is not None]
    values += [height for spans in (upright or {}).values() for _, _, height in spans]
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
        bands={key: band(points, x, y) for key, points in (bands or {}).items()}
        | {key: bars(spans, x, y) for key, spans in (upright or {}).items()},
        levels={key: y(v) for key, v in (levels or {}).items()},
        tags=[(x(s), y(v), key) for key, points in curves.items() for s, v in _end(points)] if tagged else (),
        dots=[(x(s), y(v), key) for key, points in curves.items() for s, v in _lone(points)],
        note=note,
    )


def _lone(points: Sequence[tuple[float, float | None]]) -> list[tuple[float, float]]:
    """The points that have no value on either side."""
    values = [v for _, v in points]
    around = zip([None, *values[:-1]], [*values[1:], None], strict=True)
    return [
        (s, v)
        for (s, v), (before, after) in zip(points, around, strict=True)
        if v is not None and before is None and after is None
    ]


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
    demand = {"demand": shown.power(float(payload["demand_w"]))}
    burn = {"stated burn": burn_s / 60.0} if burn_s else {}
    fuel = _fuel(rows, seconds, shown)
    panels = [
        panel("air", shown.temperature_unit, (20, 130), _temperatures(rows, seconds, shown), x,
              bands=_odds(rows, seconds, "air_band_c", shown.temperature)),
        panel("capacity", shown.power_unit, (160, 330), power, x, levels=demand, floor=0.0, tagged=True,
              bands=_odds(rows, seconds, "capacity_band_w", shown.power)),
        panel("hold", "min", (360, 450), {"hold": _scaled(seconds, [h["hold_s"] for h in rows], _minutes)}, x,
              levels=burn, floor=0.0, bands=_odds(rows, seconds, "hold_band_s", _minutes),
              note=f"cut at {HOLD_SHOWN_MIN:.0f}" if _cut(rows) else ""),
        panel("fuel", shown.mass_unit, (480, 590), fuel, x, floor=0.0, tagged=True,
              bands=_run_out(payload, seconds[-1] + 3600.0, times[0], shown)),
    ]  # fmt: skip
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


def _minutes(seconds: float) -> float:
    return min(seconds / 60.0, HOLD_SHOWN_MIN)


def _cut(rows: Sequence[Hour]) -> bool:
    """Whether the hold time or its band leaves the picture."""
    ends = [h["hold_s"] for h in rows] + [(h.get("hold_band_s") or {}).get("p90") for h in rows]
    return any(s is not None and s > 60.0 * HOLD_SHOWN_MIN for s in ends)


def _odds(
    rows: Sequence[Hour], seconds: Sequence[float], name: str, to: Convert
) -> dict[str, list[tuple[float, float | None, float | None]]]:
    """Band between the 10 and 90 % of one quantity, where the outlook carries odds."""
    bands = [h.get(name) or {} for h in rows]
    if not any(bands):
        return {}
    low, high = (_scaled(seconds, [b.get(p) for b in bands], to) for p in ("p10", "p90"))
    return {"odds": [(s, a, b) for (s, a), (_, b) in zip(low, high, strict=True)]}


def _run_out(
    payload: Mapping[str, Any], span: float, start: datetime, shown: Shown
) -> dict[str, list[tuple[float, float | None, float | None]]]:
    """Band of all fuel left: straight from what is left now to nothing at the early and the late date of its end."""
    supply = next((f for f in payload.get("fuel", ()) if f["subject"] == "supply"), None)
    ends = (supply or {}).get("dry") or payload.get("run_out")
    known = [level["left_kg"] for level in payload.get("levels", ()) if level["left_kg"] is not None]
    left = sum(known) if supply is None else supply["left_kg"]
    if not ends or ends["p10"] is None or not left:
        return {}
    made = (datetime.fromisoformat(str(payload["at"])) - start).total_seconds()

    def at(moment: float, end: str | None) -> float:
        if end is None:  # later than can be said: it may stay as it is
            return shown.mass(left)
        dry = (datetime.fromisoformat(end) - start).total_seconds()
        return shown.mass(left * max(0.0, 1.0 - max(0.0, moment - made) / max(1.0, dry - made)))

    moments = [span * k / 48 for k in range(49)]
    return {"odds": [(m, at(m, ends["p10"]), at(m, ends["p90"])) for m in moments]}


def _fuel(rows: Sequence[Hour], seconds: Sequence[float], shown: Shown) -> dict[str, list[tuple[float, float | None]]]:
    names = sorted({name for h in rows for name in h.get("charge_kg", {})})
    each = {name: _scaled(seconds, [h.get("charge_kg", {}).get(name) for h in rows], shown.mass) for name in names}
    if len(names) < 2:
        return each
    whole = [sum(h["charge_kg"].values()) if len(h.get("charge_kg", {})) == len(names) else None for h in rows]
    return {**each, "all": _scaled(seconds, whole, shown.mass)}


def _shades(payload: Mapping[str, Any], start: datetime, x: Linear, span: float) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for stretch in payload["uncovered"]:
        first = (datetime.fromisoformat(str(stretch["from"])) - start).total_seconds()
        last = (datetime.fromisoformat(str(stretch["to"])) - start).total_seconds()
        if last > 0 and first < span:
            left, right = x(max(0.0, first)), x(min(span, last))
            out.append((left, round(right - left, 2)))
    return out
