"""The US National Weather Service's documented answers on loopback: points, raw grid, hourly, alerts, and its errors.

Shapes follow the service's public schema and recordings; the numbers are a made-up wave.
"""

from __future__ import annotations

import email.utils
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.weather.servers.base import Asked, Loopback, Reply, html, json_reply
from tests.weather.servers.open_meteo import wave_c

GEO = "application/geo+json"
CELL = "/gridpoints/MPX/107,71"
HAZARD = [{"phenomenon": "CW", "significance": "Y", "event_number": None}]


def problem(status: int, kind: str, detail: str, urn: bool = False) -> Reply:
    name = f"urn:noaa:nws:api:{kind}" if urn else f"https://api.weather.gov/problems/{kind}"
    body = {
        "correlationId": "1a2b3c4d",
        "title": kind,
        "type": name,
        "status": status,
        "detail": detail,
        "instance": "https://api.weather.gov/requests/1a2b3c4d",
    }
    return json_reply(body, status, "application/problem+json")


def merged(values: list[tuple[datetime, Any]], local: bool = False) -> list[dict[str, Any]]:
    """Hours run together where they are equal, as the grid does."""
    out: list[tuple[datetime, int, Any]] = []
    for when, value in values:
        if out and out[-1][2] == value and out[-1][0] + timedelta(hours=out[-1][1]) == when:
            out[-1] = (out[-1][0], out[-1][1] + 1, value)
        else:
            out.append((when, 1, value))
    return [{"validTime": f"{_stamp(w, local)}/{_duration(n)}", "value": v} for w, n, v in out]


def _stamp(when: datetime, local: bool) -> str:
    if local:
        return when.astimezone(datetime.fromisoformat("2026-01-01T00:00-06:00").tzinfo).isoformat()
    return when.isoformat()


def _duration(hours: int) -> str:
    days, rest = divmod(hours, 24)
    return "P" + (f"{days}D" if days else "") + (f"T{rest}H" if rest or not days else "")


def sky(when: datetime) -> int:
    return 25 if when.hour < 12 else 90


class Nws(Loopback):
    """`updated` is the grid's own time of issue; `prefix` that of its units."""

    def __init__(self, now: datetime) -> None:
        super().__init__()
        self.now = now
        self.updated = now.replace(minute=5, second=0) - timedelta(hours=2)
        self.prefix = "wmoUnit:"
        self.hours = 7 * 24 + 8
        self.local = False
        self.layers: dict[str, Any] = {}  # replaces layers of the grid; None takes one away
        self.alerts: list[dict[str, Any]] = []
        self.pages = 1
        self.point: dict[str, Any] = {}

    @property
    def start(self) -> datetime:
        """The grid begins before now."""
        return self.now.astimezone(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(hours=6)

    def temperature_c(self, when: datetime) -> float:
        """Whole degrees Fahrenheit, converted, as the grid gives them."""
        return (round(wave_c(when) * 1.8 + 32.0) - 32.0) / 1.8

    def honest(self, asked: Asked) -> Reply:
        if not asked.headers.get("user-agent"):
            return html(403, "Access Denied")
        if asked.query and not asked.path.startswith("/alerts"):
            return problem(400, "InvalidParameter", "Query parameter is not recognized")
        parts = asked.path.strip("/").split("/")
        if parts[0] == "points":
            return self._points(parts[1])
        if asked.path == CELL:
            return self._conditional(asked, self.grid())
        if asked.path == CELL + "/forecast/hourly":
            return self._conditional(asked, self.hourly())
        if asked.path == "/alerts/active":
            return self._alerts(asked)
        return problem(404, "NotFound", "Not Found")

    def _points(self, text: str) -> Reply:
        latitude, longitude = text.split(",")
        short = [f"{float(v):.4f}".rstrip("0").rstrip(".") for v in (latitude, longitude)]
        if short != [latitude, longitude]:
            return Reply(
                301, b"{}", {"Location": f"/points/{','.join(short)}", "Content-Type": "application/problem+json"}
            )
        if not 17 < float(latitude) < 72:
            return problem(404, "InvalidPoint", "Unable to provide data for requested point")
        properties = {
            "@id": f"https://api.weather.gov/points/{text}",
            "@type": "wx:Point",
            "cwa": "MPX",
            "gridId": "MPX",
            "gridX": "107",
            "gridY": 71,
            "forecast": f"{self.url}{CELL}/forecast",
            "forecastHourly": f"{self.url}{CELL}/forecast/hourly",
            "forecastGridData": f"{self.url}{CELL}",
            "observationStations": f"{self.url}{CELL}/stations",
            "timeZone": "America/Chicago",
            **self.point,
        }
        return json_reply({"type": "Feature", "properties": properties}, kind=GEO)

    def _conditional(self, asked: Asked, payload: dict[str, Any]) -> Reply:
        stamp = email.utils.format_datetime(self.updated, usegmt=True)
        if asked.headers.get("if-modified-since") == stamp:
            return Reply(304, headers={"Last-Modified": stamp})
        reply = json_reply(payload, kind=GEO)
        reply.headers |= {"Last-Modified": stamp, "Cache-Control": "public, max-age=749, s-maxage=3600"}
        return reply

    def grid(self) -> dict[str, Any]:
        times = [self.start + timedelta(hours=k) for k in range(self.hours)]
        degrees = f"{self.prefix}degC"
        layers: dict[str, Any] = {
            "temperature": {"uom": degrees, "values": merged([(t, self.temperature_c(t)) for t in times], self.local)},
            "relativeHumidity": {"uom": f"{self.prefix}percent", "values": merged([(t, 70) for t in times[3:]])},
            "skyCover": {"uom": f"{self.prefix}percent", "values": merged([(t, sky(t)) for t in times])},
            "windSpeed": {"uom": f"{self.prefix}km_h-1", "values": merged([(t, 18.0) for t in times[:-30]])},
            "windChill": {"uom": degrees, "values": [{"validTime": f"{times[0].isoformat()}/P7DT8H", "value": None}]},
            "snowLevel": {"values": []},
            "hazards": {"values": [{"validTime": f"{times[0].isoformat()}/PT6H", "value": HAZARD}]},
        }  # fmt: skip
        layers |= self.layers
        return {
            "@context": [],
            "id": f"https://api.weather.gov{CELL}",
            "type": "Feature",
            "geometry": {"type": "Polygon", "coordinates": []},
            "properties": {
                "updateTime": self.updated.isoformat(),
                "validTimes": f"{self.start.isoformat()}/P7DT8H",
                "elevation": {"unitCode": f"{self.prefix}m", "value": 268.224},
                "gridId": "MPX",
                "gridX": "107",
                "gridY": "71",
                **{name: layer for name, layer in layers.items() if layer is not None},
            },
        }

    def hourly(self, objects: bool = False) -> dict[str, Any]:
        periods = []
        first = self.now.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
        for k in range(156):
            when = first + timedelta(hours=k)
            fahrenheit = round(wave_c(when) * 1.8 + 32.0)
            qv = {"unitCode": "wmoUnit:degC", "value": (fahrenheit - 32) / 1.8}
            wind = {"unitCode": "wmoUnit:km_h-1", "minValue": 9.0, "maxValue": 18.0}
            periods.append(
                {
                    "number": k + 1,
                    "name": "",
                    "startTime": _stamp(when, local=True),
                    "endTime": _stamp(when + timedelta(hours=1), local=True),
                    "isDaytime": True,
                    "temperature": qv if objects else fahrenheit,
                    "temperatureUnit": "F",
                    "temperatureTrend": "",
                    "dewpoint": {"unitCode": "wmoUnit:degC", "value": -12.2},
                    "relativeHumidity": {"unitCode": "wmoUnit:percent", "value": 66},
                    "windSpeed": wind if objects else ("5 to 10 mph" if k % 2 else "14 mph"),
                    "windDirection": "NW",
                    "windGust": None,
                    "detailedForecast": "",
                }
            )
        return {
            "type": "Feature",
            "properties": {
                "units": "us",
                "forecastGenerator": "HourlyForecastGenerator",
                "generatedAt": self.now.isoformat(),
                "updateTime": self.updated.isoformat(),
                "elevation": {"unitCode": "wmoUnit:m", "value": 268.224},
                "periods": periods,
            },
        }

    def _alerts(self, asked: Asked) -> Reply:
        if set(asked.query) - {"point", "cursor", "limit"} or ("point" in asked.query and "cursor" in asked.query):
            return problem(400, "InvalidParameter", "Query parameter is not recognized")
        page = int(asked.query.get("cursor", "0"))
        size = -(-len(self.alerts) // self.pages) or 1
        body: dict[str, Any] = {
            "type": "FeatureCollection",
            "title": "Current watches, warnings, and advisories",
            "updated": self.now.isoformat(),
            "features": self.alerts[page * size : (page + 1) * size],
        }
        if (page + 1) * size < len(self.alerts):
            body["pagination"] = {"next": f"{self.url}/alerts/active?cursor={page + 1}"}
        return json_reply(body, kind=GEO)


def alert(event: str, vtec: str | None, sent: datetime, **changed: Any) -> dict[str, Any]:
    """One alert feature as the service writes it."""
    properties: dict[str, Any] = {
        "@type": "wx:Alert",
        "id": f"urn:oid:2.49.0.1.840.0.{abs(hash((event, vtec, sent))):x}.001.1",
        "areaDesc": "Invented County",
        "geocode": {"SAME": ["027999"], "UGC": ["MNZ999"]},
        "references": [],
        "sent": sent.isoformat(),
        "effective": sent.isoformat(),
        "onset": (sent + timedelta(hours=10)).isoformat(),
        "expires": (sent + timedelta(hours=8)).isoformat(),
        "ends": (sent + timedelta(hours=24)).isoformat(),
        "status": "Actual",
        "messageType": "Alert",
        "category": "Met",
        "severity": "Severe",
        "certainty": "Likely",
        "urgency": "Expected",
        "event": event,
        "senderName": "NWS Invented",
        "headline": f"{event} issued",
        "parameters": {"VTEC": [vtec]} if vtec else {},
        "eventCode": {"NationalWeatherService": ["ECW"]},
    }
    properties |= changed
    return {"id": properties["id"], "type": "Feature", "geometry": None, "properties": properties}
