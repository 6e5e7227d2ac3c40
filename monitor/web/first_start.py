"""First start on the page: the sheet to tick off, kept in the record; whom to ask what; what to get and to mark."""

from __future__ import annotations

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from monitor.alerts import cautions
from monitor.model.entry import Entry
from monitor.model.errors import BadInput, Problem
from monitor.site import fit_out
from monitor.site.questions import questions
from monitor.store import Store
from monitor.web import words
from monitor.web.act import plain
from monitor.web.view import Refused, View

KIND = "first-start"


def last(store: Store) -> Entry | None:
    """The newest sheet in force."""
    return next((e for e in reversed(store.entries()) if e.kind == KIND), None)


class FirstStart:
    """Handler of the page."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.context = view.context

    async def first_start(self, request: Request) -> Response:
        """Show the sheet, or keep what was ticked."""
        site = self.context.site()
        problems: list[str] = []
        ticked: frozenset[str] = frozenset()
        given = {"note": "", "at": ""}
        if request.method == "POST":
            try:
                sent = await self.view.form(request)
                ticked = frozenset(name for k, name in enumerate(fit_out.NAMES) if sent.get(f"step{k}"))
                given |= {name: sent.get(name, "")[:300].strip() for name in given}
                await self._keep(ticked, given)
                return RedirectResponse("/first-start?kept=1", 303)
            except Refused as error:
                problems = [str(error)]
            except BadInput as error:
                problems = plain(error)
        zone = ZoneInfo(site.timezone)
        newest = await self.view.ask(last)
        done = list(newest.payload.get("steps", ())) if newest is not None else []
        return self.view.page(
            request, "first_start.html", "First start", 400 if problems else 200, problems=problems, given=given,
            steps=fit_out.STEPS, ticked=ticked, kept=request.query_params.get("kept") == "1" and newest is not None,
            when="" if newest is None else words.stamp(newest.time, zone), done=done,
            left_out=[name for name in fit_out.NAMES if name not in done], questions=questions(site),
            items=fit_out.items(site), marks=[fit_out.mark(c, site) for c in site.cylinders],
            before=(cautions.LOCAL, cautions.SMELL), after=(cautions.VALVE, cautions.WARMING, cautions.DETECTOR),
            carry=cautions.CARRY,
        )  # fmt: skip

    async def _keep(self, ticked: frozenset[str], given: Mapping[str, str]) -> None:
        from monitor.commands import _fit_out
        from monitor.sensors.when import when

        site, now = self.context.site(), self.context.now()
        if not ticked:
            raise BadInput(Problem("The sheet", "nothing ticked", "at least one step that was done"))
        at = when(given["at"] or "now", now, site.timezone, "When")
        steps = [name for name in fit_out.NAMES if name in ticked]

        def write(store: Store) -> None:
            with store.transaction():
                _fit_out.enter(store, site, steps, at, now, given["note"], "The sheet")

        await self.view.write(write)
