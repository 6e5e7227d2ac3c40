"""`boiloff status`: how old is every input, what is wrong and since when, which alerts stand, what was told."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(status)


def status(
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The service's database, else the usual place.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
) -> None:
    """Show the age of every input, what is wrong and since when, the next forecast pull, alerts and notices."""
    from datetime import UTC, datetime

    from monitor import site as site_file
    from monitor.commands import _status
    from monitor.commands._print import console, print_json
    from monitor.service import status as view
    from monitor.store import Store, find, place

    loaded = site_file.load(site_file.find(site))
    path = find(loaded, store)
    with Store.open(path, readonly=True) as opened:
        place.warn(opened, loaded)
        found = view.look(loaded, opened, path, datetime.now(UTC))
    if json:
        print_json(view.jsonable(found))
    else:
        _status.print_status(console(), loaded, found)
