"""`boiloff cost`: what the gas costs by month and year, a unit of it, and beside offers of delivery."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(cost)


def cost(
    by: Annotated[str, typer.Option("--by", help='"day", "month" or "year".')] = "month",
    use: Annotated[
        str | None, typer.Option("--use", help='Fuel a year to compare offers at, "150 gal"; else what is used.')
    ] = None,
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")] = None,
    csv: Annotated[bool, typer.Option("--csv", help="Print the days, months or years as CSV, in kg.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in kg.")] = False,
) -> None:
    """Add up what the gas costs, and set it beside each delivery offer of the site file. What is not known stays so.

    Prices and trips come from the record and the site file's `cost` table.
    """
    from monitor.commands import _cost
    from monitor.commands._print import console, print_json
    from monitor.model.errors import BadInput, Problem

    problems = []
    if by not in {"day", "month", "year"}:
        problems.append(Problem("--by", f'"{by}"', "day, month or year"))
    if csv and json:
        problems.append(Problem("--csv", "with --json", "one of the two"))
    if problems:
        raise BadInput(problems)
    found = _cost.answer(site, store, use)
    if json:
        print_json(_cost.plain(found))
    elif csv:
        _cost.write_csv(found, by)
    else:
        _cost.print_money(console(), found, by)
