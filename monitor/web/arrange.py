"""Choosing the arrangement on the page: what is asked, worked out in a thread, one at a time; the maps of the first."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

import numpy as np
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from monitor.model import units_out
from monitor.model.errors import BadInput, Problem
from monitor.model.site import BASES, Site
from monitor.model.units_out import show
from monitor.outlook.arrange import (
    Arrangement,
    Candidate,
    Container,
    Limits,
    Question,
    Result,
    candidates,
    named,
    ranked,
    survey,
)
from monitor.outlook.arrange_model import MINDS, SHARES, Mind
from monitor.outlook.arrange_rank import against_limits, costs, refills
from monitor.web import coverage
from monitor.web.act import plain
from monitor.web.field import Fields
from monitor.web.view import View, whole

MOST, USUAL, MAPS, KEPT = 8, 4, 3, 4
IN_PLACE, CARRIED = 4, 6  # shown of each: tanks would crowd out every cylinder, or the other way round
LEAST_WC_KG = 20.0  # a 20 lb cylinder holds 47.6 lb of water; what is smaller feeds no kitchen
FIELDS = ("coldest", "use", "carry")
MIND_WORDS = {
    "short-nights": "what it carries in the cold", "carrying": "carrying", "trips": "trips for a refill", "cost": "cost"
}  # fmt: skip
OFFERED = tuple(m for m in MINDS if m != "cost")  # without prices there is no cost to sort by


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for, in SI."""

    coldest_k: float
    use_kg_d: float
    carry_kg: float | None = None
    most: int = USUAL
    delivery: bool = True
    mind: Mind = "short-nights"


@dataclass(frozen=True, slots=True)
class Row:
    """One arrangement as text, its number in the order; the slashed figures are at full, half and 20 % charge."""

    number: int
    name: str
    holds: str
    held: str
    carried: str
    needed: str
    piece: str
    fuel: str
    refills: str


def read(given: Mapping[str, str], site: Site) -> Wish:
    """Read the form. Raises BadInput with every problem, in the words of its fields."""
    fields = Fields(given)
    quantity, problems = fields.quantity, fields.problems
    cold, use, carry = examples(site)
    low = quantity(
        "coldest", "Coldest night", "temperature", 203.15, 323.15, f'outside air such as "{cold}"', needed=True
    )
    rate = quantity(
        "use", "Use a day in winter", "mass_rate", 0.01 / 86_400, 100 / 86_400, f'a rate such as "{use}"', needed=True
    )
    most_kg = quantity("carry", "Most you can lift", "mass", 1.0, 500.0, f'a weight such as "{carry}"')
    mind = given.get("mind", "short-nights")
    if mind not in OFFERED:
        problems.append(Problem("What you mind most", f'"{mind[:40]}"', "one of " + ", ".join(OFFERED)))
    if problems or low is None or rate is None:
        raise BadInput(problems)
    most = whole(given.get("most"), USUAL, 1, MOST)
    return Wish(low, rate * 86_400, most_kg, most, not given.get("no_delivery"), next(m for m in MINDS if m == mind))


def examples(site: Site) -> tuple[str, str, str]:
    """A design low, a use and a weight as the site's units write them."""
    return ("-10 °F", "1 lb/day", "50 lb") if site.units == "us" else ("-20 °C", "0.4 kg/day", "23 kg")


def kinds() -> list[Container]:
    """Common sizes with known measures, from 20 lb up, and lying tanks."""
    from monitor.commands._arrange_ask import LIQUID_LB, of_size, of_tank
    from monitor.site import catalogue

    upright = [of_size(s) for s in catalogue.SIZES if s.tare and s.nominal.low not in LIQUID_LB]
    return [c for c in (*upright, *map(of_tank, catalogue.TANKS)) if c.water_capacity_kg >= LEAST_WC_KG]


def reckon(site: Site, wish: Wish) -> Result:
    """Compare. What is beyond a limit is not worked out: it is told with its reasons alone."""
    limits = Limits(carry_kg=wish.carry_kg, most=wish.most, delivery=wish.delivery)
    question = Question(site, wish.use_kg_d, coldest_k=wish.coldest_k, limits=limits, mind=wish.mind)
    within, beyond = [], []
    for candidate in candidates(kinds(), wish.most):
        reasons = against_limits(question, candidate)
        if reasons:
            beyond.append(_beyond(question, candidate, tuple(reasons)))
        else:
            within.append(candidate)
    result = ranked(question, list(survey(question, within)))
    return replace(result, out=(*result.out, *beyond))


def _beyond(question: Question, candidate: Candidate, reasons: tuple[str, ...]) -> Arrangement:
    trips, lifts, days = refills(question, candidate)
    first, yearly, unpriced = costs(question, candidate)
    unknown = {b: (np.nan,) * len(SHARES) for b in BASES}
    return Arrangement(
        candidate, unknown, unknown, unknown, dict.fromkeys(BASES, np.nan), np.nan, np.nan, np.nan, None, trips, lifts,
        days, first, yearly, unpriced, reasons, within_limits=False,
    )  # fmt: skip


class Reckoner:
    """Works out one comparison at a time in a thread, and keeps the last few: a map or a file asks again."""

    def __init__(self) -> None:
        self._lock = asyncio.Lock()
        self._kept: OrderedDict[Wish, tuple[Site, Result]] = OrderedDict()

    async def result(self, site: Site, wish: Wish) -> Result:
        """Return the comparison for a site."""
        async with self._lock:
            of, found = self._kept.get(wish, (None, None))
            if found is None or of != site:
                found = await asyncio.to_thread(reckon, site, wish)
                self._kept[wish] = (site, found)
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            return found


def shown(result: Result) -> list[int]:
    """Places in the order of what is shown: the first that are filled where they stand, the first that are carried."""
    in_place = [k for k, a in enumerate(result.chosen) if a.candidate.container.in_place]
    carried = [k for k, a in enumerate(result.chosen) if not a.candidate.container.in_place]
    return sorted(in_place[:IN_PLACE] + carried[:CARRIED])


def mapped(result: Result) -> list[int]:
    """Places in the order of what is drawn: the first three; the third is the first of the other way, else unseen."""
    first = list(range(len(result.chosen)))[:MAPS]
    ways = {result.chosen[k].candidate.container.in_place for k in first}
    other = [k for k in shown(result) if result.chosen[k].candidate.container.in_place not in ways]
    return [*first[: MAPS - 1], other[0]] if len(ways) == 1 and other else first


def row(number: int, one: Arrangement, question: Question) -> Row:
    """One arrangement in the site's units, on the basis that decides."""
    from monitor.commands._arrange import degrees, duration

    u, basis, c = question.site.units, question.basis, one.candidate.container

    def mass(kg: float) -> str:
        return show(kg, "mass", u)

    return Row(
        number,
        one.name,
        " / ".join(duration(s) for s in one.hold_s[basis]),
        " / ".join(degrees(t, u) for t in one.held_k[basis]),
        " / ".join(degrees(t, u) for t in one.carried_k[basis]),
        _charge(one.needed_hold),
        "filled where it stands" if c.in_place else f"{mass(c.weight_full_kg)} full, {mass(c.tare_kg)} empty",
        mass(one.candidate.fuel_kg),
        f"{one.trips_year:.1f}",
    )


def _charge(share: float) -> str:
    if not np.isfinite(share):
        return "no charge does"
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def from_memory(result: Result) -> str:
    """Which measures of what is shown are from memory or a rule."""
    kinds = {
        a.candidate.container.name: a.candidate.container.unsure for a in (result.chosen[k] for k in shown(result))
    }
    return "; ".join(f"{name}: {', '.join(k.replace('_', ' ') for k in keys)}" for name, keys in kinds.items() if keys)


def fell_out(result: Result) -> list[tuple[str, str]]:
    """Arrangements by the reasons for which they fell out."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for one in result.out:
        groups.setdefault(one.reasons, []).append(one.name)
    return [(", ".join(names), "; ".join(reasons)) for reasons, names in groups.items()]


def maps(result: Result, now: datetime) -> list[tuple[int, str, coverage.CoverageMap]]:
    """Number, name and coverage map of the first few on the basis that decides, with the design low drawn in."""
    q = result.question
    return [
        (k + 1, one.name, coverage.draw(named(q, one.candidate), None, q.basis, now, low_k=result.coldest_k))
        for k, one in ((k, result.chosen[k]) for k in mapped(result))
    ]


class Arrange:
    """Handlers of the page."""

    def __init__(self, view: View, reckoner: Reckoner | None = None) -> None:
        self.view = view
        self.context = view.context
        self.reckoner = reckoner or Reckoner()

    async def arrange(self, request: Request) -> Response:
        """Show the form, and what could be bought with its maps."""
        site, now, query = self.context.site(), self.context.now(), request.query_params
        problems: list[str] = []
        result: Result | None = None
        if query.get("asked"):
            try:
                result = await self.reckoner.result(site, read(query, site))
            except BadInput as error:
                problems = plain(error)
        drawn = [] if result is None else await asyncio.to_thread(maps, result, now)
        return self.view.page(
            request, "arrange.html", "Arrangements", 400 if problems else 200, problems=problems, maps=drawn,
            **_asked(query, site), **_told(result, site, list(query.multi_items())),
        )  # fmt: skip

    async def site_file(self, request: Request) -> Response:
        """The site file of one arrangement, to be checked against the collars and put in place."""
        from monitor.commands._arrange import site_text

        site, query = self.context.site(), request.query_params
        try:
            result = await self.reckoner.result(site, read(query, site))
        except BadInput as error:
            return self.view.not_done(request, str(error))
        number = whole(query.get("choose"), 1, 1, 10_000)
        if number > len(result.chosen):
            return self.view.not_done(request, f"There is no arrangement {number}: {len(result.chosen)} are left.")
        text = site_text(result.question, result.chosen[number - 1])
        return PlainTextResponse(
            text, media_type="application/toml", headers={"content-disposition": 'attachment; filename="site.toml"'}
        )


def _asked(query: Mapping[str, str], site: Site) -> dict[str, Any]:
    cold = site.settings.get("train.coldest")
    given = {name: query.get(name, "")[:60] for name in FIELDS}
    if not query.get("asked") and cold is not None:
        given["coldest"] = show(float(cold), "temperature", site.units)
    return {
        "given": given, "most": whole(query.get("most"), USUAL, 1, MOST), "counts": range(1, MOST + 1),
        "no_delivery": bool(query.get("no_delivery")), "mind": query.get("mind", OFFERED[0]),
        "minds": [(m, MIND_WORDS[m]) for m in OFFERED], "examples": examples(site),
        "burns": [(a.name, show(a.input_w, "power", site.units), _burns(a.hold_s, a.continuous))
                  for a in site.appliances],
    }  # fmt: skip


def _burns(hold_s: float, continuous: bool) -> str:
    return "without end" if continuous else f"for {units_out.duration(hold_s)}"


def _told(result: Result | None, site: Site, query: Sequence[tuple[str, str]]) -> dict[str, Any]:
    from monitor.commands._arrange_print import BASIS_LINE, CAUTIONS

    if result is None:
        empty = dict.fromkeys(("low", "unit", "basis_line", "memory", "stated", "again"), "")
        return {"result": None, "rows": [], "out": [], "caution": CAUTIONS, **empty}
    q = result.question
    return {
        "result": result, "rows": [row(k + 1, result.chosen[k], q) for k in shown(result)], "out": fell_out(result),
        "low": show(result.coldest_k, "temperature", site.units), "unit": units_out.unit("temperature", site.units),
        "basis_line": BASIS_LINE, "memory": from_memory(result), "caution": CAUTIONS,
        "stated": units_out.duration(q.stated_s) if q.stated_s else "",
        "again": urlencode([(k, v) for k, v in query if k != "choose"]),
    }  # fmt: skip
