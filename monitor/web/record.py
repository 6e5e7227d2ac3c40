"""The record on the page: what was done and when, entered with one hand, taken back by a new entry; what it cost."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from monitor.alerts import cautions
from monitor.model.errors import BadInput
from monitor.outlook import record
from monitor.outlook.cost import Rates
from monitor.store import Store
from monitor.web import keep, words
from monitor.web.act import plain
from monitor.web.view import Context, Refused, View, whole

MOST = 300
NO_FILL = "Price of gas: not known until a fill is entered, with what was paid and how much went in."
_CAUTIONS = {
    "fill": (cautions.CARRY, cautions.LOCAL),
    "exchange": (cautions.DISCONNECT, cautions.CARRY, cautions.VALVE),
    "regulator": (cautions.DISCONNECT, cautions.VALVE, cautions.LOCAL),
    "hose": (cautions.DISCONNECT, cautions.VALVE, cautions.LOCAL),
    "leak-check": (cautions.SMELL, cautions.DETECTOR),
}


class Record:
    """Handlers of the record."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.context = view.context

    async def record(self, request: Request) -> Response:
        """List what is in force, newest first."""
        site = self.context.site()
        zone, currency = ZoneInfo(site.timezone), Rates.of(site.settings).currency
        entries = await self.view.ask(lambda store: store.entries())
        rows = [
            {"id": e.id, "at": words.stamp(e.time, zone), "what": keep.called(e.kind),
             "subject": "" if e.subject == "site" else e.subject, "told": keep.told(e, site.units, currency)}
            for e in reversed(entries[-MOST:])
        ]  # fmt: skip
        kept = request.query_params.get("kept", "")
        done = {"entry": "Kept.", "undo": "Taken back."}.get(kept, "")
        return self.view.page(request, "record.html", "Record", rows=rows, forms=list(keep.FORMS.values()), done=done,
                              more=max(0, len(entries) - MOST))  # fmt: skip

    async def enter(self, request: Request) -> Response:
        """Show one form, or keep what was entered."""
        form = keep.FORMS[request.url.path.rpartition("/")[2]]
        site = self.context.site()
        names = [c.name for c in site.cylinders]
        given = {"cylinder": request.query_params.get("cylinder", names[0])[:100], "at": ""}
        given |= {field.option: "" for field in form.fields} | ({"full": ""} if form.may_be_full else {})
        problems: list[str] = []
        if request.method == "POST":
            try:
                sent = await self.view.form(request)
                given |= {name: sent.get(name, "")[:300] for name in given}
                warned = await self._keep(form, given)
                if warned:
                    return self.view.page(request, "kept.html", form.title, warned=warned)
                return RedirectResponse("/record?kept=entry", 303)
            except Refused as error:
                problems = [str(error)]
            except BadInput as error:
                problems = plain(error)
        return self.view.page(
            request, "keep.html", form.title, 400 if problems else 200, form=form, given=given, problems=problems,
            cylinders=names, cautions=_CAUTIONS.get(form.kind, ()),
        )  # fmt: skip

    async def _keep(self, form: keep.Form, given: Mapping[str, str]) -> list[str]:
        site, now = self.context.site(), self.context.now()

        def write(store: Store) -> list[str]:
            with store.transaction():
                event, found, warned = keep.entered(site, form, given, now, store.entries(record.MARKING))
                store.add_entry(event, found)
            return warned

        warned: list[str] = await self.view.write(write)
        return warned

    async def undo(self, request: Request) -> Response:
        """Take an entry back by a new one."""
        form = await self.view.form(request)
        number, now = whole(form.get("id"), 0, 0, 10**9), self.context.now()
        await self.view.write(lambda store: store.undo_event(number, now, "on the page"))
        return RedirectResponse("/record?kept=undo", 303)

    async def cost(self, request: Request) -> Response:
        """What the gas costs by month or year, a unit of it, and offers beside the cylinders."""
        by = "year" if request.query_params.get("by") == "year" else "month"
        values = await asyncio.to_thread(_costs, self.context, by)
        return self.view.page(request, "cost.html", "What the gas costs", by=by, **values)


def _month(label: str) -> str:
    """Return "Jan 2031" for "2031-01"; a year stays as it is."""
    year, _, month = label.partition("-")
    return f"{date(int(year), int(month), 1):%b} {year}" if month else year


def _costs(context: Context, by: str) -> dict[str, Any]:
    from monitor.commands import _cost

    site = context.site()
    found = context.costs.money(site, context.store_path, context.now())
    spans = list(reversed(found.years if by == "year" else found.months))
    u = site.units
    rows = [
        (_month(s.label), _cost.used(s, u), _cost.taken_in(s, u), str(s.fills), _cost.part(s.fuel), _cost.part(s.trips),
         _cost.part(s.things), _cost.total(s), "; ".join(s.missing))
        for s in spans
    ]  # fmt: skip
    return {
        "rows": rows, "basis": found.used_basis, "currency": found.rates.currency,
        "prices": _cost.price_lines(found.price, u, found.rates.currency) if any(s.fills for s in spans) else [NO_FILL],
        "offers": _cost.offer_lines(found) if found.beside else [],
    }  # fmt: skip
