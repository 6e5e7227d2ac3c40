"""`boiloff fit-out`, `questions` and `first-start`: what to get, whom to ask, and the sheet for the first flame."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

SiteOption = Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def register(app: typer.Typer) -> None:
    """Add the commands to `app`."""
    app.command("fit-out")(fit_out)
    app.command()(questions)
    app.command("first-start")(first_start)


def fit_out(site: SiteOption = None, json: Json = False) -> None:
    """List what to get for the arrangement, by the fitting at each end, and what to mark on each cylinder."""
    from monitor.commands import _fit_out
    from monitor.commands._print import console, print_json

    loaded = _fit_out.load(site)
    if json:
        print_json(_fit_out.list_json(loaded))
    else:
        _fit_out.say_list(console(), loaded)


def questions(site: SiteOption = None, json: Json = False) -> None:
    """Print what to ask the local authority, the insurer and a licensed fitter before money is spent."""
    from monitor.commands import _fit_out
    from monitor.commands._print import console, print_json

    loaded = _fit_out.load(site)
    if json:
        print_json(_fit_out.questions_json(loaded))
    else:
        _fit_out.say_questions(console(), loaded)


def first_start(
    done: Annotated[
        list[str] | None,
        typer.Option("--done", help='A step that was done, by its name, or "all"; repeatable. Goes into the record.'),
    ] = None,
    at: Annotated[
        str | None, typer.Option("--at", help='When: "18:30", "yesterday 7:15", "2 h ago", ISO 8601; else now.')
    ] = None,
    note: Annotated[str, typer.Option("--note", help="Who did it, what was found.")] = "",
    site: SiteOption = None,
    store: Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")] = None,
    json: Json = False,
) -> None:
    """Print the sheet for the first start and each reconnection; with --done, keep in the record what was done."""
    from monitor.commands import _fit_out
    from monitor.commands._print import console, print_json

    loaded = _fit_out.load(site)
    if done:
        kept = _fit_out.keep(loaded, tuple(done), at, note, store)
        if json:
            print_json(kept)
        else:
            _fit_out.say_kept(console(), kept)
    elif json:
        print_json(_fit_out.sheet_json())
    else:
        _fit_out.say_sheet(console())
