"""The forecast pull: each source in the site's order until one answers; the next is asked only where one failed."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta

from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.service.board import Board
from monitor.service.callout import Callouts, StillHanging
from monitor.service.clock import Clock
from monitor.weather.choose import freshness
from monitor.weather.errors import WeatherError

log = logging.getLogger(__name__)

DEADLINE_S = 90.0  # real seconds for one source, retries and all
INTERVAL_S = 3600.0
_AGAIN_S = (300.0, 600.0, 1200.0, 1800.0)  # after the first, second, ... round in which every source failed

Fetch = Callable[[WeatherSource, Site], Forecast]


def source_names(site: Site) -> list[tuple[str, WeatherSource]]:
    """Return each forecast source with its name on the board: its kind, numbered where a kind comes twice."""
    counts: dict[str, int] = {}
    named = []
    for source in site.weather:
        counts[source.kind] = counts.get(source.kind, 0) + 1
        number = counts[source.kind]
        named.append((source.kind if number == 1 else f"{source.kind} {number}", source))
    return named


class Pull:
    """Pulls forecasts for one site. `keep` stores a forecast and returns when it is durable."""

    def __init__(
        self,
        clock: Clock,
        board: Board,
        calls: Callouts,
        fetch: Fetch,
        keep: Callable[[Forecast], Awaitable[None]],
    ) -> None:
        self._clock = clock
        self._board = board
        self._calls = calls
        self._fetch = fetch
        self._keep = keep
        self._failures = 0
        self._not_before: dict[str, datetime] = {}

    async def round(self, site: Site) -> tuple[Forecast | None, datetime | None]:
        """Ask the sources; return the forecast (None where all failed) and when to ask again before the next hour."""
        best: Forecast | None = None
        for name, source in source_names(site):
            forecast = await self._ask(name, source, site)
            if forecast is not None:
                self._failures = 0
                best = best or forecast
                if (
                    freshness(forecast, self._clock.now())[0] == "fresh"
                ):  # an old answer does not keep the next from work
                    return forecast, None
        if best is not None:
            return best, None
        if not site.weather:
            return None, None
        wait_s = _AGAIN_S[min(self._failures, len(_AGAIN_S) - 1)]
        self._failures += 1
        again = self._clock.now() + timedelta(seconds=wait_s)
        first_allowed = min((self._not_before.get(n, again) for n, _ in source_names(site)), default=again)
        return None, max(again, first_allowed)

    async def _ask(self, name: str, source: WeatherSource, site: Site) -> Forecast | None:
        not_before = self._not_before.get(name)
        if not_before is not None and self._clock.now() < not_before:
            return None  # it asked to be left alone until then, and what it said stands on the board
        try:
            forecast = await self._calls.call(name, lambda: self._fetch(source, site), DEADLINE_S)
            await self._keep(forecast)
        except WeatherError as error:
            self._failed(name, error)
        except (TimeoutError, StillHanging) as error:
            self._board.fails(name, "forecast", str(error), interval_s=INTERVAL_S)
        except Exception as error:  # an adapter must not stop the others
            log.exception("forecast source %s", name)
            self._board.fails(name, "forecast", f"{type(error).__name__}: {error}", interval_s=INTERVAL_S)
        else:
            self._not_before.pop(name, None)
            self._board.works(name, "forecast", interval_s=INTERVAL_S)
            return forecast
        return None

    def _failed(self, name: str, error: WeatherError) -> None:
        if error.retry_after_s is not None:
            self._not_before[name] = self._clock.now() + timedelta(seconds=error.retry_after_s)
        permanent = error.kind == "permanent"
        self._board.fails(name, "forecast", error.message, interval_s=INTERVAL_S, permanent=permanent)
