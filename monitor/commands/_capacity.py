"""The answers of `boiloff capacity`: one or many conditions, or a table by temperature and charge."""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor import physics
from monitor.commands._conditions import Asked
from monitor.model.site import BASES, Basis, Site
from monitor.physics.added import added_continuous_w, added_hold_w
from monitor.site import units

if TYPE_CHECKING:
    from rich.console import Console

SHARES = (1.0, 0.8, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1)
TABLE_F = (*range(-20, 81, 10), 100)
TABLE_C = (-30, -25, -20, -15, -10, -5, 0, 5, 10, 20, 30, 40)
BASIS_MEANS: dict[Basis, str] = {
    "chart": "as trade charts reckon: light breeze, liquid down to 0 psig",
    "floor": "the chart with the regulator's lowest inlet pressure",
    "weather": "this weather, with that pressure",
}
NOTE = (
    "Frost on the wall is ignored. Full charge is the filling limit, never more. "
    "Never warm a cylinder to get more out of it. An appliance is added by a licensed fitter, under the local code."
)


def _none(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None


def _end(code: Any) -> str | None:
    return physics.ENDS[int(code)] if 0 <= int(code) < len(physics.ENDS) else None


def stated_hold_s(site: Site) -> float | None:
    """The longest burn that any appliance is said to need, None where all are continuous."""
    holds = [a.hold_s for a in site.appliances if not a.continuous]
    return max(holds) if holds else None


def regulator_room_w(site: Site) -> float | None:
    """What may be added before the regulator is loaded to 90 % (common practice, no source); None where not stated."""
    rating = site.supply.regulator_w
    return None if rating is None else max(0.0, 0.9 * rating - site.demand_w)


def answer(asked: Asked) -> dict[str, Any]:
    """Everything about each condition, in SI: the fixed JSON."""
    site, air, charge = asked.site, asked.air(), asked.charges()
    plant = physics.Plant.of(site)
    basis, demand = site.supply.basis, site.demand_w
    sustained = {b: physics.sustained_w(plant, charge, air, b) for b in BASES}
    needed = {b: physics.level_needed(plant, air, demand, b) for b in BASES}
    hold = physics.hold_constant(plant, charge, air, demand, basis)
    film = physics.film_w_m2k(plant, air, basis)
    added = added_continuous_w(plant, charge, air, demand, basis)
    stated = stated_hold_s(site)
    by_turns = None if stated is None else added_hold_w(plant, charge, air, demand, stated, basis)
    room_w = regulator_room_w(site)
    if room_w is not None:
        added = np.minimum(added, room_w)
        by_turns = None if by_turns is None else np.minimum(by_turns, room_w)
    sides = physics.sides_w(plant, charge, air, basis) if plant.changeover else None
    points: list[dict[str, Any]] = []
    for i, t in enumerate(asked.air_k):
        point: dict[str, Any] = {
            "air_c": round(t - 273.15, 9),
            "sustained_w": {b: _none(sustained[b][i]) for b in BASES},
            "headroom_w": _none(sustained[basis][i] - demand),
            "hold_s": _none(hold.hold_s[i]),
            "hold_ends": _end(hold.ends[i]),
            "level_needed": {b: _none(needed[b][i]) for b in BASES},
            "film_w_m2k": _none(film[i]),
            "largest_added_w": {
                "continuous": _none(added[i]),
                "by_turns": None if by_turns is None else _none(by_turns[i]),
            },
        }
        if sides is not None:
            point["sides_w"] = {"service": _none(sides[i, 0]), "reserve": _none(sides[i, 1])}
        points.append(point)
    charges = {c.name: kg for c, kg in zip(site.cylinders, asked.charge_kg, strict=True) if c.valve_open}
    return {
        "demand_w": demand,
        "basis": basis,
        "stated_hold_s": stated,
        "regulator_room_w": room_w,
        "charge_kg": charges,
        "points": points,
    }


@dataclass(frozen=True)
class Table:
    """By share of full (rows) and air (columns): capacity on each basis, hold time; level needed by air alone."""

    site: Site
    air_k: Any
    shares: tuple[float, ...]
    sustained_w: dict[Basis, Any]
    hold_s: Any
    ends: Any
    level_needed: dict[Basis, Any]


def table(site: Site, air_k: tuple[float, ...] | None, wind_m_s: float, sky: float) -> Table:
    """The same share of full in every open cylinder, over the range of weather, in this wind and under this sky."""
    if not air_k:
        air_k = (
            tuple((f - 32.0) / 1.8 + 273.15 for f in TABLE_F)
            if site.units == "us"
            else tuple(c + 273.15 for c in TABLE_C)
        )
    plant = physics.Plant.of(site)
    temperature = np.array(air_k)
    air = physics.Air(temperature, wind_m_s, sky)
    charge = np.array(SHARES)[:, None, None] * plant.full_kg
    hold = physics.hold_constant(plant, charge, air, site.demand_w)
    return Table(
        site,
        temperature,
        SHARES,
        {b: physics.sustained_w(plant, charge, air, b) for b in BASES},
        hold.hold_s,
        hold.ends,
        {b: physics.level_needed(plant, air, site.demand_w, b) for b in BASES},
    )


def table_json(made: Table) -> dict[str, Any]:
    """The table in SI, one entry for each cell, and the level needed for each temperature."""
    cells = [
        {
            "share_of_full": share,
            "air_c": round(float(t) - 273.15, 9),
            "sustained_w": {b: _none(made.sustained_w[b][i, j]) for b in BASES},
            "hold_s": _none(made.hold_s[i, j]),
            "hold_ends": _end(made.ends[i, j]),
        }
        for i, share in enumerate(made.shares)
        for j, t in enumerate(made.air_k)
    ]
    levels = [
        {"air_c": round(float(t) - 273.15, 9), "level_needed": {b: _none(made.level_needed[b][j]) for b in BASES}}
        for j, t in enumerate(made.air_k)
    ]
    basis = made.site.supply.basis
    return {"demand_w": made.site.demand_w, "basis": basis, "cells": cells, "levels": levels}


def _column(kind: str, of: Site) -> str:
    names = {"°F": "f", "°C": "c", "Btu/h": "btu_h", "kW": "kw"}
    return names[units.unit(kind, of.units)]


def print_csv(made: Table) -> None:
    """The table as CSV in the household's units; an empty cell is "not known" or "at no level"."""
    of = made.site
    power, degree = _column("power", of), _column("temperature", of)
    out = csv.writer(sys.stdout, lineterminator="\n")
    head = [f"air_{degree}", "charge_pct_of_full", *(f"{b}_{power}" for b in BASES), "hold_min", "hold_ends"]
    out.writerow([*head, *(f"needs_pct_{b}" for b in BASES)])

    def cell(value: Any, decimals: int) -> str:
        return f"{float(value):.{decimals}f}" if np.isfinite(value) else ""

    for j, t in enumerate(made.air_k):
        needs = [cell(100.0 * made.level_needed[b][j], 1) for b in BASES]
        for i, share in enumerate(made.shares):
            watts = [made.sustained_w[b][i, j] for b in BASES]
            decimals = 0 if of.units == "us" else 2
            row = [f"{units.number(float(t), 'temperature', of.units):.1f}", f"{100 * share:g}"]
            row += [cell(units.number(float(w), "power", of.units), decimals) for w in watts]
            out.writerow([*row, cell(made.hold_s[i, j] / 60.0, 1), _end(made.ends[i, j]) or "", *needs])


# --- for people -----------------------------------------------------------------------------------------------------


def _hold_words(seconds: float | None, ends: str | None) -> str:
    if seconds is None:
        return "–"
    if ends == "limit":
        return "more than a day"
    if seconds <= 0.0:
        return "not at all"
    return units.show(seconds, "time", "us") + (", fuel ends" if ends == "fuel" else "")


def _level_words(share: float | None, units_: Any) -> str:
    return "at no level" if share is None else units.show(share, "share", units_)


def _added_words(watts: float | None, units_: Any) -> str:
    return "none" if watts is not None and watts < 1.0 else units.show(watts, "power", units_)


def print_answer(to: Console, asked: Asked, found: dict[str, Any]) -> None:
    """One block for each condition."""
    site, u = asked.site, asked.site.units
    charges = ", ".join(f"{name} {units.show(kg, 'mass', u)}" for name, kg in found["charge_kg"].items())
    shut = [c.name for c in site.cylinders if not c.valve_open]
    to.print(f"{site.name}: {charges}" + (f"; shut off: {', '.join(shut)}" if shut else ""))
    to.print(f"Full-burner demand {units.show(found['demand_w'], 'power', u)}; decided on the {found['basis']} basis")
    for point in found["points"]:
        _print_point(to, asked, found, point)
    to.print(NOTE)


def _print_point(to: Console, asked: Asked, found: dict[str, Any], point: dict[str, Any]) -> None:
    from rich.table import Table as Grid

    u = asked.site.units
    to.print(f"\nAir {units.show(point['air_c'] + 273.15, 'temperature', u)}")
    grid = Grid(box=None, pad_edge=False)
    for name in ("basis", "without end", "level needed", "what it means"):
        grid.add_column(name, justify="right" if name in {"without end", "level needed"} else "left")
    for basis in BASES:
        mark = " *" if basis == found["basis"] else ""
        watts = units.show(point["sustained_w"][basis], "power", u)
        grid.add_row(basis + mark, watts, _level_words(point["level_needed"][basis], u), BASIS_MEANS[basis])
    to.print(grid)
    to.print(f"Everything on, from rest, holds: {_hold_words(point['hold_s'], point['hold_ends'])}")
    added = point["largest_added_w"]
    to.print(f"Largest appliance to add without end: {_added_words(added['continuous'], u)}", end="")
    if added["by_turns"] is not None:
        stated = units.show(found["stated_hold_s"], "time", u)
        to.print(f"; for {stated} beside everything else: {_added_words(added['by_turns'], u)}", end="")
    to.print("")
    if found["regulator_room_w"] is not None:
        room = units.show(found["regulator_room_w"], "power", u)
        to.print(f"The regulator leaves room for {room} up to 90 % of its rating (common practice, no source).")
    if "sides_w" in point:
        sides = ", ".join(f"{k} side {units.show(v, 'power', u)}" for k, v in point["sides_w"].items())
        to.print(f"Each side alone: {sides}")


def print_table(to: Console, made: Table, wind_m_s: float, sky: float) -> None:
    """Three grids of capacity and one of hold time."""
    u, site = made.site.units, made.site
    names = ", ".join(c.name for c in site.cylinders if c.valve_open)
    sky_words = f"{100 * sky:.0f} % clear sky"
    to.print(f"{site.name}: {names} with the same share of full; wind {units.show(wind_m_s, 'speed', u)}, {sky_words}")
    to.print(f"Full-burner demand {units.show(site.demand_w, 'power', u)}. * = carried without end.")
    for basis in BASES:
        scale = "thousand Btu/h" if u == "us" else "kW"
        to.print(f"\n{basis}: {BASIS_MEANS[basis]} ({scale})")
        to.print(_grid(made, lambda i, j, b=basis: _watts_cell(made, b, i, j), basis))
    to.print(f"\nHold time from rest, everything on, {site.supply.basis} basis (hours; f: the fuel ends first)")
    to.print(_grid(made, lambda i, j: _hold_cell(made, i, j), None))
    to.print(NOTE)


def _watts_cell(made: Table, basis: Basis, i: int, j: int) -> str:
    watts = float(made.sustained_w[basis][i, j])
    if not np.isfinite(watts):
        return "–"
    us = made.site.units == "us"
    text = f"{units.number(watts, 'power', made.site.units) / (1000.0 if us else 1.0):.{0 if us else 1}f}"
    # a mark that survives a pipe and a black-and-white printer
    return f"[bold]{text}*[/bold]" if watts >= made.site.demand_w else f"{text} "


def _hold_cell(made: Table, i: int, j: int) -> str:
    if not np.isfinite(made.hold_s[i, j]):
        return "–"
    end = _end(made.ends[i, j])
    if end == "limit":
        return "24+"
    hours = float(made.hold_s[i, j]) / 3600.0
    return f"{hours:.{2 if hours < 1.95 else 1}f}" + ("f" if end == "fuel" else "")


def _grid(made: Table, cell: Any, basis: Basis | None) -> Any:
    from rich.table import Table as Grid

    u = made.site.units
    grid = Grid(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    grid.add_column(units.unit("temperature", u), justify="right", no_wrap=True)
    for t in made.air_k:
        grid.add_column(f"{units.number(float(t), 'temperature', u):.0f}", justify="right", no_wrap=True)
    for i, share in enumerate(made.shares):
        grid.add_row(f"{100 * share:.0f}%", *(cell(i, j) for j in range(len(made.air_k))))
    if basis is not None:
        levels = made.level_needed[basis]
        grid.add_row("needs", *("none " if not np.isfinite(v) else f"{100 * v:.0f}% " for v in levels))
    return grid
