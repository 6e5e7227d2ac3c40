"""How a number comes about, step by step with its sources; and what the site file says."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from starlette.requests import Request
from starlette.responses import Response

from monitor import physics
from monitor.model.errors import BadInput
from monitor.model.reading import AHEAD
from monitor.model.site import BASES, Basis, Site
from monitor.model.units_out import Kind, duration, show
from monitor.physics.explain import Step, steps
from monitor.web import gather, pages, words
from monitor.web.answer import ZERO_C_K
from monitor.web.view import View, whole

_KINDS: dict[str, Kind] = {"W": "power", "kg": "mass", "m": "length", "K": "temperature", "1": "share"}


@dataclass(frozen=True, slots=True)
class Line:
    """One step in words: value in SI, and as the household reads it."""

    name: str
    symbol: str
    value: str
    shown: str
    equation: str
    source: str


@dataclass(frozen=True, slots=True)
class Part:
    """The steps about one thing."""

    title: str
    lines: tuple[Line, ...]


def reckon(
    site: Site, hour: Mapping[str, Any], wind_m_s: float, sky: float, dew_k: float | None, basis: Basis
) -> tuple[Part, ...]:
    """Take one hour of the outlook apart, on one basis, with the engine's own steps."""
    plant = physics.Plant.of(site)
    air = physics.Air(hour["air_c"] + ZERO_C_K, wind_m_s, sky, dew_k)
    charge = np.array([hour["charge_kg"].get(c.name) or 0.0 for c in site.cylinders])
    parts: list[tuple[str, list[Line]]] = []
    for step in steps(plant, charge, air, site.demand_w, basis):
        title = (
            f"Cylinder {step.of}"
            if step.of
            else ("All together" if any(p[0].startswith("Cylinder") for p in parts) else "The floor")
        )
        if not parts or parts[-1][0] != title:
            parts.append((title, []))
        parts[-1][1].append(_line(step, site))
    return tuple(Part(title, tuple(lines)) for title, lines in parts)


def _line(step: Step, site: Site) -> Line:
    known = np.isfinite(step.value)
    value = f"{step.value:.5g}{'' if step.unit == '1' else ' ' + step.unit}" if known else "none"
    shown = ""
    if known and step.unit == "s":
        shown = duration(step.value)
    elif known and step.unit in _KINDS and not (step.unit == "W" and abs(step.value) < 500.0):
        shown = show(step.value, _KINDS[step.unit], site.units)
    elif known and step.unit == "Pa" and "gauge" in step.name:
        shown = show(step.value, "pressure", site.units)
    together = str.maketrans(" ", "\u00a0")
    return Line(
        step.name, step.symbol, value.translate(together), shown.translate(together), step.equation, step.source
    )  # fmt: skip


class Reasons:
    """Handlers that explain."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.context = view.context

    async def explain(self, request: Request) -> Response:
        """Take apart the coldest coming hour, or the one asked for."""
        facts = await self.view.facts()
        site = gather.as_it_stands(self.context.site(), facts)
        asked = request.query_params.get("basis", site.supply.basis)
        basis: Basis = asked if asked in BASES else site.supply.basis
        hours = [h for h in (facts.payload or {"hours": ()})["hours"] if h["air_c"] is not None and h["charge_kg"]]
        coldest = min(hours, key=lambda h: h["air_c"], default=None)
        number = whole(request.query_params.get("hour"), -1, 0, 10_000)
        hour = hours[number] if 0 <= number < len(hours) else coldest
        made = at = None
        if hour is not None:
            time = datetime.fromisoformat(hour["time"])
            at = words.day_clock(time, ZoneInfo(site.timezone))
            wind, sky, dew = await self._weather(time)
            made = await asyncio.to_thread(reckon, site, hour, wind, sky, dew, basis)
        return self.view.page(
            request, "explain.html", "How this number comes about", made=made, at=at, bases=BASES, basis=basis,
            basis_words=pages.BASIS_WORDS[basis],
            engine=None if hour is None else show(hour["sustained_w"].get(basis), "power", site.units),
            air=None if hour is None else show(hour["air_c"] + ZERO_C_K, "temperature", site.units),
        )  # fmt: skip

    async def _weather(self, time: datetime) -> tuple[float, float, float | None]:
        """Wind, clear-sky share and dew point of the forecast in that hour, as the outlook takes them."""
        forecast = await self.view.ask(lambda store: store.latest_forecast(until=self.view.context.now() + AHEAD))
        k = int((time - forecast.start).total_seconds() // 3600) if forecast is not None else -1

        def of(series: Any, otherwise: float) -> float:
            known = series is not None and 0 <= k < series.size and np.isfinite(series[k])
            return float(series[k]) if known else otherwise

        if forecast is None:
            return 0.0, 1.0, None
        return of(forecast.wind_m_s, 0.0), 1.0 - of(forecast.cloud, 0.0), None

    async def site(self, request: Request) -> Response:
        """What the site file says, what was filled in for it, and what is wrong with it."""
        from monitor.site import read, report

        path = self.context.site_path
        site = self.context.site()
        problems: list[list[str]] = []
        notes: list[list[str]] = []
        if path is not None:
            try:
                loaded = await asyncio.to_thread(read, path)
            except BadInput as error:
                problems = [[str(p.line or ""), p.key, p.value, p.expected, p.hint] for p in error.problems]
            else:
                notes = [[f"cylinder {f.cylinder}", f.field.replace("_", " "), f.value, f.why] for f in loaded.filled]
                notes += [["worth a look", w.key, w.value, f"expected {w.expected}. {w.hint}"] for w in loaded.warnings]
        cylinders = [
            [c.name, show(c.water_capacity_kg, "mass", site.units), show(c.tare_kg, "mass", site.units),
             show(c.outside_diameter_m, "length", site.units), show(c.full_kg, "mass", site.units),
             "open" if c.valve_open else "shut"]
            for c in site.cylinders
        ]  # fmt: skip
        appliances = [
            [a.name, show(a.input_w, "power", site.units),
             "without end" if a.continuous else f"{a.first_hour:02}:00 to {a.last_hour:02}:00, {a.hold_s / 60:.0f} min"]
            for a in site.appliances
        ]  # fmt: skip
        parts = [
            {"title": "Problems in the site file", "head": ["Line", "Key", "Got", "Expected", "How to mend it"],
             "rows": problems, "empty": "None: the file can be used."},
            {"title": "Cylinders", "head": ["Name", "Water capacity", "Tare", "Outside", "Full", "Valve"],
             "rows": cylinders, "empty": ""},
            {"title": "Appliances", "head": ["Name", "Input", "Burns"], "rows": appliances, "empty": ""},
            {"title": "Filled in, and worth a look", "head": ["What", "Key", "Value", "Why"], "rows": notes,
             "empty": "Nothing."},
        ]  # fmt: skip
        intro = report.regulator_line(site)
        if problems:
            intro = "The file on the disk is bad, so the last good one stays in force. " + intro
        return self.view.page(request, "table.html", "The site", intro=intro, parts=parts)
