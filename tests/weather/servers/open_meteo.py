"""Open-Meteo's documented answers on loopback: forecast, ensemble, previous runs, meta.json, and its errors.

Field names, their order, units and error texts follow the service's public documentation and server source (2026-08);
the temperatures are a made-up wave so that every value can be checked.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.weather.servers.base import Asked, Loopback, Reply, json_reply

KNOWN = {
    "latitude", "longitude", "elevation", "hourly", "daily", "current", "temperature_unit", "wind_speed_unit",
    "precipitation_unit", "timeformat", "timezone", "past_days", "forecast_days", "models", "apikey", "cell_selection",
    "start_date", "end_date",
}  # fmt: skip
UNITS = {"relative_humidity_2m": "%", "cloud_cover": "%"}
WIND_UNITS = {"kmh": ("km/h", 3.6), "ms": ("m/s", 1.0), "mph": ("mp/h", 1 / 0.44704), "kn": ("kn", 3600 / 1852)}


def wave_c(when: datetime, lead: int = 0, member: int = 0) -> float:
    """The made-up air temperature (degC, one decimal as the service gives it)."""
    hours = when.timestamp() / 3600.0
    value = -8.0 + 6.0 * math.cos((hours - 21.0) * math.pi / 12.0) + 4.0 * math.sin(hours / 60.0)
    return round(value + 0.5 * lead + 0.3 * ((member * 7) % 11 - 5 if member else 0), 1)


class OpenMeteo(Loopback):
    """`now` is the server's own time; `members` how many its ensemble has besides the control."""

    def __init__(self, now: datetime) -> None:
        super().__init__()
        self.now = now
        self.members = 30
        self.horizon_days = 16  # beyond it values are null
        self.run = now.replace(hour=now.hour // 6 * 6, minute=0, second=0, microsecond=0) - timedelta(hours=6)

    def honest(self, asked: Asked) -> Reply:
        if asked.path.endswith("/static/meta.json"):
            run = int(self.run.timestamp())
            return json_reply(
                {
                    "chunk_time_length": 141,
                    "crs_wkt": "",
                    "data_end_time": run + 864_000,
                    "last_run_availability_time": run + 20_000,
                    "last_run_initialisation_time": run,
                    "last_run_modification_time": run + 19_000,
                    "temporal_resolution_seconds": 3600,
                    "update_interval_seconds": 21_600,
                }
            )
        if asked.path not in {"/v1/forecast", "/v1/ensemble", "/v1/archive"}:
            return json_reply({"error": True, "reason": "Not Found"}, 404)
        problem = self._problem(asked)
        if problem:
            return json_reply({"error": True, "reason": problem}, 400)
        return json_reply(self.answer(asked.query, ensemble=asked.path.endswith("ensemble")))

    def _problem(self, asked: Asked) -> str:
        query = asked.query
        if unknown := set(query) - KNOWN:
            return f"Unknown parameter {min(unknown)}"
        latitude = float(query.get("latitude", "nan"))
        if not -90 <= latitude <= 90:
            return f"Latitude must be in range of -90 to 90°. Given: {latitude}."
        if not -180 <= float(query.get("longitude", "nan")) <= 180:
            return "Longitude must be in range of -180 to 180°."
        if asked.path.endswith("archive") and not {"start_date", "end_date"} <= set(query):
            return "Parameter 'start_date' and 'end_date' must be set"
        days = int(query.get("forecast_days", "7"))
        if not 0 <= days <= 16:
            return f"Forecast days is invalid. Allowed range 0 to 16. Given {days}."
        if asked.path.endswith("ensemble") and "models" not in query:
            return "Parameter 'models' is required"
        return ""

    def answer(self, query: dict[str, str], ensemble: bool = False) -> dict[str, Any]:
        midnight = self.now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        start = midnight - timedelta(days=int(query.get("past_days", "0")))
        hours = 24 * (int(query.get("past_days", "0")) + int(query.get("forecast_days", "7")))
        if "start_date" in query:
            start = datetime.fromisoformat(query["start_date"]).replace(tzinfo=UTC)
            last = datetime.fromisoformat(query["end_date"]).replace(tzinfo=UTC)
            hours = int((last - start) / timedelta(hours=1)) + 24
        times = [start + timedelta(hours=k) for k in range(hours)]
        unix = query.get("timeformat") == "unixtime"
        units: dict[str, str] = {"time": "unixtime" if unix else "iso8601"}
        hourly: dict[str, list[Any]] = {
            "time": [int(t.timestamp()) if unix else t.strftime("%Y-%m-%dT%H:%M") for t in times]
        }
        end = midnight + timedelta(days=self.horizon_days)
        for name in query["hourly"].split(","):
            for member in range(self.members + 1 if ensemble else 1):
                column = f"{name}_member{member:02d}" if member else name
                hourly[column] = [self._value(name, t, member, query) if t < end else None for t in times]
                units[column] = self._unit(name, query)
        return {
            "latitude": round(float(query["latitude"]) * 4) / 4,
            "longitude": round(float(query["longitude"]) * 4) / 4,
            "generationtime_ms": 0.0621,
            "utc_offset_seconds": 0,
            "timezone": "GMT",
            "timezone_abbreviation": "GMT",
            "elevation": 220.0,
            "hourly_units": units,
            "hourly": hourly,
        }

    def _unit(self, name: str, query: dict[str, str]) -> str:
        if name.startswith("temperature"):
            return "°F" if query.get("temperature_unit") == "fahrenheit" else "°C"
        if name.startswith("wind"):
            return WIND_UNITS[query.get("wind_speed_unit", "kmh")][0]
        return UNITS[name]

    def _value(self, name: str, when: datetime, member: int, query: dict[str, str]) -> float | int:
        if name.startswith("temperature"):
            lead = re.search(r"previous_day(\d)", name)
            value = wave_c(when, int(lead.group(1)) if lead else 0, member)
            return round(value * 1.8 + 32.0, 1) if query.get("temperature_unit") == "fahrenheit" else value
        if name.startswith("wind"):
            return round(2.5 * WIND_UNITS[query.get("wind_speed_unit", "kmh")][1], 2)
        return 71 if name == "relative_humidity_2m" else 40
