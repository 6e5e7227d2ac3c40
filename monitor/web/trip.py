"""The next trip to the station: when, with which cylinder, and why, from the levels and the learnt use."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from starlette.requests import Request
from starlette.responses import Response

from monitor import outlook
from monitor.commands import _plan
from monitor.model.reading import LEVEL_QUANTITIES, Level, Quantity, Reading
from monitor.model.site import Site
from monitor.model.units_out import show
from monitor.outlook.plan import Plan, Rules, plan
from monitor.service.round import gather
from monitor.store import Store
from monitor.web import thin, words
from monitor.web.suppose import level_of
from monitor.web.view import View

DAYS = 45  # of readings that use is learnt from, thinned to one an hour


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
        return self.view.page(
            request, "trip.html", "The next refill", plan=found,
            when=None if found is None or found.when is None else words.day(found.when, zone),
            hour=None if found is None or found.when is None else words.clock(found.when, zone),
            mass=lambda kg: words.whole(show(kg, "mass", units)),
            days=[] if found is None else [(f"{d:%a} {d.day} {d:%b}", f"{odds:.0%}") for d, odds in found.days[:21]],
            allowed=f"{Rules.of(site.settings).risk:.0%}",
        )  # fmt: skip


def reckon(path: Path, site: Site, levels: Sequence[Level], now: datetime) -> Plan:
    """Make the plan from what the last outlook says is left, with the same forecast and odds as `boiloff plan`."""
    with Store.open(path, readonly=True) as store:
        facts = gather(site, store, now)
    learnt = outlook.learn_use(site, hourly(path, site, now), now, facts.history)
    made = outlook.make(site, facts.forecast, levels, now, history=facts.history, learnt=learnt)
    use = learnt or _plan.stated(site, made)
    return plan(site, levels, made.hours, use, now, rules=Rules.of(site.settings))


def jsonable(found: Plan) -> dict[str, Any]:
    """Return the plan as JSON values with the names of `boiloff plan --json`."""
    return {
        "at": found.made.isoformat(),
        "when": None if found.when is None else found.when.isoformat(),
        "latest": None if found.latest is None else found.latest.isoformat(),
        "take": [
            {"cylinder": t.cylinder, "goes_kg": t.goes_kg, "returns_kg": t.returns_kg, "adds_kg": t.adds_kg}
            for t in found.take
        ],
        "risk_before": found.risk_before,
        "stays_covered": found.stays_covered,
        "needed_share": found.needed_share,
        "share_after": found.share_after,
        "reasons": list(found.reasons),
        "gives_way": list(found.gives_way),
        "days": [{"date": d.isoformat(), "risk": float(odds)} for d, odds in found.days],
        "caution": found.caution,
    }


def hourly(path: Path, site: Site, now: datetime) -> list[Reading]:
    """Return readings of the last weeks, one an hour at most, oldest first."""
    names = {c.name for c in site.cylinders}
    span = thin.Span(now - timedelta(days=DAYS), now, DAYS * 24)
    out: list[Reading] = []
    with thin.opened(path) as series:
        for stream in series.streams():
            if stream.subject not in names or stream.quantity not in {str(q) for q in LEVEL_QUANTITIES}:
                continue
            values = series.sample(stream, span)
            out += [
                Reading(span.middle(k), span.middle(k), stream.subject, Quantity(stream.quantity), float(values[k]),
                        stream.source)
                for k in np.flatnonzero(np.isfinite(values)).tolist()
            ]  # fmt: skip
    return sorted(out, key=lambda r: r.time)
