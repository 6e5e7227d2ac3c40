"""`boiloff serve`: collect, look ahead, judge and tell, until stopped."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(serve)


def serve(
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")] = None,
) -> None:
    """Run the service: readings in, forecast in, outlook, alerts, notices out. SIGTERM ends it, SIGHUP reads the site
    file again (so does a change of it)."""
    from monitor.service import run

    run.serve(site, store)
