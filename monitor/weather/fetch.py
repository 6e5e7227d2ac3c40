"""Ask one source: what each kind needs in common, and which module answers for which kind."""

from __future__ import annotations

import importlib
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.weather import series
from monitor.weather.errors import WeatherError
from monitor.weather.memory import Memory

if TYPE_CHECKING:
    from monitor.model.warning import OfficialWarning

_MODULES = {
    "open-meteo": "open_meteo",
    "nws": "nws",
    "met-norway": "met_norway",
    "file": "file",
    "command": "command",
}
_MOST_STEPS = 0.02  # of all hours of all members
SHARED = Memory()


def _utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True)
class Context:
    """What an adapter takes from outside: the time of day, how to wait (real seconds), what was fetched before."""

    now: Callable[[], datetime] = _utc_now
    sleep: Callable[[float], None] = time.sleep
    memory: Memory = field(default_factory=lambda: SHARED)


def fetch(source: WeatherSource, site: Site, context: Context | None = None) -> Forecast:
    """Return the forecast that `source` has for `site`. Blocks, at most the source's time-out (default 30 real s).

    Raises WeatherError for whatever can go wrong outside. A forecast that its own time of issue shows to be more
    than a day old is such a failure: the caller asks the next source, and keeps the last good one.
    """
    name = _MODULES.get(source.kind)
    if name is None:
        known = ", ".join(_MODULES)
        raise WeatherError("permanent", f"no kind of forecast source is called {source.kind!r}; there are {known}")
    module: Any = importlib.import_module(f"monitor.weather.{name}")
    return _possible(module.fetch(source, site, context or Context()), source.kind)


def _possible(forecast: Forecast, kind: str) -> Forecast:
    """Leave out hours beside a step that no air makes; refuse a forecast that has more of them than a slip or two."""
    air_k, steps = series.steady(forecast.air_k)
    if not steps:
        return forecast
    said = f"air temperatures that step by over {series.STEEPEST_K:.0f} K within an hour"
    if steps > _MOST_STEPS * air_k.size or not np.isfinite(air_k).any():
        raise WeatherError("temporary", f"{kind}: not to be believed, {steps} {said}")
    return replace(forecast, air_k=air_k, notes=(*forecast.notes, f"{steps} {said} were left out"))


def fetch_warnings(source: WeatherSource, site: Site, context: Context | None = None) -> tuple[OfficialWarning, ...]:
    """Return the official cold and winter-storm warnings in force or announced for `site`, one a hazard.

    Only the kind "nws" has any: of another kind the answer is an empty tuple. Raises WeatherError as `fetch` does.
    """
    if source.kind != "nws":
        return ()
    module: Any = importlib.import_module("monitor.weather.nws_warnings")
    warnings: tuple[OfficialWarning, ...] = module.fetch(source, site, context or Context())
    return warnings
