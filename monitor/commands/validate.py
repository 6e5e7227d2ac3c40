"""`boiloff validate`: is the site file right, what was assumed, what is worth a look."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(validate)


def validate(
    site: Annotated[
        Path | None,
        typer.Option("--site", help="The site file, else the usual places."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
) -> None:
    """Check the site file: every problem at once, what was assumed, and the regulator against the appliances."""
    from monitor import site as site_file
    from monitor.commands._print import console, print_json
    from monitor.model.errors import BadInput
    from monitor.site import check, report

    path = site
    try:
        path = site_file.find(site)
        loaded = site_file.read(path)
        loaded = replace(loaded, warnings=(*loaded.warnings, *check.train(loaded.site), *check.reach(loaded.site)))
    except BadInput as error:
        if json:
            print_json(report.problems_json(str(path or ""), error.problems))
        else:
            report.print_problems(console(error=True), str(path or "site file"), list(error.problems))
        raise typer.Exit(2) from None
    if json:
        print_json(report.loaded_json(loaded))
    else:
        report.print_site(console(), loaded)
