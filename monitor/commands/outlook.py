"""`boiloff outlook`: are we covered through the coming cold, hour by hour, and how long does the fuel last?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(outlook)


def outlook(
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
    hours: Annotated[bool, typer.Option("--hours", help="A line for every hour, not for nights and days.")] = False,
    store: Annotated[Path | None, typer.Option("--store", help="The service's database, else the usual place.")] = None,
    fail_on: Annotated[
        str | None, typer.Option("--fail-on", help='"uncovered": exit status 1 where an hour is uncovered.')
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units and degrees Celsius.")] = False,
) -> None:
    """Show the coming nights and days: what is not covered first, then capacity, hold time, level needed and fuel.

    Reads the service's store, or with --forecast and --charge only what it is given.
    """
    from monitor import outlook as pure
    from monitor.commands import _gas, _outlook
    from monitor.commands._print import console, print_json

    asked = _outlook.Options(site, forecast, tuple(charge or ()), at, use, store, fail_on)
    where, made = _outlook.answer(asked)
    if json:
        print_json(pure.jsonable(made, where))
    else:
        if forecast is None:
            _gas.say_first(console(), where, store)
        _outlook.print_outlook(console(), where, made, by_hour=hours)
    if fail_on is not None and made.uncovered:
        raise typer.Exit(1)
