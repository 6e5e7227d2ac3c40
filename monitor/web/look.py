"""Handlers of the pages that only show: now, outlook, coverage, the dropping flame, alerts, inputs, readings."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import Response

from monitor.alerts import cautions, kinds
from monitor.model.site import BASES, Basis, Site
from monitor.model.units_out import unit
from monitor.service import due
from monitor.web import api, chart, coverage, pages, words
from monitor.web.answer import answer
from monitor.web.night import nights
from monitor.web.todo import todo
from monitor.web.view import View, shown_in, whole

SPANS = ((24, "24 hours"), (72, "3 days"), (168, "7 days"), (240, "10 days"))
TITLES = {
    "all": "Air, capacity against demand, hold time and fuel over the coming hours",
    "air": "Air and liquid",
    "capacity": "What they carry, and what is asked",
    "hold": "Hold from rest, all burners on",
    "fuel": "Fuel left",
}


class Look:
    """Handlers that read."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.context = view.context

    async def now(self, request: Request) -> Response:
        """Are we covered, how long does the fuel last, can I trust this?"""
        facts, site = await self.view.standing()
        views = await asyncio.to_thread(pages.cylinders, facts, site)
        alerts = pages.alert_views(facts, site)
        told = answer(facts.payload, facts.health, site, facts.now)
        going = due.dates(site, facts.entries, facts.now).planned_refill
        return self.view.page(
            request, "now.html", "Now",
            answer=told, todo=todo(facts.payload, alerts, told, going, site, facts.now),
            alerts=alerts, danger=[a for a in alerts if a.kind in kinds.GAS], cylinders=views,
            inputs=pages.inputs(facts, site, all_kinds=False),
            nights=nights(facts.payload, site, facts.now) if facts.payload else [],
            basis_words=pages.BASIS_WORDS[site.supply.basis],
            credits=await self.view.credits(),
        )  # fmt: skip

    async def outlook(self, request: Request) -> Response:
        """The outlook chart."""
        facts, site = await self.view.standing()
        hours = whole(request.query_params.get("hours"), 72, 1, 400)
        drawn: list[chart.Chart] = []
        first = ""
        if facts.payload is not None and facts.payload["hours"]:
            zone, burn_s = ZoneInfo(site.timezone), _burn_s(site)
            drawn = [
                chart.outlook_chart(facts.payload, shown_in(site), zone, hours, burn_s, width)
                for width in (chart.WIDTH, chart.NARROW)
            ]
            first = pages.hour_text(facts.payload["hours"][0], site)
        return self.view.page(
            request, "outlook.html", "Outlook", charts=drawn, titles=TITLES, spans=SPANS, hours=hours, first_text=first,
            basis=site.supply.basis, ends=pages.run_out_text(facts.payload, site),
            credits=await self.view.credits(),
        )  # fmt: skip

    async def map(self, request: Request) -> Response:
        """The coverage map."""
        facts, site = await self.view.standing()
        asked = request.query_params.get("basis", site.supply.basis)
        basis: Basis = asked if asked in BASES else site.supply.basis
        picture = await asyncio.to_thread(coverage.draw, site, facts.payload, basis, facts.now)
        return self.view.page(
            request, "map.html", "Coverage map", picture=picture, bases=BASES, basis_words=pages.BASIS_WORDS[basis],
            unit=unit("temperature", site.units),
            label="Map of temperature and charge: carried, held for the stated burn, or not carried",
        )  # fmt: skip

    async def flame(self, request: Request) -> Response:
        """What to check when the flame drops, and what never to do."""
        facts, site = await self.view.standing()
        return self.view.page(
            request, "flame.html", "The flame is dropping", valve_words=pages.valve_words(site),
            left_words=pages.left_words(facts, site),
            before_valve=cautions.VALVE,
            cautions=(cautions.WARMING, cautions.LOCAL, cautions.DETECTOR),
        )  # fmt: skip

    async def alerts(self, request: Request) -> Response:
        """Standing alerts and what happened."""
        facts, site = await self.view.standing()
        zone = ZoneInfo(site.timezone)
        steps = await self.view.ask(lambda store: store.transitions(limit=100))
        rows = [
            {"at": f"{words.day(t.at, zone)} {words.clock(t.at, zone)}", "name": pages.named(t.key), "reason": t.reason,
             "before": t.before.replace("_", " "), "after": t.after.replace("_", " ")}
            for t in steps
        ]  # fmt: skip
        return self.view.page(request, "alerts.html", "Alerts", alerts=pages.alert_views(facts, site), steps=rows,
                              stopped=pages.stopped(facts, site))  # fmt: skip

    async def readings(self, request: Request) -> Response:
        """The newest readings and what was set aside."""
        site = self.context.site()
        zone = ZoneInfo(site.timezone)
        newest, aside = await self.view.ask(
            lambda store: (
                store.readings(since=self.context.now() - timedelta(days=30), limit=100),
                store.set_asides(50),
            ),
        )
        head = ["When", "Of", "Quantity", "Value", "From"]
        rows = [[f"{words.day(r.time, zone)} {words.clock(r.time, zone)}", r.subject, str(r.quantity).replace("_", " "),
                 words.whole(api.shown_value(r, site)), r.source] for r in reversed(newest)]  # fmt: skip
        refused = [
            [f"{words.day(s.received, zone)} {words.clock(s.received, zone)}", s.source, s.raw[:60], s.reason]
            for s in aside
        ]
        parts = [
            {"title": "Newest first", "head": head, "rows": rows, "empty": "Nothing has come in within 30 days.",
             "flow": True},
            {"title": "Set aside: could not be used", "head": ["When", "From", "What came", "Why"], "rows": refused,
             "empty": "Nothing."},
        ]  # fmt: skip
        return self.view.page(request, "table.html", "Readings", intro="", parts=parts)

    async def inputs(self, request: Request) -> Response:
        """Every source, sensor and channel with age, last error and a test; what was sent."""
        from monitor.notify import trial

        facts, site = await self.view.standing()
        sent = await self.view.ask(lambda store: store.outbox(50))
        zone = ZoneInfo(site.timezone)
        out = [[words.day_clock(o.notice.at, zone), o.notice.headline, o.channel, o.state, o.error] for o in sent]
        channels = [(c.name, facts.health.get(c.name), trial.problem(site, c.name)) for c in site.channels]
        return self.view.page(
            request, "inputs.html", "Inputs and ways out", inputs=pages.inputs(facts, site), sent=out,
            channels=[(name, problem or (h.error if h is not None else "")) for name, h, problem in channels],
        )  # fmt: skip


def _burn_s(site: Site) -> float | None:
    """The longest stated burn of an appliance that does not burn without end."""
    return max((a.hold_s for a in site.appliances if not a.continuous), default=None)
