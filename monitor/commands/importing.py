"""`boiloff import`: readings from a CSV file, all or none, with a dry run."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("import")(import_readings)


def import_readings(
    file: Annotated[
        Path,
        typer.Argument(
            help="A CSV file with a column time and columns such as weighs_lb; or a folder of `boiloff export`."
        ),
    ],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be done, change nothing.")] = False,
    skip_bad: Annotated[bool, typer.Option("--skip-bad", help="Take the good rows though others are faulty.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")] = None,
) -> None:
    """Bring readings in from a CSV file. Those that are there already are left out; faulty rows stop it all.

    A folder that `boiloff export` wrote goes whole, readings and record, into a database that holds none yet.
    """
    from datetime import UTC, datetime

    from monitor import store as database
    from monitor.commands import _importing
    from monitor.sensors import csvfile
    from monitor.site import find, load
    from monitor.store import place

    loaded = load(find(site))
    now = datetime.now(UTC)
    if file.is_dir():
        _importing.whole(file, loaded, database.find(loaded, store), dry_run=dry_run, as_json=json)
        return
    found = csvfile.read(file, loaded, now)
    if found.problems and not (skip_bad or dry_run):
        _importing.refuse(found)
    with database.Store.open(database.find(loaded, store)) as opened:
        place.require(opened, loaded)
        fresh = _importing.fresh(opened, found.readings)
        if not dry_run and fresh:
            opened.add_readings(fresh)
            place.tie(opened, loaded)
    _importing.report(found, fresh, loaded, dry_run=dry_run, as_json=json)
    if found.problems and dry_run and not skip_bad:
        raise typer.Exit(2)
