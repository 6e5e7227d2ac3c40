"""The next trip to the station: when, with which cylinder, and why, from the levels and the learnt use."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import Response

from monitor import outlook
from monitor.alerts.cautions import DISCONNECT
from monitor.model.reading import Level
from monitor.model.site import Site
from monitor.model.units_out import show
from monitor.outlook.plan import Plan, Rules, plan
from monitor.outlook.use import stated
from monitor.service import due
from monitor.service.round import USAGE, gather
from monitor.store import Store
from monitor.web import words
from monitor.web.suppose import level_of
from monitor.web.view import View


class Trip:
    """Handler of the refill page."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.context = view.context

    async def trip(self, request: Request) -> Response:
        """When to go, what to take, and what the days ahead hold."""
        facts, site = await self.view.standing()
        now = facts.now
        levels = [level_of(entry, now) for entry in (facts.payload or {}).get("levels", ())]
        found: Plan | None = None
        if any(level.reading_time is not None for level in levels):
            found = await asyncio.to_thread(reckon, self.context.store_path, site, levels, now)
        zone, units = ZoneInfo(site.timezone), site.units
        going = await self.view.ask(lambda store: due.dates(site, store.entries([due.PLANNED]), now).planned_refill)
        ahead = found is not None and found.when is not None and found.when > now
        return self.view.page(
            request, "trip.html", "The next refill", plan=found,
            when=None if found is None or found.when is None else words.day(found.when, zone),
            hour=None if found is None or found.when is None else words.clock(found.when, zone),
            mass=lambda kg: words.whole(show(kg, "mass", units)),
            days=[] if found is None else [(f"{d:%a} {d.day} {d:%b}", f"{odds:.0%}") for d, odds in found.days[:21]],
            disconnect=DISCONNECT,
            going=None if going is None else f"{words.day(going, zone)}, {words.clock(going, zone)}",
            at=f"{found.when.astimezone(zone):%Y-%m-%dT%H:%M}" if ahead and found and found.when else None,
            allowed=f"{Rules.of(site.settings).risk:.0%}",
        )  # fmt: skip


def reckon(path: Path, site: Site, levels: Sequence[Level], now: datetime) -> Plan:
    """Make the plan from what the last outlook says is left, with the same forecast and odds as `boiloff plan`."""
    with Store.open(path, readonly=True) as store:
        facts = gather(site, store, now)
        learnt = USAGE.now(site, store, now)
    made = outlook.make(site, facts.forecast, levels, now, history=facts.history, learnt=learnt)
    use = learnt or stated(site, made)
    return plan(site, levels, made.hours, use, now, rules=Rules.of(site.settings))
