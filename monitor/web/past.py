"""What was: level, use a day and a month, temperature, refills, alerts, and forecasts against what came."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import Response

from monitor.model.site import Site
from monitor.model.units_out import number, show, unit
from monitor.store import Store
from monitor.web import chart, history, words
from monitor.web.view import View, shown_in, whole

SPANS = ((7, "7 days"), (31, "31 days"), (92, "3 months"), (366, "a year"), (1096, "3 years"))
TITLES = {
    "all": "What was: fuel left, use a day, air temperature",
    "left": "Propane left",
    "use": "Use a day, all cylinders",
    "air": "Air (dashes: as forecast a day before)",
}
VERIFY_DAYS = 90


class Past:
    """Handlers of the pages that look back."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.context = view.context

    async def past(self, request: Request) -> Response:
        """Chart and tables of a span up to years."""
        site, now, path = self.context.site(), self.context.now(), self.context.store_path
        days = whole(request.query_params.get("days"), 31, 1, 3660)
        found = await asyncio.to_thread(history.collect, path, site, now - timedelta(days=days), now)
        zone = ZoneInfo(site.timezone)
        drawn = [history.draw(found, shown_in(site), zone, width) for width in (chart.WIDTH, chart.NARROW)]
        return self.view.page(
            request, "past.html", "Past", charts=drawn, titles=TITLES, spans=SPANS, days=days,
            readings=found.any, months=_months(found, site), refills=_refills(found, site, zone),
            events=[(words.stamp(e.at, zone), e.text) for e in reversed(found.raised[-200:])],
            first_text=history.last_text(found, site, zone),
        )  # fmt: skip

    async def forecasts(self, request: Request) -> Response:
        """How forecasts and odds turned out."""
        from monitor.commands import _verify

        site, now = self.context.site(), self.context.now()
        kinds = list(dict.fromkeys(w.kind for w in site.weather)) or ["file"]
        since = now - timedelta(days=VERIFY_DAYS)
        look: Callable[[Store], Any] = lambda store: _verify.found(store, site, kinds, since, now)  # noqa: E731
        found = await self.view.ask(look)
        factor, degree = (1.8, "°F") if site.units == "us" else (1.0, "°C")
        head = ["Day ahead", "Nights", "Bias", "Mean error", "Within the 10–90 % band", "The source alone: mean error"]
        parts = []
        for v in found.sources:
            rows = [
                [str(s.lead) if s.lead else "all", str(s.n), f"{factor * s.bias_k:+.1f} {degree}",
                 f"{factor * s.mae_k:.1f} {degree}", words.percent(s.covered), f"{factor * s.raw_mae_k:.1f} {degree}"]
                for s in v.scores
            ]  # fmt: skip
            empty = "Nothing to score yet: it takes an outdoor thermometer and nights that were forecast."
            parts.append({"title": f"The night's coldest hour: {v.source}", "head": head, "rows": rows, "empty": empty})
        rows = [[words.percent(b.odds), words.percent(b.came), str(b.n),
                 "" if b.consistent else "not what chance allows"]
                for b in found.bins]  # fmt: skip
        empty = f"{found.hours} hours can be judged so far, too few to score."
        parts.append({"title": "Odds of a shortfall: said, and came", "head": ["Said", "Came", "Hours", ""],
                      "rows": rows, "empty": empty})  # fmt: skip
        intro = (
            f"Forecasts of the last {VERIFY_DAYS} days against this yard's own thermometer. Right odds have 80 % of "
        )
        intro += "nights within their 10–90 % band."
        return self.view.page(request, "table.html", "Forecasts against what came", intro=intro, parts=parts)


def _months(found: history.History, site: Site) -> list[list[str]]:
    sign = unit("mass", site.units)
    return [[m.name, f"{number(m.used_kg, 'mass', site.units):,.1f} {sign}", str(m.days)] for m in found.months]


def _refills(found: history.History, site: Site, zone: ZoneInfo) -> list[list[str]]:
    return [
        [words.stamp(r.at, zone), r.cylinder, f"+{show(r.kg, 'mass', site.units)}"] for r in reversed(found.refills)
    ]
