"""Thresholds and delays of alerts: the site's own where `Site.settings` has them, else the defaults. SI units.

What each means and why it is what it is stands with the key in the list of settings that the site file is read by.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

HOUR = 3600.0
DAY = 86_400.0

DEFAULTS: Mapping[str, Any] = {
    "low_fuel": (0.20, 0.15),  # common practice, no source
    "deadband": 0.05,
    "probability": 0.20,
    "probability_clear": 0.10,
    "probability_far": 0.50,
    "lead": 5 * DAY,
    "ahead_of_storm": DAY,
    "cold_delay": HOUR,
    "cold_clear": 12 * HOUR,
    "on_delay": 600.0,
    "off_delay": HOUR,
    "update": 12 * HOUR,
    "repeat": DAY,
    "run_out_lead": 7 * DAY,
    "silent": 3.0,
    "level_old": 14 * DAY,
    "forecast_age": 12 * HOUR,
    "forecast_dead": DAY,
    "thermometer": 5.0,
    "overfilled": 1.03,
    "battery": 0.15,
    "leak_rate": 0.01 / HOUR,
    "requalification": 60 * DAY,
    "leak_check": 365.25 * DAY,
    "disk_free": 0.05,
    "clock": 300.0,
    "restarts": 5.0,
    "out_of_service": (),
}


@dataclass(frozen=True, slots=True)
class Limits:
    """The settings in force."""

    given: Mapping[str, Any]

    def __getitem__(self, key: str) -> float:
        return float(self.given.get(f"alerts.{key}", DEFAULTS[key]))

    def many(self, key: str) -> tuple[Any, ...]:
        """Return a setting that is a list."""
        return tuple(self.given.get(f"alerts.{key}", DEFAULTS[key]))
