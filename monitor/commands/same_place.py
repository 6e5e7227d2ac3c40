"""`boiloff same-place`: a site was renamed or moved, and its database goes with it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("same-place")(same_place)


def same_place(
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")] = None,
) -> None:
    """Say that a site was renamed or moved and its database goes with it: else another site's file is refused."""
    import os
    import signal

    from monitor import store as database
    from monitor.service.lock import holder
    from monitor.site import find, load
    from monitor.store import place

    loaded = load(find(site))
    path = database.find(loaded, store)
    if not path.exists():
        raise database.missing(path)
    with database.Store.open(path) as opened:
        words = place.difference(opened, loaded)
        place.accept(opened, loaded)
    typer.echo(f"{words}: taken as the same site." if words else f"{path} is of {loaded.name}; nothing to change.")
    running = holder(path)
    if words and running is not None:
        try:
            os.kill(running, signal.SIGHUP)
        except OSError:
            typer.echo("Let the service read its site file again: systemctl reload boiloff")
