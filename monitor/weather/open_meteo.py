"""Open-Meteo: forecast, ensemble members, and forecasts of earlier runs. No key; data under CC BY 4.0.

The answer names no time of issue. Where one model is asked for whose files are known, its run is taken from the
service's meta.json; else the time of receipt stands for it, cut back where the series shows that the answer is from
an earlier day. Only rounded coordinates are sent: no elevation, so that the correction to the site's own is made here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.secretfile import read_secret
from monitor.weather import series
from monitor.weather.client import Client, place_of, told
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context
from monitor.weather.http import Answer
from monitor.weather.series import Series

WHO = "Open-Meteo"
CREDIT = "Weather data by Open-Meteo.com (CC BY 4.0), corrected for this site"
FORECAST_URL = "https://api.open-meteo.com"
ENSEMBLE_URL = "https://ensemble-api.open-meteo.com"
PREVIOUS_URL = "https://previous-runs-api.open-meteo.com"
ENSEMBLE_MODELS = ("ecmwf_ifs025_ensemble", "ecmwf_ifs025")  # the same members: newer and older servers' name

AIR, HUMIDITY, WIND, CLOUD = "temperature_2m", "relative_humidity_2m", "wind_speed_10m", "cloud_cover"
VARIABLES = (AIR, HUMIDITY, WIND, CLOUD)
DAYS = 11  # today and ten more
PAST_DAYS = 2  # what the liquid's rest temperature starts from
GONE = timedelta(hours=24)

# unit as the service writes it -> (factor, offset) to degC, m/s, share
_UNITS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    AIR: {"°C": (1.0, 0.0), "°F": (5.0 / 9.0, -160.0 / 9.0)},
    WIND: {"m/s": (1.0, 0.0), "km/h": (1 / 3.6, 0.0), "mp/h": (0.44704, 0.0), "kn": (1852 / 3600, 0.0)},
    HUMIDITY: {"%": (0.01, 0.0)},
    CLOUD: {"%": (0.01, 0.0)},
}  # fmt: skip

# `models` as asked -> the folder of that model's meta.json, where a single model answers
_META = {
    "ecmwf_ifs025": "ecmwf_ifs025",
    "icon_global": "dwd_icon",
    "icon_eu": "dwd_icon_eu",
    "icon_d2": "dwd_icon_d2",
    "gfs_global": "ncep_gfs025",
}
_META_ENSEMBLE = {
    "ecmwf_ifs025_ensemble": "ecmwf_ifs025_ensemble",
    "ecmwf_ifs025": "ecmwf_ifs025_ensemble",
    "ncep_gefs025": "ncep_gefs025",
    "gfs025": "ncep_gefs025",
    "ncep_gefs05": "ncep_gefs05",
    "gfs05": "ncep_gefs05",
    "icon_global_eps": "dwd_icon_eps",
    "icon_global": "dwd_icon_eps",
}


def fetch(source: WeatherSource, site: Site, context: Context) -> Forecast:
    """Return the forecast (ensemble members with option `ensemble`). Raises WeatherError."""
    ensemble = bool(source.options.get("ensemble"))
    chosen = str(source.options.get("models") or "")
    base = (source.base_url or (ENSEMBLE_URL if ensemble else FORECAST_URL)).rstrip("/")
    client = Client.of(WHO, source, site, context)
    params = {**place(source, site), "hourly": ",".join(VARIABLES), "forecast_days": str(DAYS)}
    params["past_days"] = str(PAST_DAYS)
    url = f"{base}/v1/{'ensemble' if ensemble else 'forecast'}"
    answer, models = _asked(client, url, params, [chosen] if chosen or not ensemble else list(ENSEMBLE_MODELS))
    body = body_of(answer, context.now())
    received = context.now()
    start, columns = columns_of(body)
    air, notes = members_of(columns)
    folder = (_META_ENSEMBLE if ensemble else _META).get(models)
    issued, words = _issued(client, base, folder, start, received)
    if received - issued > GONE:
        old = (received - issued) / timedelta(hours=1)
        raise WeatherError("temporary", f"{WHO} answered with an old forecast, made {old:.0f} h ago or earlier")
    return Forecast(
        source="open-meteo",
        issued=issued,
        received=received,
        start=start,
        air_k=air,
        wind_m_s=middle(columns, WIND, 0.0, 120.0),
        cloud=middle(columns, CLOUD, 0.0, 1.0),
        humidity=middle(columns, HUMIDITY, 0.0, 1.0),
        credit=CREDIT,
        elevation_m=elevation_of(body),
        notes=(*words, *notes),
    )


@dataclass(frozen=True)
class PreviousRuns:
    """Forecasts of earlier runs: `air_k[d]` is what the run of d days before said for each hour from `start` (UTC)."""

    start: datetime
    air_k: Series  # (days 0..7, hours), NaN = gap
    elevation_m: float | None


def previous_runs(source: WeatherSource, site: Site, context: Context, past_days: int = 60) -> PreviousRuns:
    """Return what runs up to 7 days earlier said of the last `past_days` days (1-92). Raises WeatherError.

    With a thermometer's record of those days the site's bias is known from the first day on.
    """
    base = (source.base_url or PREVIOUS_URL).rstrip("/")
    names = [AIR, *(f"{AIR}_previous_day{d}" for d in range(1, 8))]
    params = {**place(source, site), "hourly": ",".join(names), "forecast_days": "1", "past_days": str(past_days)}
    answer = Client.of(WHO, source, site, context).get(f"{base}/v1/forecast", params)
    body = body_of(answer, context.now())
    start, columns = columns_of(body)
    hours = len(next(iter(columns.values())))
    rows = [series.air_k(columns.get(name, np.full(hours, np.nan)))[0] for name in names]
    return PreviousRuns(start, np.array(rows), elevation_of(body))


def _asked(client: Client, url: str, params: Mapping[str, str], names: list[str]) -> tuple[Answer, str]:
    """The answer with the first of the models' `names` that the server does not call unknown, and that name."""
    for name in names[:-1]:
        answer = client.get(url, {**params, "models": name})
        if answer.status != 400:
            return answer, name
    last = names[-1]
    return client.get(url, {**params, **({"models": last} if last else {})}), last


def place(source: WeatherSource, site: Site) -> dict[str, str]:
    """Return the parameters that name the place, and the key where there is one. Raises WeatherError."""
    latitude, longitude = place_of(site)
    asked = {
        "latitude": latitude,
        "longitude": longitude,
        "timeformat": "unixtime",
        "timezone": "GMT",
        "wind_speed_unit": "ms",
    }
    key_file = source.options.get("api_key_file")
    if key_file:
        try:
            asked["apikey"] = read_secret(str(key_file))
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or error
            raise WeatherError("permanent", f"{WHO}: cannot read api_key_file {key_file}: {reason}") from error
    return asked


def body_of(answer: Answer, now: datetime) -> Mapping[str, Any]:
    """The answer's JSON object; every other status or shape as the error it is."""
    if answer.status != 200:
        raise _refused(answer, now)
    body = answer.json(WHO)
    if isinstance(body, list) and len(body) == 1:
        body = body[0]
    if not isinstance(body, Mapping):
        raise WeatherError("temporary", f"{WHO} answered with something that is no forecast")
    if body.get("error"):
        raise WeatherError("temporary", f"{WHO} failed: {told(body.get('reason', 'no reason given'))}")
    return body


def _refused(answer: Answer, now: datetime) -> WeatherError:
    """What a status other than 200 means; the reason's text only sets how long to wait."""
    reason = f"status {answer.status}"
    try:
        payload = answer.json(WHO)
        if isinstance(payload, Mapping) and payload.get("reason"):
            reason = told(payload["reason"])
    except WeatherError:
        pass
    message = f"{WHO} refused: {reason}"
    if answer.status == 429:
        return WeatherError("throttled", message, answer.retry_after_s(now) or _back_off_s(reason, now))
    if answer.status == 503:
        return WeatherError("throttled", message, answer.retry_after_s(now) or 300.0)
    if answer.status >= 500:
        return WeatherError("temporary", f"{WHO} failed: {reason}")
    return WeatherError("permanent", message)


def _back_off_s(reason: str, now: datetime) -> float:
    """How long the limit that was hit lasts (s), with a little more so as not to be the first in line."""
    words = reason.lower()
    if "daily" in words or "monthly" in words:
        midnight = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        return (midnight - now).total_seconds() + 600.0
    if "hourly" in words:
        return 3600.0 - now.minute * 60.0 + 120.0
    return 120.0


def columns_of(body: Mapping[str, Any], most_hours: int = 24 * 120) -> tuple[datetime, dict[str, Series]]:
    """Start of the series and every numeric column in degC, m/s or share, on whole UTC hours."""
    hourly, units = body.get("hourly"), body.get("hourly_units")
    if not isinstance(hourly, Mapping) or not isinstance(units, Mapping) or not isinstance(hourly.get("time"), list):
        raise WeatherError("temporary", f"{WHO} answered without hourly values")
    times = _times(hourly["time"], str(units.get("time", "")), body)
    start, hours = series.span(times)
    if not 0 < hours <= most_hours:
        raise WeatherError("temporary", f"{WHO} answered with a series of {hours} hours")
    columns = {}
    for name, values in hourly.items():
        variable = next((v for v in VARIABLES if str(name).startswith(v)), None)
        if variable is None or not isinstance(values, list):
            continue
        if len(values) != len(times):
            raise WeatherError(
                "temporary", f"{WHO} answered with {len(values)} values of {name} for {len(times)} hours"
            )
        unit = str(units.get(name, ""))
        if unit not in _UNITS[variable]:
            raise WeatherError("permanent", f"{WHO} gives {name} in {told(unit) or 'no unit'}, which is not known here")
        factor, offset = _UNITS[variable][unit]
        columns[str(name)] = series.on_hours(start, hours, times, series.numbers(values) * factor + offset)
    if not any(name.startswith(AIR) for name in columns):
        raise WeatherError("temporary", f"{WHO} answered without air temperature")
    return start, columns


def _times(stamps: list[Any], form: str, body: Mapping[str, Any]) -> list[datetime]:
    """The series' times as UTC. Local ISO times carry one offset for the whole series, as the service writes them."""
    try:
        if form == "unixtime":
            times = [datetime.fromtimestamp(int(s), UTC) for s in stamps]
        else:
            shift = timedelta(seconds=int(body.get("utc_offset_seconds", 0)))
            times = [datetime.fromisoformat(str(s)).replace(tzinfo=UTC) - shift for s in stamps]
    except (TypeError, ValueError, OverflowError, OSError) as error:
        raise WeatherError("temporary", f"{WHO} answered with times that are none ({error})") from error
    if not times or any(b <= a for a, b in pairwise(times)):
        raise WeatherError("temporary", f"{WHO} answered with times that are missing or do not ascend")
    return times


def members_of(columns: Mapping[str, Series]) -> tuple[Series, tuple[str, ...]]:
    """Air temperature (members, hours) in K: control first, members as numbered, one after the other for each model."""
    pattern = re.compile(rf"{AIR}(?:_member(\d+))?(_[a-z].*)?$")
    found = []
    for name in columns:
        match = pattern.fullmatch(name)
        if match and "previous_day" not in name:
            found.append((match.group(2) or "", int(match.group(1) or 0), name))
    rows, wild = [], 0
    for _, _, name in sorted(found):
        row, bad = series.air_k(columns[name])
        wild += bad
        if np.isfinite(row).any():
            rows.append(row)
    if not rows:
        raise WeatherError("temporary", f"{WHO} answered without one usable air temperature")
    notes = [f"{wild} air temperatures outside -80..60 °C were left out"] if wild else []
    return np.array(rows), tuple(notes)


def middle(columns: Mapping[str, Series], variable: str, low: float, high: float) -> Series | None:
    """Mean over the members of a variable, gaps where none has a value; None where it is not offered."""
    rows = [series.within(v, low, high) for name, v in columns.items() if name.startswith(variable)]
    if not rows or not np.isfinite(rows).any():
        return None
    stack = np.array(rows)
    count = np.isfinite(stack).sum(axis=0)
    return np.where(count > 0, np.nansum(stack, axis=0) / np.maximum(count, 1), np.nan)


def elevation_of(body: Mapping[str, Any]) -> float | None:
    """Return the height (m) that the answer's grid cell was brought to, None where it is none."""
    value = series.number(body.get("elevation"))
    return value if -500.0 <= value <= 9000.0 else None


def _issued(
    client: Client, base: str, folder: str | None, start: datetime, received: datetime
) -> tuple[datetime, tuple[str, ...]]:
    """Time of issue as far as it can be known, and the words that say how."""
    made_by = min(received, start + timedelta(days=PAST_DAYS + 1))  # a series begins on the day it was made
    if folder:
        try:
            meta = client.get(f"{base}/data/{folder}/static/meta.json")
            run = series.number(meta.json(WHO).get("last_run_initialisation_time")) if meta.status == 200 else 0.0
        except (WeatherError, AttributeError):
            run = 0.0
        if run > 0.0 and datetime.fromtimestamp(run, UTC) <= received:
            return min(made_by, datetime.fromtimestamp(run, UTC)), ()
    return made_by, ("Open-Meteo states no time of issue: the time it was received stands for it",)
