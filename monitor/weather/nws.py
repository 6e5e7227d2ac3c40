"""US National Weather Service: the raw grid, and the hourly forecast where the grid fails. Public domain, no key.

The grid's layers are run-length merged and bounded each in its own way: every layer is expanded to hours by itself.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

import numpy as np

from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.weather import intervals, series
from monitor.weather.client import Client, contact_of, place_of, told
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context
from monitor.weather.http import Answer
from monitor.weather.series import Series

WHO = "US National Weather Service"
CREDIT = "Forecast by the US National Weather Service (public domain), corrected for this site"
BASE_URL = "https://api.weather.gov"
ACCEPT = {"Accept": "application/geo+json"}
POINT_KEPT = timedelta(days=7)  # grids are re-drawn now and then
OLD, GONE = timedelta(hours=12), timedelta(hours=24)
LEAST_WAIT_S = 5.0  # the service's own word on its rate limit

_KMH, _MPH, _KNOT = 1 / 3.6, 0.44704, 1852 / 3600
# unit after the colon -> (factor, offset) to degC, m/s, share
_UNITS: Mapping[str, tuple[float, float]] = {
    "degC": (1.0, 0.0),
    "degF": (5.0 / 9.0, -160.0 / 9.0),
    "K": (1.0, -series.ZERO_C),
    "km_h-1": (_KMH, 0.0),
    "m_s-1": (1.0, 0.0),
    "kt": (_KNOT, 0.0),
    "mi_h-1": (_MPH, 0.0),
    "percent": (0.01, 0.0),
}
_LAYER_UNITS = {
    "temperature": frozenset({"degC", "degF", "K"}),
    "windSpeed": frozenset({"km_h-1", "m_s-1", "kt", "mi_h-1"}),
    "skyCover": frozenset({"percent"}),
    "relativeHumidity": frozenset({"percent"}),
}

Part = tuple[datetime, datetime, float]


@dataclass(frozen=True)
class _Place:
    grid: str
    hourly: str
    known: datetime


@dataclass(frozen=True)
class _Kept:
    modified: str
    forecast: Forecast


def fetch(source: WeatherSource, site: Site, context: Context) -> Forecast:
    """Return the forecast of the grid cell that holds the site. Raises WeatherError."""
    client = _client(source, site, context)
    base = (source.base_url or BASE_URL).rstrip("/")
    place = _place(client, base, site)
    try:
        return _grid(client, place.grid)
    except WeatherError as error:
        if error.kind == "throttled":
            raise
        if error.kind == "permanent":  # the cell may have been re-drawn since its address was asked
            context.memory.drop(_point_key(base, site))
            if context.now() - place.known < timedelta(minutes=1):
                raise
            place = _place(client, base, site)
            return _grid(client, place.grid)
        if not place.hourly:
            raise
        forecast = _hourly(client, place.hourly)
        return replace(forecast, notes=(*forecast.notes, f"hourly forecast instead of the raw grid: {error.message}"))


def _client(source: WeatherSource, site: Site, context: Context) -> Client:
    if not contact_of(source, site):
        raise WeatherError("permanent", f"the {WHO} asks for a contact: set forecast.contact, an e-mail or web address")
    return Client.of(WHO, source, site, context)


def refused(answer: Answer, now: datetime) -> WeatherError:
    """Return what a status other than 200 means; `type` is matched by its last part only."""
    kind, detail = "", ""
    try:
        body = answer.json(WHO)
        if isinstance(body, Mapping):
            kind = re.split(r"[/:]", str(body.get("type", "")))[-1]
            detail = told(body.get("detail") or body.get("title") or "")
    except WeatherError:
        pass
    said = f"{WHO}: status {answer.status}" + (f", {detail}" if detail else "")
    wait = answer.retry_after_s(now)
    if answer.status == 403:
        return WeatherError("permanent", f"{said} (is the contact set, and is this address not blocked?)")
    if answer.status == 429:
        return WeatherError("throttled", said, max(wait or 60.0, LEAST_WAIT_S))
    if answer.status == 503:
        if kind in {"ForecastGridExpired", "ForecastMissingData"}:
            return WeatherError("temporary", said, wait)
        return WeatherError("throttled", said, max(wait or 300.0, LEAST_WAIT_S))
    if answer.status >= 500:
        return WeatherError("temporary", said, wait)
    if kind == "InvalidPoint":
        return WeatherError("permanent", f"{said}: outside the United States and its waters")
    return WeatherError("permanent", said)


def properties(answer: Answer, now: datetime) -> Mapping[str, Any]:
    """Return the `properties` of an answer. Raises WeatherError for every other status or shape."""
    if answer.status != 200:
        raise refused(answer, now)
    body = answer.json(WHO)
    found = body.get("properties") if isinstance(body, Mapping) else None
    if not isinstance(found, Mapping):
        raise WeatherError("temporary", f"{WHO} answered with something that is no forecast")
    return found


def _point_key(base: str, site: Site) -> str:
    return f"nws point {base} {','.join(place_of(site))}"


def _place(client: Client, base: str, site: Site) -> _Place:
    """Addresses of grid and hourly forecast as the service names them, kept for a week."""
    context, key = client.context, _point_key(base, site)
    now = context.now()
    kept: _Place | None = context.memory.get(key)
    if kept is not None and timedelta(0) <= now - kept.known < POINT_KEPT:
        return kept
    found = properties(client.get(f"{base}/points/{','.join(place_of(site))}", headers=ACCEPT), now)
    grid, hourly = found.get("forecastGridData"), found.get("forecastHourly")
    for address in (grid, hourly):
        if address and urlsplit(str(address)).netloc != urlsplit(base).netloc:
            raise WeatherError(
                "permanent", f"{WHO} sends us to another place ({urlsplit(str(address)).netloc}): refused"
            )
    if not grid:
        raise WeatherError("permanent", f"{WHO} has no grid for this place (out at sea?)")
    place = _Place(str(grid), str(hourly or ""), now)
    context.memory.put(key, place)
    return place


def _asked(client: Client, url: str) -> tuple[Answer, _Kept | None]:
    """GET with the time of the answer that was kept, if one was."""
    kept: _Kept | None = client.context.memory.get(f"nws {url}")
    headers = {**ACCEPT, **({"If-Modified-Since": kept.modified} if kept else {})}
    return client.get(url, headers=headers), kept


def _finished(client: Client, url: str, modified: str, forecast: Forecast) -> Forecast:
    """Refuse what is old by its own word; keep what can be asked for conditionally."""
    age = client.context.now() - forecast.issued
    if age > GONE:
        hours = age / timedelta(hours=1)
        raise WeatherError("temporary", f"{WHO} answered with an old forecast, issued {hours:.0f} h ago")
    if modified:
        client.context.memory.put(f"nws {url}", _Kept(modified, forecast))
    if age > OLD:
        return replace(
            forecast, notes=(*forecast.notes, f"the forecast was issued {age / timedelta(hours=1):.0f} h ago")
        )
    return forecast


def _grid(client: Client, url: str) -> Forecast:
    answer, kept = _asked(client, url)
    now = client.context.now()
    if answer.status == 304 and kept:
        return _finished(client, url, kept.modified, replace(kept.forecast, received=now))
    found = properties(answer, now)
    layers = {name: _layer(found.get(name), name, now) for name in _LAYER_UNITS}
    air_parts = [p for p in layers["temperature"] if math.isfinite(p[2])]
    if not air_parts:
        raise WeatherError("temporary", f"{WHO}: the grid holds no air temperature")
    start, end = intervals.reach(air_parts)
    hours = min(math.ceil((end - start) / series.HOUR), series.LONGEST_HOURS)
    air, wild = series.air_k(intervals.expand(air_parts, start, hours))
    if not np.isfinite(air).any():
        raise WeatherError("temporary", f"{WHO}: the grid holds no air temperature that can be")
    forecast = Forecast(
        source="nws",
        issued=min(_issued(found), now),
        received=now,
        start=start,
        air_k=air[np.newaxis, :],
        wind_m_s=_other(layers["windSpeed"], start, hours, 120.0),
        cloud=_other(layers["skyCover"], start, hours, 1.0),
        humidity=_other(layers["relativeHumidity"], start, hours, 1.1),
        credit=CREDIT,
        elevation_m=_elevation(found),
        notes=(f"{wild} air temperatures outside -80..60 °C were left out",) if wild else (),
    )
    return _finished(client, url, answer.headers.get("last-modified", ""), forecast)


def _layer(layer: Any, name: str, now: datetime) -> list[Part]:
    """Intervals of one layer in degC, m/s or share; empty where the layer is missing or empty (then without unit)."""
    if not isinstance(layer, Mapping) or not isinstance(layer.get("values"), list) or not layer["values"]:
        return []
    unit = str(layer.get("uom", "")).rsplit(":", 1)[-1]
    if unit not in _LAYER_UNITS[name]:
        if name == "temperature":
            raise WeatherError("temporary", f"{WHO} gives temperature in {told(unit) or 'no unit'}, not known here")
        return []
    factor, offset = _UNITS[unit]
    parts = []
    for entry in layer["values"]:
        try:
            begins, ends = intervals.interval(str(entry["validTime"]), now)
        except (KeyError, TypeError, ValueError):
            continue  # one entry that cannot be read is a gap
        parts.append((begins, ends, series.number(entry.get("value")) * factor + offset))
    return parts


def _other(parts: list[Part], start: datetime, hours: int, high: float) -> Series | None:
    values = series.within(intervals.expand(parts, start, hours), 0.0, high)
    return values if np.isfinite(values).any() else None


def _issued(found: Mapping[str, Any]) -> datetime:
    for name in ("updateTime", "updated", "generatedAt"):
        try:
            return series.parse_time(str(found[name]))
        except (KeyError, ValueError):
            continue
    raise WeatherError("temporary", f"{WHO} answered without a time of issue")


def _elevation(found: Mapping[str, Any]) -> float | None:
    value = series.number(series.member(found, "elevation", "value"))
    unit = str(series.member(found, "elevation", "unitCode") or "").rsplit(":", 1)[-1]
    return value if unit == "m" and -500.0 <= value <= 9000.0 else None


def _hourly(client: Client, url: str) -> Forecast:
    answer, kept = _asked(client, url)
    now = client.context.now()
    if answer.status == 304 and kept:
        return _finished(client, url, kept.modified, replace(kept.forecast, received=now))
    found = properties(answer, now)
    periods = found.get("periods")
    rows: dict[datetime, Mapping[str, Any]] = {}
    for period in periods if isinstance(periods, list) else []:
        try:
            rows[series.parse_time(str(period["startTime"]))] = period
        except (KeyError, TypeError, ValueError):
            continue
    if not rows:
        raise WeatherError("temporary", f"{WHO} answered without hourly periods")
    times = sorted(rows)
    start, hours = series.span(times)
    hours = min(hours, series.LONGEST_HOURS)

    def on_hours(values: list[float]) -> Series:
        return series.on_hours(start, hours, times, np.array(values))

    celsius = on_hours([_temperature_c(rows[t]) for t in times])
    air, wild = series.air_k(celsius)
    if not np.isfinite(air).any():
        raise WeatherError("temporary", f"{WHO}: the hourly forecast holds no air temperature")
    wind = on_hours([_wind_m_s(rows[t].get("windSpeed")) for t in times])
    humidity = on_hours([_quantity(rows[t].get("relativeHumidity")) for t in times])
    notes = ["air temperatures are in whole degrees"]
    if wild:
        notes.append(f"{wild} air temperatures outside -80..60 °C were left out")
    forecast = Forecast(
        source="nws",
        issued=min(_issued(found), now),
        received=now,
        start=start,
        air_k=air[np.newaxis, :],
        wind_m_s=wind if np.isfinite(wind).any() else None,
        humidity=humidity if np.isfinite(humidity).any() else None,
        credit=CREDIT,
        elevation_m=_elevation(found),
        notes=tuple(notes),
    )
    return _finished(client, url, answer.headers.get("last-modified", ""), forecast)


def _quantity(value: Any, *alternatives: str) -> float:
    """A {unitCode, value} object in degC, m/s or share; NaN for null or a unit not known here."""
    if not isinstance(value, Mapping):
        return math.nan
    unit = str(value.get("unitCode", "")).rsplit(":", 1)[-1]
    for name in ("value", *alternatives):
        number = series.number(value.get(name))
        if math.isfinite(number) and unit in _UNITS:
            factor, offset = _UNITS[unit]
            return number * factor + offset
    return math.nan


def _temperature_c(period: Mapping[str, Any]) -> float:
    value = period.get("temperature")
    if isinstance(value, Mapping):
        return _quantity(value)
    number, unit = series.number(value), period.get("temperatureUnit")
    if unit == "F":
        return (number - 32.0) * 5.0 / 9.0
    return number if unit == "C" else math.nan


def _wind_m_s(value: Any) -> float:
    """Wind as an object or as text ("5 to 10 mph"); of a range the lower end, which warms the cylinder less."""
    if isinstance(value, Mapping):
        return _quantity(value, "minValue")
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)(?:\s*to\s*\d+(?:\.\d+)?)?\s*(mph|km/h|kt|m/s)\s*", str(value or ""))
    if match is None:
        return math.nan
    return float(match.group(1)) * {"mph": _MPH, "km/h": _KMH, "kt": _KNOT, "m/s": 1.0}[match.group(2)]
