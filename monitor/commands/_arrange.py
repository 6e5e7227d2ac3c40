"""`boiloff arrange`: the survey with a progress bar and a clean stop, the fixed JSON, and the site file of one."""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import typer

from monitor.commands import _interview
from monitor.commands._arrange_ask import Options, gather
from monitor.commands._print import console, print_json
from monitor.model import units_out
from monitor.model.errors import BadInput, Problem
from monitor.model.site import BASES, Appliance, Site
from monitor.outlook.arrange import Arrangement, Candidate, Question, Result, named, ranked, survey
from monitor.outlook.arrange_model import SHARES
from monitor.physics.supply_train import check
from monitor.site import build, catalogue, newfile, wording

TO_CHECK = "to be checked against the collar"
_KEYS = tuple(f"{100 * share:.0f}" for share in SHARES)  # percent of full


def answer(asked: Options, show: int, choose: int, *, json: bool, everything: bool = False) -> bool:
    """Ask, print, write the site file where that is asked for; False where it was broken off (nothing is written)."""
    from monitor.commands._arrange_print import print_result

    result = run(*gather(asked))
    if json:
        print_json(as_json(result))
    else:
        print_result(console(), result, show, everything=everything)
    if result.complete and asked.write is not None:
        write(asked.write, result, choose, told=not json)
    return result.complete


def run(question: Question, choices: Sequence[Candidate]) -> Result:
    """Work out every candidate; Ctrl-C breaks off, and what is done is in the result, marked as not complete."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    done: list[Arrangement] = []
    complete = False
    columns = (TextColumn("arrangements"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as bar:
        task = bar.add_task("", total=len(choices))
        try:
            for one in survey(question, choices):
                done.append(one)
                bar.advance(task)
            complete = True
        except KeyboardInterrupt:
            pass
    if not complete:
        sys.stderr.write(f"Broken off: {len(done)} of {len(choices)} arrangements worked out.\n")
    return ranked(question, done, _findings, complete=complete)


def _findings(site: Site, low_k: float | None) -> Sequence[Any]:
    """What the check of the supply train finds; nothing where no cold is known to check it in."""
    return () if low_k is None else check(site, low_k)


# --- JSON -----------------------------------------------------------------------------------------------------------


def _none(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _celsius(kelvin: float | None) -> float | None:
    value = _none(kelvin)
    return None if value is None else round(value - 273.15, 6)


def as_json(result: Result) -> dict[str, Any]:
    """Everything in SI, temperatures in °C: the fixed JSON. null = not known, or at no level or temperature."""
    q = result.question
    return {
        "complete": result.complete,
        "nearest": result.nearest,
        "demand_w": q.site.demand_w,
        "continuous_w": q.site.continuous_w,
        "stated_hold_s": q.stated_s,
        "use_kg_d": q.use_kg_d,
        "year_kg": q.year_kg,
        "basis": q.basis,
        "mind": q.mind,
        "coldest_c": _celsius(result.coldest_k),
        "refill_share": q.refill_share,
        "arrangements": [one_json(a) for a in result.chosen],
        "out": [one_json(a) for a in result.out],
        "notes": list(result.notes),
    }


def one_json(a: Arrangement) -> dict[str, Any]:
    """One arrangement."""
    c = a.candidate.container

    def shares(values: Sequence[float], of: Any = _none) -> dict[str, Any]:
        return dict(zip(_KEYS, (of(v) for v in values), strict=True))

    short = a.short
    return {
        "name": a.name,
        "size": c.name,
        "count": a.candidate.count,
        "feed": a.candidate.feed,
        "carried_c": {b: shares(a.carried_k[b], _celsius) for b in BASES},
        "held_c": {b: shares(a.held_k[b], _celsius) for b in BASES},
        "hold_s": {b: shares(a.hold_s[b]) for b in BASES},
        "level_needed": {b: _none(a.needed[b]) for b in BASES},
        "level_needed_for_burn": _none(a.needed_hold),
        "largest_added_w": {"continuous": _none(a.added_continuous_w), "by_turns": _none(a.added_hold_w)},
        "short_nights": None
        if short is None
        else {
            "per_winter": short.per_winter,
            "worst_winter": short.worst,
            "least_start": short.least_start,
            "most_start": short.most_start,
            "by_winter": dict(short.by_winter),
            "nights_seen": short.nights,
            "winters": short.winters,
        },
        "refills_year": _none(a.trips_year),
        "lifts_year": a.lifts_year,
        "days_between": _none(a.days_between),
        "piece_full_kg": c.weight_full_kg,
        "piece_empty_kg": c.tare_kg,
        "fuel_kg": a.candidate.fuel_kg,
        "filled_in_place": c.in_place,
        "from_memory": list(c.unsure),
        "first_cost": a.first_cost,
        "yearly_cost": a.yearly_cost,
        "prices_missing": list(a.unpriced),
        "why_out": list(a.reasons),
        "findings": None
        if a.findings is None
        else [
            {"state": f.state, "fact": f.fact, "source": f.source, "consequence": f.consequence, "ask": f.ask}
            for f in a.findings
        ],
    }


# --- the site file --------------------------------------------------------------------------------------------------


def write(file: Path, result: Result, number: int, *, told: bool) -> None:
    """Write the site file of the arrangement with that number. Raises BadInput where there is none."""
    if number > len(result.chosen):
        expected = f"1 to {len(result.chosen)}" if result.chosen else "an arrangement, but none is left"
        raise BadInput(Problem("--choose", str(number), expected))
    one = result.chosen[number - 1]
    text = site_text(result.question, one)
    build.from_text(text, file)  # nothing is written that would not do
    try:
        with file.open("x", encoding="utf-8") as stream:  # "x": never over an existing file, not even in a race
            stream.write(text)
    except FileExistsError:
        _interview.refuse_existing(file)
    except OSError as error:
        expected, hint = "a file that can be written", os.strerror(error.errno or 0)
        raise BadInput(Problem("--write", str(file), expected, hint)) from None
    if told:
        typer.echo(f"\nWrote {file} for {one.name}. Put the collars' stamps in, then check it and run on it:")
        typer.echo(f"  boiloff validate --site {file}")
        typer.echo(f"  boiloff serve --site {file}")
        typer.echo("While it runs, weigh each cylinder and enter it, then see what stands open:")
        typer.echo(f"  boiloff reading NAME --weighs WEIGHT --site {file}")
        typer.echo(f"  boiloff status --site {file}")
        typer.echo("No notice reaches anybody yet: add a channel to the file; `boiloff alerts test` tries it.")


def site_text(question: Question, one: Arrangement) -> str:
    """Return the text of the site file; values that nobody has read off a collar are marked so."""
    site = named(question, one.candidate)
    remark, values = _measures(question, one)
    rows: list[newfile.Row] = []
    for c in site.cylinders:
        side = {"side": c.side} if one.candidate.feed == "changeover" else {}
        rows.append({"name": c.name, **values, **side})
    regulator = site.supply.regulator_w
    old = question.site
    lost = ("Sensors, channels, pipes and settings of the old file are not in this one.",) if old.cylinders else ()
    answers = newfile.Answers(
        name=site.name,
        latitude=site.latitude,
        longitude=site.longitude,
        timezone=site.timezone,
        units=site.units,
        cylinders=rows,
        appliances=[appliance_row(a, site.units) for a in site.appliances],
        feed=site.supply.feed,
        regulator="" if regulator is None else precise(regulator, "power", site.units),
        use=precise(question.use_kg_d / 86_400.0, "mass_rate", site.units),
        coldest="" if question.coldest_k is None else precise(question.coldest_k, "temperature", site.units),
        elevation="" if not site.elevation_m else precise(site.elevation_m, "elevation", site.units),
        more=(f"Written by `boiloff arrange` for {one.name}, before anything was bought.", *lost),
    )
    text = newfile.compose(answers)
    if site.supply.basis != "weather":
        text = text.replace("\n[supply]\n", f'\n[supply]\nbasis = "{site.supply.basis}"\n', 1)
    return text.replace("[[cylinder]]\n", f"{remark}\n[[cylinder]]\n")


def precise(value_si: float, kind: str, units: Any) -> str:
    """A quantity as a site file takes it: four figures, no commas."""
    return wording.precise(value_si, kind, units).replace(",", "")


def _measures(question: Question, one: Arrangement) -> tuple[str, dict[str, str | float | bool]]:
    """A remark and the keys of one cylinder: a catalogue size by its name, anything else by its measures."""
    c, units = one.candidate.container, question.site.units
    figures = {
        "water_capacity": precise(c.water_capacity_kg, "mass", units),
        "tare": precise(c.tare_kg, "mass", units),
        "outside_diameter": precise(c.outside_diameter_m, "length", units),
    }
    wc, tare, across = figures.values()
    remark = f"# WC {wc}, TW {tare}, {across} across are the catalogue's: {TO_CHECK}."
    if any(s.name == c.name and s.tare for s in catalogue.SIZES):
        return remark, {"size": c.name}
    if c.in_place:
        remark = f"# A {c.name} tank; its measures are from memory: {TO_CHECK} or the plate."
    else:
        remark = f"# Measures as typed: {TO_CHECK}."
    keys: dict[str, str | float | bool] = {**figures}
    if c.shape == "horizontal":
        keys["shape"] = c.shape
    return remark, keys


def appliance_row(a: Appliance, units: Any) -> newfile.Row:
    """One appliance as a row of the site file."""
    row: dict[str, str | float | bool] = {"name": a.name, "input": precise(a.input_w, "power", units)}
    if a.continuous:
        return {**row, "continuous": True}
    return {
        **row,
        "hold": f"{a.hold_s / 60.0:g} min",
        "when": f"{a.first_hour:02d}-{a.last_hour:02d}",
    }


def duration(seconds: float | None) -> str:
    """A hold in a table: "0:35", "24h" for a day and more, a dash where not known."""
    if seconds is None or not math.isfinite(seconds):
        return "–"
    if seconds >= 86_399.0:
        return "24h"
    minutes = int(seconds / 60.0)
    return f"{minutes // 60}:{minutes % 60:02d}"


def degrees(kelvin: float, units: Any) -> str:
    """A temperature in a table, a dash for never."""
    if not math.isfinite(kelvin):
        return "–"
    return f"{round(units_out.number(kelvin, 'temperature', units)):d}"  # an integer: never "-0"
