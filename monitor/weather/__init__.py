"""Forecasts and official warnings from public services, files and commands: one typed forecast whatever the source.

`fetch` asks one source; `choose` picks among forecasts that were kept; `read_csv` reads the fixed CSV. Each adapter
loads only when its source is asked.
"""

from __future__ import annotations

from monitor.weather.choose import Choice, choose, freshness
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context, fetch, fetch_warnings

__all__ = ["Choice", "Context", "WeatherError", "choose", "fetch", "fetch_warnings", "freshness"]
