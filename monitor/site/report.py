"""What `validate` says of a site: the same facts as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from monitor.model.errors import Problem
from monitor.model.site import Appliance, Cylinder, Site
from monitor.site.check import REGULATOR_HIGH, REGULATOR_LOW
from monitor.site.wording import precise, show

if TYPE_CHECKING:
    from rich.console import Console

    from monitor.site.build import Loaded


def problem_dict(problem: Problem) -> dict[str, Any]:
    """Return a problem as JSON has it; `line` is null where no line is known."""
    return {
        "key": problem.key,
        "value": problem.value,
        "expected": problem.expected,
        "hint": problem.hint,
        "line": problem.line,
    }


def problems_json(path: str, problems: Iterable[Problem]) -> dict[str, Any]:
    """Return the answer for a file that cannot be used."""
    return {"ok": False, "file": path, "problems": [problem_dict(p) for p in problems]}


def loaded_json(loaded: Loaded) -> dict[str, Any]:
    """Return the answer for a site that can be used, in SI units."""
    site = loaded.site
    return {
        "ok": True,
        "file": str(loaded.path),
        "site": site.name,
        "demand_w": site.demand_w,
        "regulator_w": site.supply.regulator_w,
        "regulator_load": site.demand_w / site.supply.regulator_w if site.supply.regulator_w else None,
        "cylinders": [
            {
                "name": c.name,
                "water_capacity_kg": c.water_capacity_kg,
                "tare_kg": c.tare_kg,
                "outside_diameter_m": c.outside_diameter_m,
                "full_kg": c.full_kg,
                "valve_open": c.valve_open,
                "assumed": list(c.assumed),
            }
            for c in site.cylinders
        ],
        "appliances": [
            {"name": a.name, "input_w": a.input_w, "hold_s": a.hold_s, "continuous": a.continuous}
            for a in site.appliances
        ],
        "filled": [
            {
                "key": f.key,
                "cylinder": f.cylinder,
                "field": f.field,
                "value_si": f.value_si,
                "value": f.value,
                "why": f.why,
            }
            for f in loaded.filled
        ],
        "warnings": [problem_dict(w) for w in loaded.warnings],
    }


def print_problems(console: Console, path: str, problems: list[Problem]) -> None:
    """Print every problem with its line, key, value, expected form and hint."""
    from rich.text import Text

    count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
    console.print(Text(f"{path}: {count}", style="bold red"))
    for problem in problems:
        where = f"line {problem.line}: " if problem.line else ""
        console.print(Text(f"\n{where}{problem.key}", style="bold"))
        _field(console, "got", problem.value)
        _field(console, "expected", problem.expected)
        if problem.hint:
            _field(console, "hint", problem.hint)


def _field(console: Console, label: str, value: str) -> None:
    from rich.padding import Padding
    from rich.text import Text

    console.print(Padding(Text(f"{label}: {value}"), (0, 0, 0, 2)))


def print_site(console: Console, loaded: Loaded) -> None:
    """Print the summary of a site that can be used."""
    from rich.text import Text

    site = loaded.site
    console.print(Text(f"{loaded.path}: {site.name}, {site.timezone}. This file can be used.", style="bold"))
    console.print(_cylinder_table(site))
    if loaded.filled:
        console.print(Text("* not in the file, assumed. The collar's stamp is better:", style="bold"))
        for one in loaded.filled:
            _field(console, f"{one.cylinder}, {one.field.replace('_', ' ')}", f"{one.value}: {one.why}")
    console.print(_appliance_table(site))
    console.print(Text(_supply_line(site)))
    console.print(Text(regulator_line(site)))
    if loaded.warnings:
        console.print(Text("Worth a look:", style="bold yellow"))
    for warning in loaded.warnings:
        where = f"line {warning.line}, " if warning.line else ""
        hint = f". {warning.hint}" if warning.hint else ""
        _field(console, f"{where}{warning.key}", f"{warning.value}; expected {warning.expected}{hint}")


def _cylinder_table(site: Site) -> Any:
    from rich.markup import escape
    from rich.table import Table

    table = Table(title="Cylinders", title_justify="left")
    for header in ("name", "water capacity", "tare", "outside", "full", "feeds"):
        table.add_column(header, overflow="fold")
    for c in site.cylinders:
        stars = {key: " *" if key in c.assumed else "" for key in c.assumed}
        table.add_row(
            escape(c.name),
            precise(c.water_capacity_kg, "mass", site.units) + stars.get("water_capacity", ""),
            precise(c.tare_kg, "mass", site.units) + stars.get("tare", ""),
            precise(c.outside_diameter_m, "length", site.units) + stars.get("outside_diameter", ""),
            precise(c.full_kg, "mass", site.units) + stars.get("full", ""),
            _feeds(c, site),
        )
    return table


def _feeds(cylinder: Cylinder, site: Site) -> str:
    if not cylinder.valve_open:
        return "valve closed"
    return f"{cylinder.side} side" if site.supply.feed == "changeover" else "together"


def _appliance_table(site: Site) -> Any:
    from rich.markup import escape
    from rich.table import Table

    table = Table(title="Appliances", title_justify="left")
    for header in ("name", "input", "burns", "at once for"):
        table.add_column(header, overflow="fold")
    for a in site.appliances:
        table.add_row(escape(a.name), precise(a.input_w, "power", site.units), _burns(a), _hold(a, site))
    return table


def _burns(appliance: Appliance) -> str:
    return "at any hour" if appliance.continuous else f"{appliance.first_hour:02}:00-{appliance.last_hour:02}:00"


def _hold(appliance: Appliance, site: Site) -> str:
    return "without end" if appliance.continuous else show(appliance.hold_s, "time", site.units)


def _supply_line(site: Site) -> str:
    supply = site.supply
    demand = precise(site.demand_w, "power", site.units)
    return (
        f"Everything at once takes {demand}. Alerts go by the {supply.basis} "
        f"basis; the regulator needs {precise(supply.lowest_inlet_pa, 'pressure', site.units)} at its inlet."
    )


def regulator_line(site: Site) -> str:
    """Return the check of the regulator's rating in one sentence (30-90 %: common practice, no source)."""
    if site.supply.regulator_w is None:
        return "Regulator: rating not stated, so not checked."
    share = site.demand_w / site.supply.regulator_w
    rating = precise(site.supply.regulator_w, "power", site.units)
    place = "within" if REGULATOR_LOW <= share <= REGULATOR_HIGH else "outside"
    usual = f"{100 * REGULATOR_LOW:.0f}-{100 * REGULATOR_HIGH:.0f} % (common practice, no source)"
    return f"Regulator: rated {rating}, loaded to {100 * share:.0f} %, {place} the usual {usual}."
