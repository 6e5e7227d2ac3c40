"""`boiloff export`: everything in the store as CSV files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from datetime import datetime

WHAT = (
    "readings, set_aside, record, entries, transitions, notices, outbox, alerts, health, forecasts, outlooks, levels, "
    "nights, run_outs, shortfalls"
)


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(export)


def export(
    folder: Annotated[Path, typer.Argument(help="The folder for the files; it is made where it is missing.")],
    only: Annotated[list[str] | None, typer.Option("--only", help=f"What to write, again for more: {WHAT}.")] = None,
    since: Annotated[str | None, typer.Option(help="From this time on: 2026-01-05, or ISO 8601 with offset.")] = None,
    until: Annotated[str | None, typer.Option(help="Before this time.")] = None,
    members: Annotated[bool, typer.Option("--members", help="Forecasts with a row for each member: large.")] = False,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files of the same names.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the number of rows as JSON.")] = False,
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")] = None,
) -> None:
    """Write CSV files of everything, times in UTC, SI units in the columns' names; the service may go on meanwhile."""
    from monitor import store as database
    from monitor.commands._print import print_json
    from monitor.commands.backup import _site
    from monitor.model.errors import BadInput, Problem
    from monitor.store.export import FILES
    from monitor.store.export import export as write

    unknown = [name for name in only or () if name not in FILES]
    if unknown:
        raise BadInput([Problem("--only", name, f"one of {', '.join(FILES)}") for name in unknown])
    path = database.find(_site(site, needed=store is None), store)
    counts = write(
        path,
        folder,
        since=_time("--since", since),
        until=_time("--until", until),
        members=members,
        only=only or FILES,
        overwrite=overwrite,
        on_file=lambda name, rows: None if json else typer.echo(f"{folder / name}.csv: {rows:,} rows"),
    )
    if json:
        print_json({"folder": str(folder), "rows": counts})


def _time(key: str, text: str | None) -> datetime | None:
    from datetime import UTC, datetime

    from monitor.model.errors import BadInput, Problem

    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(Problem(key, f'"{text}"', "a day such as 2026-01-05, or a time in ISO 8601")) from None
    return found if found.tzinfo is not None else found.replace(tzinfo=UTC)
