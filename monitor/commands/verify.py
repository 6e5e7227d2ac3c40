"""`boiloff verify`: how far off the forecasts were at this yard, as the source gave them and as boiloff made them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(verify)


def verify(
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The service's database, else the usual place.")] = None,
    days: Annotated[int, typer.Option("--days", min=2, max=400, help="How many days back to score.")] = 60,
    source: Annotated[
        list[str] | None, typer.Option("--source", help="Only this source; again for more. Else all in the site file.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in K.")] = False,
) -> None:
    """Score the forecasts that have passed against the outdoor thermometer: the night's minimum, by lead day.

    Bias is forecast less measured. CRPS is the mean error of odds: of a forecast without odds it is the mean error.
    """
    from monitor.commands import _verify
    from monitor.commands._print import console, print_json

    where, found = _verify.answer(site, store, days, source or [])
    if json:
        print_json(_verify.plain(found))
    else:
        _verify.print_found(console(), where, found, days)
