"""A forecast from a file: the fixed CSV, or the same fields as JSON.

CSV: a header line with `time` (ISO 8601 with offset) and `air_temperature_c`; optional `wind_speed_m_s`,
`cloud_cover_pct`, `relative_humidity_pct`, `member`, and `issued` (the same on every line). An empty field is a gap.
JSON: `{"issued": ..., "credit": ..., "elevation_m": ..., "hours": [{"time": ..., "air_temperature_c": ...}, ...]}`.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from monitor.model.errors import BadInput, Problem
from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.weather import series
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context
from monitor.weather.series import Series

MAX_BYTES = 32 * 1024 * 1024
MOST_PROBLEMS = 20  # more do not help anyone

# field -> (lowest, highest, to SI: factor, offset, what it is)
_FIELDS: Mapping[str, tuple[float, float, float, float, str]] = {
    "air_temperature_c": (series.LOWEST_C, series.HIGHEST_C, 1.0, series.ZERO_C, "°C"),
    "wind_speed_m_s": (0.0, 120.0, 1.0, 0.0, "m/s"),
    "cloud_cover_pct": (0.0, 100.0, 0.01, 0.0, "percent"),
    "relative_humidity_pct": (0.0, 110.0, 0.01, 0.0, "percent"),
}
_GAPS = frozenset({"", "null", "nan", "na", "n/a", "none", "-"})


@dataclass(frozen=True)
class _Row:
    line: int
    time: datetime
    member: str
    values: Mapping[str, float]  # SI, NaN = gap


class _Problems(list[Problem]):
    def add(self, line: int, key: str, value: object, expected: str, hint: str = "") -> None:
        if len(self) < MOST_PROBLEMS:
            self.append(Problem(key, repr(str(value)[:60]), expected, hint, line))


def read_csv(path: Path, received: datetime | None = None) -> Forecast:
    """Return the forecast in the CSV file at `path`. Raises BadInput with the line of every problem.

    Lines may come in any order. Without a column `issued` the file's own time of change (or `received`) stands for it.
    """
    text, changed = _text(path)
    return parse_csv(text, str(path), received or changed)


def parse_csv(text: str, name: str, received: datetime) -> Forecast:
    """Return the forecast in `text` (CSV); `name` is what messages call it. Raises BadInput."""
    problems = _Problems()
    reader = csv.reader(io.StringIO(text, newline=""))
    header: list[str] = []
    rows: list[tuple[int, dict[str, Any]]] = []
    try:
        for fields in reader:
            if not any(f.strip() for f in fields):
                continue
            if not header:
                header = _header([f.strip().lstrip("\ufeff").lower() for f in fields], name, reader.line_num)
                continue
            if len(fields) != len(header):
                hint = "Decimals take a point, and a text with a comma quotes" if len(fields) > len(header) else ""
                problems.add(reader.line_num, "line", ",".join(fields), f"{len(header)} fields as in the header", hint)
                continue
            rows.append((reader.line_num, dict(zip(header, (f.strip() for f in fields), strict=True))))
    except csv.Error as error:
        raise BadInput(Problem(name, str(error), "CSV text", line=reader.line_num)) from error
    if not header:
        raise BadInput(Problem(name, "nothing", "a header line with time and air_temperature_c"))
    issued = {r["issued"]: line for line, r in reversed(rows) if r.get("issued")}
    if len(issued) > 1:
        problems.add(max(issued.values()), "issued", next(iter(issued)), "one time of issue for the whole file")
    return _forecast(rows, name, received, problems, issued=next(iter(issued), None))


def parse_json(text: str, name: str, received: datetime) -> Forecast:
    """Return the forecast in `text` (JSON as the module says); rows are counted from 1. Raises BadInput."""
    try:
        body = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise BadInput(Problem(name, "text that is no JSON", "JSON", str(error))) from error
    hours = body.get("hours") if isinstance(body, Mapping) else None
    if not isinstance(hours, list) or not all(isinstance(h, Mapping) for h in hours):
        raise BadInput(Problem(name, type(body).__name__, 'an object with a list "hours" of objects'))
    rows = [(i, {str(k): v for k, v in h.items()}) for i, h in enumerate(hours, 1)]
    height = series.number(body.get("elevation_m"))
    forecast = _forecast(rows, name, received, _Problems(), issued=body.get("issued"))
    return Forecast(
        **{
            **{f: getattr(forecast, f) for f in forecast.__dataclass_fields__},
            "credit": str(body.get("credit") or ""),
            "elevation_m": height if math.isfinite(height) else None,
        }
    )


def fetch(source: WeatherSource, site: Site, context: Context) -> Forecast:
    """Return the forecast in the file that `source.path` names. Raises WeatherError."""
    del site
    if not source.path:
        raise WeatherError("permanent", "the forecast source of kind file has no path")
    path = Path(source.path)
    try:
        text, changed = _text(path)
        parse = parse_json if path.suffix.lower() == ".json" else parse_csv
        forecast = parse(text, str(path), changed)
    except BadInput as error:
        raise WeatherError("temporary", f"file {path}: {error.problems[0]}") from error
    return checked(forecast, f"file {path}", context.now())


def checked(forecast: Forecast, who: str, now: datetime) -> Forecast:
    """Return `forecast` stamped with when it was read; raises WeatherError where it is a day old or over."""
    age = (now - forecast.issued) / timedelta(hours=1)
    if age > 24.0:
        raise WeatherError("temporary", f"{who}: an old forecast, issued {age:.0f} h ago")
    if forecast.end <= now:
        raise WeatherError("temporary", f"{who}: its last hour was {forecast.end:%Y-%m-%d %H:%M} UTC, which is past")
    fields = {f: getattr(forecast, f) for f in forecast.__dataclass_fields__}
    return Forecast(**{**fields, "received": now, "issued": min(forecast.issued, now)})


def _text(path: Path) -> tuple[str, datetime]:
    try:
        status = path.stat()
        if status.st_size > MAX_BYTES:
            raise BadInput(Problem(str(path), f"{status.st_size:,} bytes", f"at most {MAX_BYTES:,} bytes"))
        return path.read_text(encoding="utf-8-sig"), datetime.fromtimestamp(status.st_mtime, UTC)
    except OSError as error:
        raise BadInput(Problem(str(path), error.strerror or "unreadable", "a file that can be read")) from error
    except UnicodeDecodeError as error:
        raise BadInput(Problem(str(path), "other bytes", "text in UTF-8")) from error


def _header(names: list[str], name: str, line: int) -> list[str]:
    problems = _Problems()
    for needed in ("time", "air_temperature_c"):
        if needed not in names:
            near = next((n for n in names if n.startswith(("temp", "air"))), "") if needed != "time" else ""
            hint = f"Is {near} in °C? Then call it air_temperature_c" if near else ""
            problems.add(line, needed, ",".join(names), f"a column {needed} in the header", hint)
    for twice in sorted({n for n in names if names.count(n) > 1}):
        problems.add(line, twice, ",".join(names), "each column once")
    if problems:
        raise BadInput(problems)
    del name
    return names


def _time(line: int, value: Any, key: str, problems: _Problems) -> datetime | None:
    try:
        return series.parse_time(str(value))
    except ValueError as error:
        bare = "offset" in str(error)
        hint = "Local times are ambiguous when clocks change: add the offset, such as -06:00, or Z" if bare else ""
        problems.add(line, key, value, "a time such as 2026-01-05T06:00-06:00", hint)
        return None


def _value(line: int, key: str, value: Any, problems: _Problems) -> float:
    low, high, factor, offset, unit = _FIELDS[key]
    if value is None or (isinstance(value, str) and value.strip().lower() in _GAPS):
        return math.nan
    number = series.number(value)
    if math.isnan(number):
        hint = "Decimals take a point" if isinstance(value, str) and "," in value else ""
        problems.add(line, key, value, f"a number ({unit}) or nothing", hint)
    elif not low <= number <= high:
        hint = "Is it in °F or K?" if key == "air_temperature_c" else ""
        problems.add(line, key, value, f"{low:g} to {high:g} ({unit})", hint)
        return math.nan
    return number * factor + offset


def _forecast(
    raw: Iterable[tuple[int, Mapping[str, Any]]], name: str, received: datetime, problems: _Problems, issued: Any
) -> Forecast:
    rows: dict[tuple[str, datetime], _Row] = {}
    for line, fields in raw:
        time = _time(line, fields.get("time", ""), "time", problems)
        values = {k: _value(line, k, fields.get(k), problems) for k in _FIELDS}
        if time is None:
            continue
        row = _Row(line, time, str(fields.get("member") or ""), values)
        other = rows.setdefault((row.member, time), row)
        if other is not row and not _alike(other.values, values):
            problems.add(line, "time", fields["time"], f"each time once{' a member' if row.member else ''}",
                         f"line {other.line} has it with other values")  # fmt: skip
    made = _time(1, issued, "issued", problems) if issued else received
    if problems:
        raise BadInput(problems)
    if not any(math.isfinite(r.values["air_temperature_c"]) for r in rows.values()):
        raise BadInput(Problem(name, f"{len(rows)} lines without an air temperature", "at least one"))
    return _assembled(list(rows.values()), name, made or received, received)


def _alike(a: Mapping[str, float], b: Mapping[str, float]) -> bool:
    return all(a[k] == b[k] or (math.isnan(a[k]) and math.isnan(b[k])) for k in a)


def _assembled(rows: list[_Row], name: str, issued: datetime, received: datetime) -> Forecast:
    start, hours = series.span([r.time for r in rows])
    if not 0 < hours <= 24 * 366:
        raise BadInput(Problem(name, f"{hours} hours", "a series of one hour to one year"))
    members: dict[str, list[_Row]] = {}
    for row in sorted(rows, key=lambda r: r.time):
        members.setdefault(row.member, []).append(row)
    grids: dict[str, list[Series]] = {key: [] for key in _FIELDS}
    for key, grid in grids.items():
        for member in members.values():
            values = np.array([r.values[key] for r in member])
            grid.append(series.on_hours(start, hours, [r.time for r in member], values))
    air = np.array(grids["air_temperature_c"])
    gaps = int((~np.isfinite(air).any(axis=0)).sum())
    notes = (f"{gaps} of {hours} hours have no air temperature",) if gaps else ()
    return Forecast(
        source="file",
        issued=issued,
        received=received,
        start=start,
        air_k=air,
        wind_m_s=_mean(grids["wind_speed_m_s"]),
        cloud=_mean(grids["cloud_cover_pct"]),
        humidity=_mean(grids["relative_humidity_pct"]),
        notes=notes,
    )


def _mean(rows: list[Series]) -> Series | None:
    stack = np.array(rows)
    there = np.isfinite(stack)
    if not there.any():
        return None
    count = there.sum(axis=0)
    return np.where(count > 0, np.where(there, stack, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)
