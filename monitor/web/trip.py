"""The next trip to the station: when, with which cylinder, and why, from the levels and the learnt use."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Sequence
from datetime import date, datetime
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
from monitor.web import pages, words
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
        going = due.dates(site, facts.entries, now).planned_refill
        ahead = found is not None and found.when is not None and found.when > now
        return self.view.page(
            request, "trip.html", "The next refill", plan=found,
            when=None if found is None or found.when is None else words.day(found.when, zone),
            hour=None if found is None or found.when is None else words.clock(found.when, zone),
            latest=None if found is None or found.latest is None else _plain_day(found.latest),
            reasons=[] if found is None else [words.whole(r) for r in found.reasons],
            gives_way=[] if found is None else [words.whole(r) for r in found.gives_way],
            filled=pages.filled_since(facts, site), percent=words.percent,
            mass=lambda kg: words.whole(show(kg, "mass", units)),
            days=[] if found is None else alike(found.days[:21]),
            disconnect=DISCONNECT,
            going=None if going is None else f"{words.day(going, zone)}, {words.clock(going, zone)}",
            at=f"{found.when.astimezone(zone):%Y-%m-%dT%H:%M}" if ahead and found and found.when else None,
            allowed=words.percent(Rules.of(site.settings).risk),
        )  # fmt: skip


def _plain_day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def alike(days: Sequence[tuple[date, float]]) -> list[tuple[str, str]]:
    """Return (days, odds) as shown, days that follow each other with the same odds in one."""
    out = []
    for odds, run in itertools.groupby(days, key=lambda one: words.percent(one[1])):
        first, *rest = (day for day, _ in run)
        out.append((_plain_day(first) + (f" to {_plain_day(rest[-1])}" if rest else ""), odds))
    return out


def reckon(path: Path, site: Site, levels: Sequence[Level], now: datetime) -> Plan:
    """Make the plan from what the last outlook says is left, with the same forecast and odds as `boiloff plan`."""
    with Store.open(path, readonly=True) as store:
        facts = gather(site, store, now)
        learnt = USAGE.now(site, store, now)
        leak = due.dates(site, store.entries(), now).leak_found is not None
    made = outlook.make(site, facts.forecast, levels, now, history=facts.history, learnt=learnt)
    use = learnt or stated(site, made)
    return plan(site, levels, made.hours, use, now, rules=Rules.of(site.settings), leak=leak)
