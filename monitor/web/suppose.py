"""What if: another cylinder, a heater, other valves, greater cold. Reckoned beside things as they are, never kept."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import Response

from monitor import outlook
from monitor.alerts import cautions
from monitor.model.errors import BadInput, Problem
from monitor.model.forecast import Forecast
from monitor.model.outlook import Outlook
from monitor.model.reading import Level
from monitor.model.site import Appliance, Site
from monitor.model.units_out import duration, show
from monitor.service.round import choose_forecast
from monitor.web import gather, words
from monitor.web.night import Night, nights
from monitor.web.view import View, whole

MOST_ADDED = 6
FIELDS = ("more", "heater", "heater_for", "cold", "charge")


@dataclass(frozen=True, slots=True)
class Wish:
    """What is supposed, in SI. None = as it is."""

    open: frozenset[str]
    more: int = 0
    heater_w: float | None = None
    heater_hold_s: float | None = None  # None = burns without end
    cold_k: float | None = None
    charge: float | None = None  # share of full in each cylinder that is there


@dataclass(frozen=True, slots=True)
class Row:
    """One fact before and after."""

    what: str
    now: str
    then: str


@dataclass(frozen=True, slots=True)
class Pair:
    """One night before and after; None where one of the two cannot be told."""

    now: Night
    then: Night | None


def read(query: QueryParams, site: Site) -> Wish:
    """Read the form. Raises BadInput with every problem."""
    from monitor.site import units

    problems: list[Problem] = []

    def quantity(name: str, kind: Any, low: float, high: float) -> float | None:
        text = query.get(name, "").strip()[:60]
        if not text:
            return None
        try:
            value = float(units.parse(text, kind))
        except units.QuantityError as error:
            problems.append(Problem(name, text, error.expected, error.hint))
            return None
        if not low <= value <= high:
            problems.append(Problem(name, text, "a value that can be met in a yard"))
            return None
        return value

    names = {c.name for c in site.cylinders}
    opened = frozenset(query.getlist("open")) & names
    if not query.get("asked"):
        opened = frozenset(c.name for c in site.cylinders if c.valve_open)
    wish = Wish(
        open=opened,
        more=whole(query.get("more"), 0, 0, MOST_ADDED),
        heater_w=quantity("heater", "power", 1.0, 1e6),
        heater_hold_s=quantity("heater_for", "time", 60.0, 86_400.0),
        cold_k=quantity("cold", "temperature", 200.0, 330.0),
        charge=quantity("charge", "share", 0.0, 1.05),
    )
    if problems:
        raise BadInput(problems)
    return wish


def supposed(site: Site, levels: Sequence[Level], wish: Wish, now: datetime) -> tuple[Site, list[Level]]:
    """Return the site and the levels as wished. An added cylinder is full, like the last one, and open."""
    cylinders = [replace(c, valve_open=c.name in wish.open) for c in site.cylinders]
    changed = [
        level if wish.charge is None else
        replace(level, left_kg=wish.charge * site.cylinder(level.cylinder).full_kg, sd_kg=0.0, reading_time=now,
                filled_unweighed=None)
        for level in levels
    ]  # fmt: skip
    for k in range(wish.more):
        one = replace(site.cylinders[-1], name=f"added {k + 1}", valve_open=True)
        cylinders.append(one)
        changed.append(Level(one.name, now, one.full_kg, 0.0, 0.0, 0.0, now, "supposed full"))
    appliances = list(site.appliances)
    if wish.heater_w is not None:
        without_end = wish.heater_hold_s is None
        appliances.append(
            Appliance("added", wish.heater_w, wish.heater_hold_s or 3600.0, 0, 24 if without_end else 23, without_end)
        )
    return replace(site, cylinders=tuple(cylinders), appliances=tuple(appliances)), changed


def colder(forecast: Forecast, cold_k: float | None) -> Forecast:
    """Return the forecast moved as a whole so that the coldest hour of its mean is `cold_k`."""
    if cold_k is None or not np.isfinite(forecast.air_k).any():
        return forecast
    lowest = float(np.nanmin(np.nanmean(forecast.air_k, axis=0)))
    return replace(forecast, air_k=forecast.air_k + (cold_k - lowest))


def compare(site: Site, forecast: Forecast, levels: Sequence[Level], wish: Wish, now: datetime) -> dict[str, Any]:
    """Return rows and nights of both, reckoned the same way; both meet the cold that was asked about."""
    other, changed = supposed(site, levels, wish, now)
    ahead = colder(forecast, wish.cold_k)
    before, after = outlook.make(site, ahead, levels, now), outlook.make(other, ahead, changed, now)
    first, second = outlook.jsonable(before, site), outlook.jsonable(after, other)
    then = {n.name: n for n in nights(second, other)}
    return {
        "rows": _rows(site, other, before, after),
        "nights": [Pair(n, then.get(n.name)) for n in nights(first, site)],
        "short": bool(after.uncovered), "was_short": bool(before.uncovered),
    }  # fmt: skip


def compared_json(site: Site, forecast: Forecast, levels: Sequence[Level], wish: Wish, now: datetime) -> dict[str, Any]:
    """Return both outlooks' main figures as JSON values in SI."""
    other, changed = supposed(site, levels, wish, now)
    ahead = colder(forecast, wish.cold_k)
    out = {}
    for name, of, held in (("now", site, levels), ("supposed", other, changed)):
        made = outlook.jsonable(outlook.make(of, ahead, held, now), of)
        out[name] = {key: made[key] for key in ("demand_w", "hours", "uncovered", "levels")}
    return out


def _coldest(made: Outlook) -> int | None:
    known = [k for k, h in enumerate(made.hours) if h.air_k is not None and h.may_burn]
    return min(known, key=lambda k: made.hours[k].air_k or 0.0, default=None)


def _rows(site: Site, other: Site, before: Outlook, after: Outlook) -> list[Row]:
    units, basis = site.units, site.supply.basis
    rows = [
        Row("Everything burning takes", show(before.demand_w, "power", units), show(after.demand_w, "power", units))
    ]
    at = _coldest(before)
    if at is not None:
        a, b = before.hours[at], after.hours[at]
        air = words.whole(show(a.air_k, "temperature", units))
        rows += [
            Row(f"Carried without end at {air}", show(a.sustained_w[basis], "power", units),
                show(b.sustained_w[basis], "power", units)),
            Row("All burners hold, from rest", _hold(a.hold_s), _hold(b.hold_s)),
            Row("Level needed to carry it without end", _share(a.level_needed[basis]), _share(b.level_needed[basis])),
        ]  # fmt: skip
    rows.append(
        Row("Times that fall short", str(len(before.uncovered)) if before.hours else "–", str(len(after.uncovered)))
    )
    if other.supply.regulator_w:
        rows.append(
            Row("Load on the regulator", words.percent(site.demand_w / other.supply.regulator_w),
                words.percent(other.demand_w / other.supply.regulator_w))
        )  # fmt: skip
    return rows


def _hold(seconds: float | None) -> str:
    if seconds is None:
        return "–"
    return "24 h or more" if seconds >= 86_400 else duration(seconds)


def _share(value: float | None) -> str:
    return "no level does" if value is None else f"{words.percent(value)} of full"


def level_of(entry: Mapping[str, Any], at: datetime) -> Level:
    """Return a level from its JSON form."""
    read_at, filled = entry.get("reading_time"), entry.get("filled_unweighed")
    return Level(
        str(entry["cylinder"]), at, float(entry.get("left_kg") or 0.0), float(entry.get("sd_kg") or 0.0),
        float(entry.get("burn_kg_s") or 0.0), float(entry.get("burn_sd_kg_s") or 0.0),
        datetime.fromisoformat(read_at) if read_at else None, str(entry.get("basis", "")),
        datetime.fromisoformat(filled) if filled else None,
    )  # fmt: skip


class Suppose:
    """Handler of the what-if page."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.context = view.context

    async def suppose(self, request: Request) -> Response:
        """Show the form, and both answers side by side."""
        facts = await self.view.facts()
        site, now, query = gather.as_it_stands(self.context.site(), facts), facts.now, request.query_params
        problems: list[str] = []
        found: dict[str, Any] | None = None
        wish = Wish(frozenset(c.name for c in site.cylinders if c.valve_open))
        try:
            wish = read(query, site)
        except BadInput as error:
            problems = [str(p) for p in error.problems]
        if query.get("asked") and not problems:
            pick = lambda store: choose_forecast(site, store, now)  # noqa: E731
            forecast = await self.view.ask(pick)
            if forecast is None:
                problems = ["There is no forecast to reckon with."]
            else:
                levels = [level_of(entry, now) for entry in (facts.payload or {}).get("levels", ())]
                found = await asyncio.to_thread(compare, site, forecast, levels, wish, now)
        return self.view.page(
            request, "suppose.html", "What if", 400 if problems else 200, problems=problems, found=found,
            given={name: query.get(name, "")[:60] for name in FIELDS},
            valves=[(c.name, c.name in wish.open) for c in site.cylinders], most=MOST_ADDED,
            examples=("12 kW", "-15 °F" if site.units == "us" else "-25 °C"), cautions=(cautions.VALVE, cautions.LOCAL),
        )  # fmt: skip
