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
from monitor.model.site import BASES, Basis, Site
from monitor.model.units_out import show
from monitor.outlook.level import with_valves
from monitor.physics import fluid
from monitor.physics.capacity import effective_m2
from monitor.physics.plant import outside
from monitor.web import pages, words
from monitor.web.answer import ZERO_C_K
from monitor.web.view import View, whole

SQUARE_FOOT_M2 = 0.3048**2
SOURCES = (
    "Properties of propane: fitted to Lemmon, McLinden, Wagner, J. Chem. Eng. Data 54 (2009) 3141.",
    "Heating value: 21,548 Btu/lb gross, commercial propane, from NFPA 58's table.",
    "Natural convection: Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1323 and 1049.",
    "Forced convection: Churchill and Bernstein, J. Heat Transfer 99 (1977) 300; both: AIChE J. 23 (1977) 10.",
    "Clear sky: Berdahl and Martin, Solar Energy 32 (1984) 663. The film is capped at what the basis “floor” promises.",
    "The bases “chart” and “floor”: 11.9 W/m²K everywhere, which gives what trade charts give.",
    "Wetted wall: from the stamped water capacity and the diameter, with 2:1 ellipsoidal heads.",
)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the reckoning."""

    what: str
    value: str
    why: str


@dataclass(frozen=True, slots=True)
class Reckoning:
    """All steps of one hour. `product_w` is what they multiply to, `engine_w` what the engine said in the outlook."""

    steps: tuple[Step, ...]
    product_w: float
    engine_w: float | None


def reckon(
    site: Site, hour: Mapping[str, Any], wind_m_s: float, sky: float, dew_k: float | None, basis: Basis
) -> Reckoning:
    """Take one hour of the outlook apart, on one basis."""
    plant, units = physics.Plant.of(site), site.units
    air_k = hour["air_c"] + ZERO_C_K
    air = physics.Air(np.array(air_k), wind_m_s, sky, None if dew_k is None else np.array(dew_k))
    charge = np.array([hour["charge_kg"].get(c.name) or 0.0 for c in site.cylinders])
    floor_k = plant.floor_k(basis)
    seen = outside(plant, air, basis)
    gain = fluid.HEATING_VALUE_J_KG / float(fluid.latent_j_kg(floor_k))
    steps = [
        Step("Air", show(air_k, "temperature", units), "of the forecast, corrected for this yard once learnt"),
        Step("Coldest the liquid may get", show(floor_k, "temperature", units),
             f"propane boils there at {show(plant.floor_gauge_pa(basis), 'pressure', units)} gauge: "
             + ("atmospheric pressure" if basis == "chart" else "the regulator's lowest inlet")),
        Step("Latent heat there", f"{float(fluid.latent_j_kg(floor_k)) / 1000:.0f} kJ/kg",
             f"so each watt of heat boils off {gain:.0f} W of gas, gross"),
    ]  # fmt: skip
    total = 0.0
    for i, c in enumerate(site.cylinders):
        if not c.valve_open:
            steps.append(Step(f"{c.name}", "shut", "feeds nothing"))
            continue
        area = float(effective_m2(plant, i, np.array(charge[i]), np.array(floor_k)))
        film, around_k = float(seen.film_w_m2k[i]), float(seen.outside_k[i])
        heat = area * film * max(around_k - floor_k, 0.0)
        total += heat * gain
        steps.append(
            Step(f"{c.name} carries", show(heat * gain, "power", units),
                 f"{show(charge[i], 'mass', units)} wet {_area(area, units)} of wall; the film brings {film:.1f} W/m²K "
                 f"from {show(around_k, 'temperature', units)} around it: {heat:.0f} W of heat, times {gain:.0f}")
        )  # fmt: skip
    return Reckoning(tuple(steps), total, hour["sustained_w"].get(basis))


def _area(area_m2: float, units: str) -> str:
    return f"{area_m2 / SQUARE_FOOT_M2:.1f} ft²" if units == "us" else f"{area_m2:.2f} m²"


class Reasons:
    """Handlers that explain."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.context = view.context

    async def explain(self, request: Request) -> Response:
        """Take apart the coldest coming hour, or the one asked for."""
        facts = await self.view.facts()
        site = with_valves(self.context.site(), facts.newest, facts.now)
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
            basis_words=pages.BASIS_WORDS[basis], show=lambda watts: show(watts, "power", site.units), sources=SOURCES,
            demand=show(site.demand_w, "power", site.units), units=site.units,
        )  # fmt: skip

    async def _weather(self, time: datetime) -> tuple[float, float, float | None]:
        """Wind, clear-sky share and dew point of the forecast in that hour, as the outlook takes them."""
        forecast = await self.view.ask(lambda store: store.latest_forecast())
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
