"""MET Norway's Locationforecast 2.0 complete on loopback: its rules enforced, its steps, its errors in HTML."""

from __future__ import annotations

import email.utils
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.weather.servers.base import Asked, Loopback, Reply, html, json_reply
from tests.weather.servers.open_meteo import wave_c

UNITS = {
    "air_temperature": "celsius",
    "air_temperature_max": "celsius",
    "air_temperature_min": "celsius",
    "air_temperature_percentile_10": "celsius",
    "air_temperature_percentile_90": "celsius",
    "cloud_area_fraction": "%",
    "relative_humidity": "%",
    "wind_speed": "m/s",
}


class MetNorway(Loopback):
    """`now` is the server's time; hourly for `fine_h`, then 6-hourly to `coarse_h`. `nordic` adds percentiles."""

    def __init__(self, now: datetime) -> None:
        super().__init__()
        self.now = now
        self.updated = now.replace(minute=11, second=3, microsecond=0) - timedelta(hours=1)
        self.fine_h, self.coarse_h = 60, 228
        self.nordic = True
        self.status = 200
        self.expires: timedelta | None = timedelta(minutes=31)
        self.units = dict(UNITS)

    def honest(self, asked: Asked) -> Reply:
        agent = asked.headers.get("user-agent", "")
        if "@" not in agent and "http" not in agent:
            return html(403, "Forbidden")
        if asked.path != "/locationforecast/2.0/complete":
            return html(404)
        if set(asked.query) - {"lat", "lon", "altitude"} or {"lat", "lon"} - set(asked.query):
            return html(400)
        if any(len(asked.query[k].partition(".")[2]) > 4 for k in ("lat", "lon")):
            return html(403)
        headers = {"Last-Modified": self.modified}
        if self.expires is not None:
            headers["Expires"] = email.utils.format_datetime(self.now + self.expires, usegmt=True)
        if asked.headers.get("if-modified-since") == self.modified:
            return Reply(304, headers=headers)
        reply = json_reply(self.answer(), self.status)
        reply.headers |= headers
        return reply

    @property
    def modified(self) -> str:
        """A date in the form that HTTP wants, which the client must send back as it is."""
        return email.utils.format_datetime(self.updated, usegmt=True)

    def times(self) -> list[datetime]:
        start = self.now.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
        step = start + timedelta(hours=self.fine_h)
        step += timedelta(hours=-step.hour % 6)  # the coarse part begins at 00, 06, 12 or 18 UTC
        times = [start + timedelta(hours=k) for k in range((step - start) // timedelta(hours=1))]
        while step <= start + timedelta(hours=self.coarse_h):
            times.append(step)
            step += timedelta(hours=6)
        return times

    def answer(self) -> dict[str, Any]:
        times = self.times()
        steps = []
        for k, when in enumerate(times):
            details: dict[str, Any] = {
                "air_temperature": wave_c(when),
                "cloud_area_fraction": 50.0,
                "relative_humidity": 77.7,
                "wind_speed": 3.1,
                "wind_from_direction": 271.0,
            }
            if self.nordic:
                details["air_temperature_percentile_10"] = round(wave_c(when) - 0.8, 1)
                details["air_temperature_percentile_90"] = round(wave_c(when) + 0.7, 1)
            data: dict[str, Any] = {"instant": {"details": details}}
            gap = times[k + 1] - when if k + 1 < len(times) else None
            if gap == timedelta(hours=1):
                data["next_1_hours"] = {"summary": {"symbol_code": "cloudy"}, "details": {"precipitation_amount": 0.0}}
            if gap is not None:
                inside = [wave_c(when + timedelta(minutes=10 * m)) for m in range(37)]
                data["next_6_hours"] = {
                    "summary": {"symbol_code": "cloudy"},
                    "details": {"air_temperature_min": min(inside), "air_temperature_max": max(inside)},
                }
            steps.append({"time": when.strftime("%Y-%m-%dT%H:00:00Z"), "data": data})
        return {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [-93.65, 44.12, 301]},
            "properties": {
                "meta": {"updated_at": self.updated.strftime("%Y-%m-%dT%H:%M:%SZ"), "units": self.units},
                "timeseries": steps,
            },
        }
