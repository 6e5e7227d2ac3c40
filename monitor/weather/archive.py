"""Hourly temperatures of past winters from Open-Meteo's reanalysis archive, for choosing an arrangement.

One request a winter. The archive lags behind by some days, so the last winter is one that is over. No key; data under
CC BY 4.0. Only rounded coordinates are sent.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.weather import open_meteo
from monitor.weather.client import Client
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context

ARCHIVE_URL = "https://archive-api.open-meteo.com"
MOST_HOURS = 24 * 220
LAPSE_K_M = 0.0065  # International Standard Atmosphere (ISO 2533)
FIRST_YEAR = 1940
MOST_YEARS = 40


def winters(site: Site, years: int, context: Context, base_url: str = "") -> tuple[Forecast, ...]:
    """Return the last `years` whole winters before now, oldest first: October to April, in the south April to October.

    As series of the same form as a forecast, brought to the site's own height where that is stated. Raises ValueError
    for years that are not from 1 to 40, WeatherError for whatever can go wrong outside.
    """
    if not 1 <= years <= MOST_YEARS:
        raise ValueError(f"years: got {years}; expected 1 to {MOST_YEARS}")
    return tuple(_season(site, first, last, context, base_url) for first, last in seasons(site, years, context))


def seasons(site: Site, years: int, context: Context) -> tuple[tuple[date, date], ...]:
    """Return first and last day of each winter that is over, oldest first."""
    today = context.now().date()
    north = site.latitude >= 0.0
    span = range(today.year - years - 1, today.year + 1)
    ends = [date(year, 4, 30) if north else date(year, 10, 31) for year in span]
    over = [end for end in ends if (today - end).days > 7 and end.year > FIRST_YEAR][-years:]
    return tuple((date(end.year - 1, 10, 1) if north else date(end.year, 4, 1), end) for end in over)


def _season(site: Site, first: date, last: date, context: Context, base_url: str) -> Forecast:
    source = WeatherSource("open-meteo", base_url=base_url)
    client = Client.of(open_meteo.WHO, source, site, context)
    params: dict[str, Any] = {
        **open_meteo.place(source, site),
        "hourly": ",".join(open_meteo.VARIABLES),
        "start_date": first.isoformat(),
        "end_date": last.isoformat(),
    }
    answer = client.get(f"{(base_url or ARCHIVE_URL).rstrip('/')}/v1/archive", params)
    body = open_meteo.body_of(answer, context.now())
    start, columns = open_meteo.columns_of(body, MOST_HOURS)
    if start.date() < first or start.date() > last:
        raise WeatherError("temporary", f"{open_meteo.WHO} answered with {start:%Y-%m-%d}, asked was {first}")
    air, notes = open_meteo.members_of(columns)
    height = open_meteo.elevation_of(body)
    if height is not None and site.elevation_m:
        air = air + (height - site.elevation_m) * LAPSE_K_M
    return Forecast(
        source="open-meteo archive",
        issued=context.now(),
        received=context.now(),
        start=start,
        air_k=air,
        wind_m_s=open_meteo.middle(columns, open_meteo.WIND, 0.0, 120.0),
        cloud=open_meteo.middle(columns, open_meteo.CLOUD, 0.0, 1.0),
        humidity=open_meteo.middle(columns, open_meteo.HUMIDITY, 0.0, 1.0),
        credit=open_meteo.CREDIT,
        elevation_m=height,
        notes=notes,
    )
