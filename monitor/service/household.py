"""The demo's invented household: its weather, its cooking, its cylinders. Plain functions of time; nothing is random.

All of it is made up for show: no place, person or record stands behind it.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]

START = datetime(2031, 1, 6, 20, 0, tzinfo=UTC)  # a Monday, 13:00 by the household's clock
UTC_OFFSET_H = -7.0
HOURS_AHEAD = 120
MEMBERS = 11
KG_PER_FULL_HOUR = 19_050.0 * 3600.0 / 50.12e6  # the range with everything on: 65,000 Btu/h

# Hours since the start -> mean air of the day around it, degC: a mild spell, then three days of hard cold.
_TRUTH = ((0.0, 4.0), (36.0, 1.0), (60.0, -12.0), (80.0, -21.0), (104.0, -20.0), (128.0, -6.0), (400.0, 2.0))
# What the forecast says before its models see the cold coming.
_MILD = ((0.0, 4.0), (36.0, 2.0), (400.0, 3.0))
_SEEN_FROM_H, _SEEN_BY_H = 5.0, 12.0
_SWING_K = 5.0  # between mean and warmest hour of a day
# local hour at which it starts, minutes, share of full burners
MEALS = ((7.0, 30.0, 0.6), (12.0, 30.0, 0.5), (16.5, 140.0, 0.85))


def hours_since(when: datetime) -> float:
    """Return hours from the start of the demo."""
    return (when - START).total_seconds() / 3600.0


def _curve(points: tuple[tuple[float, float], ...], hour: Series) -> Series:
    x, y = zip(*points, strict=True)
    return np.asarray(np.interp(hour, x, y), dtype=np.float64)


def _swing(hour: Series) -> Series:
    local = (START.hour + UTC_OFFSET_H + hour) % 24.0
    return _SWING_K * np.cos((local - 15.0) / 24.0 * 2.0 * math.pi)


def air_k(when: datetime) -> float:
    """Return the true air temperature (K)."""
    hour = np.array([hours_since(when)])
    return float((_curve(_TRUTH, hour) + _swing(hour))[0] + 273.15)


def forecast_c(issued: datetime) -> Series:
    """Return what a forecast issued at `issued` says: degC, shape (MEMBERS, HOURS_AHEAD), from the hour of issue."""
    begin = hours_since(issued.replace(minute=0, second=0, microsecond=0))
    lead = np.arange(HOURS_AHEAD, dtype=np.float64)
    hour = begin + lead
    seen = min(max((begin - _SEEN_FROM_H) / (_SEEN_BY_H - _SEEN_FROM_H), 0.0), 1.0)
    middle = seen * _curve(_TRUTH, hour) + (1.0 - seen) * _curve(_MILD, hour) + _swing(hour)
    drift = 0.5 * np.sqrt(lead / 24.0) * np.sin(begin / 9.0 + lead / 31.0)
    apart = np.linspace(-1.6, 1.6, MEMBERS)[:, None] * (0.4 + 0.8 * np.sqrt(lead / 24.0))
    return np.asarray(np.round(middle + drift + apart, 1), dtype=np.float64)


def forecast_csv(issued: datetime) -> str:
    """Return the forecast as the fixed CSV, with its time of issue."""
    first = issued.replace(minute=0, second=0, microsecond=0)
    lines = ["time,air_temperature_c,wind_speed_m_s,cloud_cover_pct,member,issued"]
    for member, row in enumerate(forecast_c(issued)):
        for k, value in enumerate(row):
            time = first + timedelta(hours=k)
            lines.append(f"{time:%Y-%m-%dT%H:%MZ},{value:.1f},2.0,30,{member},{issued:%Y-%m-%dT%H:%M:%SZ}")
    return "\n".join(lines) + "\n"


def write_forecast(path: Path, now: datetime) -> None:
    """Put the forecast as it is at `now` in place, whole or not at all."""
    part = path.with_suffix(".part")
    part.write_text(forecast_csv(now))
    part.replace(path)


def burn_share(when: datetime) -> float:
    """Return how much of full burners is on (0..1), the heater apart."""
    local = (when.hour + when.minute / 60.0 + UTC_OFFSET_H) % 24.0
    return max((share for begin, minutes, share in MEALS if begin <= local < begin + minutes / 60.0), default=0.0)


@dataclass
class Household:
    """What is in the cylinders, moved on by five minutes. `refills` says when one is back, and how full (kg)."""

    charge_kg: Mapping[str, float]
    refills: Mapping[str, tuple[datetime, float]]
    at: datetime = START
    refilled: list[str] = field(default_factory=list)
    _left: dict[str, float] = field(init=False)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self._left = dict(self.charge_kg)

    def left_kg(self, cylinder: str, at: datetime) -> float:
        """Return the propane in a cylinder (kg). Time only goes forward: an earlier `at` gets the latest answer."""
        with self._lock:
            self._move_to(at)
            return self._left[cylinder]

    def air_k(self, at: datetime) -> float:
        """Return the air temperature (K)."""
        return air_k(at)

    def _move_to(self, when: datetime) -> None:
        while self.at + timedelta(minutes=5) <= when:
            self.at += timedelta(minutes=5)
            heater = 0.05 * min(max((278.15 - air_k(self.at)) / 30.0, 0.1), 1.0)
            self._draw((burn_share(self.at) + heater) * KG_PER_FULL_HOUR / 12.0)
            for name, (time, full_kg) in self.refills.items():
                if name not in self.refilled and time <= self.at:
                    self._left[name] = full_kg
                    self.refilled.append(name)

    def _draw(self, burnt_kg: float) -> None:
        total = sum(self._left.values())
        if total > 0.0:
            share = min(burnt_kg / total, 1.0)
            self._left = {name: kg * (1.0 - share) for name, kg in self._left.items()}


def household() -> Household:
    """Return the two cylinders as the demo begins; A comes back full on the fourth day."""
    return Household({"A": 13.6, "B": 11.4}, {"A": (START + timedelta(hours=108), 18.1)})
