"""Past winters from a file in the forecast's CSV form, over any number of years."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.model.errors import BadInput, Problem, SourceFailed
from monitor.model.forecast import Forecast
from monitor.model.site import Site
from monitor.outlook.arrange import Past
from monitor.outlook.hours import dewpoint_k
from monitor.weather.file import MAX_BYTES, parse_csv

Series = NDArray[np.float64]
HOUR = timedelta(hours=1)


def read_past(path: Path, name: str = "") -> Past:
    """Return the hourly series in the CSV file at `path`. Raises BadInput with the line of every problem.

    A forecast is a year at most; a longer file is read year by year and joined.
    """
    lines = _lines(path)
    heads = [i for i, line in enumerate(lines) if line.strip()][:1]
    if not heads:
        raise BadInput(Problem(str(path), "nothing", "a header line with time and air_temperature_c"))
    head = heads[0]
    column = [c.strip().lower() for c in lines[head].lstrip("\ufeff").split(",")]
    at = column.index("time") if "time" in column else 0
    years: dict[str, list[int]] = {}
    for i in range(head + 1, len(lines)):
        fields = lines[i].split(",")
        if lines[i].strip():
            years.setdefault(fields[at].strip().strip('"')[:4] if len(fields) > at else "", []).append(i)
    if not years:
        raise BadInput(Problem(str(path), "a header alone", "a line an hour"))
    problems: list[Problem] = []
    parts: list[Forecast] = []
    for where in years.values():
        try:
            text = "\n".join([lines[head], *(lines[i] for i in where)])
            parts.append(parse_csv(text, str(path), datetime(2000, 1, 1, tzinfo=UTC)))
        except BadInput as error:
            problems += [_placed(p, [head, *where]) for p in error.problems]
    if problems:
        raise BadInput(problems)
    return _joined(parts, name)


def ask_past(site: Site, years: int, base_url: str = "") -> Past:
    """Return the last `years` winters of the place from Open-Meteo's archive. Raises SourceFailed."""
    from monitor.weather import archive
    from monitor.weather.errors import WeatherError
    from monitor.weather.fetch import Context

    try:
        parts = archive.winters(site, years, Context(), base_url)
    except WeatherError as error:
        raise SourceFailed(f"past winters: {error.message}; --winters FILE.csv takes them from a file") from error
    return _joined(list(parts), "")


def _lines(path: Path) -> list[str]:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise BadInput(Problem("--winters", str(path), f"a file of at most {MAX_BYTES:,} bytes"))
        return path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise BadInput(Problem("--winters", str(path), "a file that can be read", error.strerror or "")) from error
    except UnicodeDecodeError as error:
        raise BadInput(Problem("--winters", str(path), "text in UTF-8")) from error


def _placed(problem: Problem, where: list[int]) -> Problem:
    """The same with its line counted in the whole file."""
    line = problem.line
    return problem if line is None or not 0 < line <= len(where) else replace(problem, line=where[line - 1] + 1)


def _joined(parts: list[Forecast], name: str) -> Past:
    start, end = min(p.start for p in parts), max(p.end for p in parts)
    hours = int((end - start) / HOUR)

    def lay(each: list[tuple[Forecast, Series | None]]) -> Series | None:
        if all(values is None for _, values in each):
            return None
        out = np.full(hours, np.nan)
        for part, values in each:
            if values is not None:
                offset = int((part.start - start) / HOUR)
                here = out[offset : offset + part.hours]
                here[:] = np.where(np.isfinite(values), values, here)
        return out

    def mean(members: Series) -> Series:
        there = np.isfinite(members)
        return np.where(there.any(axis=0), np.where(there, members, 0.0).sum(axis=0) / np.maximum(there.sum(axis=0), 1),
                        np.nan)  # fmt: skip

    air = lay([(p, mean(p.air_k)) for p in parts])
    assert air is not None  # a part without a temperature is refused
    cloud = lay([(p, p.cloud) for p in parts])
    humidity = lay([(p, p.humidity) for p in parts])
    return Past(
        start, air, lay([(p, p.wind_m_s) for p in parts]), None if cloud is None else np.clip(1.0 - cloud, 0.0, 1.0),
        None if humidity is None else dewpoint_k(air, humidity), name,
    )  # fmt: skip
