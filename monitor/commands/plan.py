"""`boiloff plan`: which cylinder to take for filling, when, before which day, and why."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(plan)


def plan(
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    forecast: Annotated[
        Path | None, typer.Option("--forecast", help="A forecast CSV; with it nothing is read from the store.")
    ] = None,
    charge: Annotated[
        list[str] | None,
        typer.Option("--charge", help='With --forecast: A="20 lb" or A="50 %"; a cylinder without one is shut off.'),
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", help="With --forecast: from when, ISO 8601 with offset; else its first hour.")
    ] = None,
    use: Annotated[str | None, typer.Option("--use", help='Use by the household, "0.4 kg/day".')] = None,
    closed: Annotated[
        list[str] | None, typer.Option("--closed", help="A day on which no trip is possible, 2026-12-25; repeatable.")
    ] = None,
    coldest: Annotated[
        str | None, typer.Option("--coldest", help="Coldest air to be ready for; else the forecast's.")
    ] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The service's database, else the usual place.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
) -> None:
    """Plan the next refill: what to take, the last good day, what carries the meals meanwhile, which rule gives way.

    Days, hours, weights and the risk accepted are the site file's `fuel` table.
    """
    from monitor.commands import _gas, _outlook, _plan
    from monitor.commands._print import console, print_json

    asked = _outlook.Options(site, forecast, tuple(charge or ()), at, use, store, None)
    where, made, found = _plan.answer(asked, tuple(closed or ()), coldest)
    going = _plan.intended(asked, where, made.at)
    if json:
        print_json(_plan.plan_json(where, made, found, going))
    else:
        if forecast is None:
            _gas.say_first(console(), where, store)
        _plan.print_plan(console(), where, made, found, going)
