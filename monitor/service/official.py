"""Official warnings: asked of the US service where the site has it as a source, kept for the outlook and the alerts."""

from __future__ import annotations

import contextlib

from monitor.model.site import WeatherSource
from monitor.service.core import Core
from monitor.weather import Context, WeatherError, bulletin, fetch_warnings

NAME = "official warnings"
EVERY_S = 600
DEADLINE_S = 60.0
JITTER_S = 45.0


def source_of(core: Core) -> WeatherSource | None:
    """Return the source to ask, None where there is none or warnings are switched off."""
    if core.site.settings.get("forecast.warnings") is False:
        return None
    return next((w for w in core.site.weather if w.kind == "nws"), None)


async def job(core: Core) -> None:
    """Ask once; a failure leaves what is kept, which ends by its own time."""
    source = source_of(core)
    if source is None or not core.sane.is_set():
        return
    await core.clock.pause(core.hooks.draw.uniform(0.0, JITTER_S))  # not on the minute with everyone else
    site, context = core.site, Context(now=core.clock.now)
    try:
        found = await core.calls.call(NAME, lambda: fetch_warnings(source, site, context), DEADLINE_S)
    except WeatherError as error:
        core.board.fails(NAME, "service", error.message, interval_s=float(EVERY_S), permanent=error.kind == "permanent")
        return
    except Exception as error:  # noqa: BLE001  what is optional must not stop the rest
        core.board.fails(NAME, "service", f"{type(error).__name__}: {error}", interval_s=float(EVERY_S))
        return
    core.board.works(NAME, "service", interval_s=float(EVERY_S))
    text = bulletin.dump(found)
    before = await core.peek(lambda store: store.get(bulletin.KEY))
    if text != before:
        with contextlib.suppress(TimeoutError):
            await core.write(lambda store: store.put(bulletin.KEY, text))
        core.remake.poke("official warnings changed")
