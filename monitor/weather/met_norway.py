"""MET Norway Locationforecast 2.0, complete. Data under NLOD 2.0 and CC BY 4.0.

Its rules: a contact in the User-Agent, at most 4 decimals, nothing asked again before `Expires`, then with
If-Modified-Since verbatim. The altitude is not sent: the correction to the site's own is made here. Steps are hourly
for about 60 h and 6-hourly after; there the night's minimum comes from `next_6_hours`, and hours between are shaped so
that they reach it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.weather import series
from monitor.weather.client import Client, contact_of, place_of, told
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context
from monitor.weather.http import Answer
from monitor.weather.series import Series

WHO = "MET Norway"
CREDIT = "Based on data from MET Norway (CC BY 4.0), corrected for this site"
BASE_URL = "https://api.met.no/weatherapi"
STEP_H = 6.0
Z_90 = 1.2815515655446004  # standard normal quantile at 90 %
OLD, GONE = timedelta(hours=12), timedelta(hours=24)
KEPT_WITHOUT_EXPIRES = timedelta(minutes=30)

# name -> unit -> (factor, offset) to degC, m/s, share
_UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "air_temperature": {"celsius": (1.0, 0.0), "C": (1.0, 0.0), "K": (1.0, -series.ZERO_C)},
    "wind_speed": {"m/s": (1.0, 0.0), "km/h": (1 / 3.6, 0.0), "knots": (1852 / 3600, 0.0)},
    "cloud_area_fraction": {"%": (0.01, 0.0), "1": (1.0, 0.0)},
    "relative_humidity": {"%": (0.01, 0.0), "1": (1.0, 0.0)},
}


@dataclass(frozen=True)
class _Kept:
    modified: str
    expires: datetime
    forecast: Forecast


def fetch(source: WeatherSource, site: Site, context: Context) -> Forecast:
    """Return the forecast; from memory while the last one has not expired. Raises WeatherError."""
    if not contact_of(source, site):
        raise WeatherError("permanent", f"{WHO} asks for a contact: set forecast.contact to an e-mail or web address")
    base = (source.base_url or BASE_URL).rstrip("/")
    latitude, longitude = place_of(site)
    key = f"met-norway {base} {latitude} {longitude}"
    kept: _Kept | None = context.memory.get(key)
    now = context.now()
    if kept is not None and now < kept.expires:
        return _aged(kept.forecast, now)
    headers = {"Accept": "application/json", **({"If-Modified-Since": kept.modified} if kept and kept.modified else {})}
    client = Client.of(WHO, source, site, context)
    url = f"{base}/locationforecast/2.0/complete"
    answer = client.get(url, {"lat": latitude, "lon": longitude}, headers)
    now = context.now()
    expires = answer.date("expires") or now + KEPT_WITHOUT_EXPIRES
    if answer.status == 304 and kept is not None:
        forecast = replace(kept.forecast, received=now)
        context.memory.put(key, _Kept(kept.modified, expires, forecast))
        return _aged(forecast, now)
    if answer.status not in {200, 203}:
        raise _refused(answer, now)
    forecast = _read(answer.json(WHO), now)
    if answer.status == 203:
        forecast = replace(forecast, notes=(*forecast.notes, f"{WHO} will end this version of its service soon"))
    context.memory.put(key, _Kept(answer.headers.get("last-modified", ""), expires, forecast))
    return _aged(forecast, now)


def _aged(forecast: Forecast, now: datetime) -> Forecast:
    age = now - forecast.issued
    if age > GONE:
        old = age / series.HOUR
        raise WeatherError("temporary", f"{WHO} answered with an old forecast, issued {old:.0f} h ago")
    if age > OLD:
        return replace(forecast, notes=(*forecast.notes, f"the forecast was issued {age / series.HOUR:.0f} h ago"))
    return forecast


def _refused(answer: Answer, now: datetime) -> WeatherError:
    """What a status means; the bodies are web pages and never read."""
    wait = answer.retry_after_s(now)
    if answer.status == 403:
        return WeatherError("permanent", f"{WHO} refuses us (403): its rules ask for a contact and rounded coordinates")
    if answer.status == 422:
        return WeatherError("permanent", f"{WHO} does not cover this place (422)")
    if answer.status == 429:
        return WeatherError("throttled", f"{WHO} asks to be left alone (429)", wait or 600.0)
    if answer.status == 503:
        return WeatherError("throttled", f"{WHO} is overloaded (503)", wait or 300.0)
    if answer.status >= 499:
        return WeatherError("temporary", f"{WHO} failed: status {answer.status}", wait)
    return WeatherError("permanent", f"{WHO} refused: status {answer.status}")


def _read(body: Any, now: datetime) -> Forecast:
    steps = series.member(body, "properties", "timeseries")
    units = series.member(body, "properties", "meta", "units")
    if not isinstance(steps, list) or not steps or not isinstance(units, Mapping):
        raise WeatherError("temporary", f"{WHO} answered with something that is no forecast")
    try:
        issued = series.parse_time(str(series.member(body, "properties", "meta", "updated_at")))
        times = [series.parse_time(str(step["time"])) for step in steps]
    except (KeyError, TypeError, ValueError) as error:
        raise WeatherError("temporary", f"{WHO} answered with times that are none ({error})") from error
    if any(b <= a for a, b in pairwise(times)):
        raise WeatherError("temporary", f"{WHO} answered with times that do not ascend")
    start, hours = series.span(times)
    if not 0 < hours <= series.LONGEST_HOURS:
        raise WeatherError("temporary", f"{WHO} answered with a series of {hours} hours")

    def on_hours(name: str, kind: str, high: float = np.inf) -> Series:
        values = series.numbers([series.member(s, "data", "instant", "details", name) for s in steps])
        scaled = _scaled(values, name, kind, units)
        if np.isfinite(high):
            scaled = series.within(scaled, 0.0, high)
        return series.on_hours(start, hours, times, scaled, STEP_H)

    air, wild = _air(steps, times, units, start, hours)
    low = on_hours("air_temperature_percentile_10", "air_temperature")
    spread = (on_hours("air_temperature_percentile_90", "air_temperature") - low) / (2.0 * Z_90)
    notes = [f"{wild} air temperatures outside -80..60 °C were left out"] if wild else []
    if any(b - a > series.HOUR for a, b in pairwise(times)):
        first = next(a for a, b in pairwise(times) if b - a > series.HOUR)
        notes.append(f"steps of 6 hours from {first:%Y-%m-%d %H} UTC, filled in between to their minimum")
    return Forecast(
        source="met-norway",
        issued=min(issued, now),
        received=now,
        start=start,
        air_k=air[np.newaxis, :],
        wind_m_s=_some(on_hours("wind_speed", "wind_speed", 120.0)),
        cloud=_some(on_hours("cloud_area_fraction", "cloud_area_fraction", 1.0)),
        humidity=_some(on_hours("relative_humidity", "relative_humidity", 1.1)),
        spread_k=_some(series.within(spread, 0.0, 30.0)),
        credit=CREDIT,
        elevation_m=_elevation(body),
        notes=tuple(notes),
    )


def _some(values: Series) -> Series | None:
    return values if np.isfinite(values).any() else None


def _scaled(values: Series, name: str, kind: str, units: Mapping[str, Any]) -> Series:
    """Values in degC, m/s or share by the unit that the answer states; a variable without values needs none."""
    if not np.isfinite(values).any():
        return values
    unit = str(units.get(name, ""))
    if unit not in _UNITS[kind]:
        raise WeatherError("permanent", f"{WHO} gives {name} in {told(unit) or 'no unit'}, which is not known here")
    factor, offset = _UNITS[kind][unit]
    return np.asarray(values * factor + offset, dtype=np.float64)


def _air(
    steps: list[Any], times: list[datetime], units: Mapping[str, Any], start: datetime, hours: int
) -> tuple[Series, int]:
    """Air temperature (K) at every hour, shaped within long steps to their stated minimum; how many were impossible."""
    raw = series.numbers([series.member(s, "data", "instant", "details", "air_temperature") for s in steps])
    instant, wild = series.air_k(_scaled(raw, "air_temperature", "air_temperature", units))
    if not np.isfinite(instant).any():
        raise WeatherError("temporary", f"{WHO} answered without one usable air temperature")
    air = series.on_hours(start, hours, times, instant, STEP_H)
    lowest = series.numbers([series.member(s, "data", "next_6_hours", "details", "air_temperature_min") for s in steps])
    lowest_k, _ = series.air_k(_scaled(lowest, "air_temperature_min", "air_temperature", units))
    for i, (begins, ends) in enumerate(pairwise(times)):
        if ends - begins == timedelta(hours=STEP_H) and np.isfinite(lowest_k[i]):
            first = int((begins - start) / series.HOUR)
            air[first : first + 7] = reach_down(air[first : first + 7], float(lowest_k[i]))
    return air, wild


def reach_down(values: Series, lowest: float) -> Series:
    """Bend the inner values of a step (K) so that its least is `lowest`; a step that reaches it stays as it is.

    The bend is a half sine wave: the least that keeps both ends and touches the minimum once.
    """
    inner = values[1:-1]
    if not np.isfinite(values).all() or lowest >= values.min():
        return values
    shape = np.sin(np.pi * np.arange(1, values.size - 1) / (values.size - 1))
    depth = ((lowest - inner) / shape).max()
    return np.concatenate([values[:1], inner + depth * shape, values[-1:]])


def _elevation(body: Any) -> float | None:
    place = series.member(body, "geometry", "coordinates")
    value = series.number(place[2]) if isinstance(place, list) and len(place) > 2 else float("nan")
    return value if -500.0 <= value <= 9000.0 else None
