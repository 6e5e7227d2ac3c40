"""`boiloff draws`: each draw on a cylinder that a fine level sensor shows: when, how long, how much, how fast."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(draws)


def draws(
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The service's database, else the usual place.")] = None,
    days: Annotated[int, typer.Option("--days", help="How many days back to look, 1 to 90.")] = 7,
    cylinder: Annotated[str | None, typer.Option("--cylinder", help="Only this cylinder; else all.")] = None,
    least: Annotated[
        str, typer.Option("--least", help="The smallest draw that a sensor must be able to tell to be used.")
    ] = "0.25 kg",
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
) -> None:
    """Show the draws ("meals") that a fine scale under a cylinder recorded, with how sure their mass is.

    Each is what left that one cylinder: where several feed together, add those of the same time. A draw that still
    goes on, or lies at a refill or a gap in the readings, is left out.
    """
    from monitor.commands import _draws
    from monitor.commands._print import console, print_json

    found = _draws.answer(site, store, days, cylinder, least)
    if json:
        print_json(_draws.plain(found))
    else:
        _draws.print_found(console(), found)
