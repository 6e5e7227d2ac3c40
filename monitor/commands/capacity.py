"""`boiloff capacity`: what the cylinders carry at a temperature, for how long, and what it would take."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from monitor.model.site import Site


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(capacity)


def capacity(
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    charge: Annotated[
        list[str] | None,
        typer.Option("--charge", help='What a cylinder holds: A="20 lb" or A="50 %"; one without is shut off.'),
    ] = None,
    air: Annotated[
        list[str] | None, typer.Option("--air", help='Outside air, "5 degF"; again for more conditions.')
    ] = None,
    wind: Annotated[str | None, typer.Option("--wind", help='Forecast wind, "2 m/s"; default calm.')] = None,
    sky: Annotated[str | None, typer.Option("--sky", help="Clear-sky share 0..1; default 0.")] = None,
    dewpoint: Annotated[str | None, typer.Option("--dewpoint", help="Dew point; default 4 K below the air.")] = None,
    table: Annotated[
        bool, typer.Option("--table", help="All temperatures by all charges, the same in every cylinder.")
    ] = False,
    csv: Annotated[bool, typer.Option("--csv", help="The table as CSV, in the household's units.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
) -> None:
    """Show what the cylinders carry without end, how long everything holds, the level needed, and what may be added.

    Without --charge and --air it prints the table for the site's own open cylinders.
    """
    from monitor.model.errors import BadInput, Problem

    if json and csv:
        raise BadInput(Problem("--csv", "with --json", "one of the two"))
    if table or csv or (not charge and not air):
        _table(site, charge or [], air or [], (wind, sky), json, csv)
        return
    from monitor.commands import _capacity
    from monitor.commands._conditions import asked
    from monitor.commands._print import console, print_json

    question = asked(site, charge or [], air or [], wind, sky, dewpoint)
    found = _capacity.answer(question)
    if json:
        print_json(found)
    else:
        _capacity.print_answer(console(), question, found)


def _table(
    path: Path | None, charge: list[str], air: list[str], weather: tuple[str | None, str | None], json: bool, csv: bool
) -> None:
    from monitor.commands import _capacity
    from monitor.commands._conditions import asked
    from monitor.commands._print import console, print_json
    from monitor.model.errors import BadInput, Problem

    if charge:
        hint = "the table goes through all charges"
        raise BadInput(Problem("--charge", f'"{charge[0]}"', "no charge beside --table or --csv", hint))
    site, names = _site(path)
    question = asked(path, [f"{names[0]}=100%"], air or ["0 degC"], weather[0], weather[1], None)
    made = _capacity.table(site, question.air_k if air else None, question.wind_m_s, question.sky)
    if json:
        print_json(_capacity.table_json(made))
    elif csv:
        _capacity.print_csv(made)
    else:
        _capacity.print_table(console(), made, question.wind_m_s, question.sky)


def _site(path: Path | None) -> tuple[Site, list[Any]]:
    from monitor import site as site_file

    site = site_file.load(site_file.find(path))
    return site, [c.name for c in site.cylinders]
