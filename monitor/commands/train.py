"""`boiloff train`: regulator, hose, changeover, excess flow and pipe against the connected load and the cold."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(train)


def train(
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    add: Annotated[
        list[str] | None,
        typer.Option("--add", help='One appliance more, "Heater=12000 Btu/h"; with ",continuous" it never stops.'),
    ] = None,
    coldest: Annotated[
        str | None,
        typer.Option("--coldest", help='Air to be ready for, "-10 degF"; else the site file\'s, else -20 °F.'),
    ] = None,
    charge: Annotated[str, typer.Option("--charge", help="Share of full of every open cylinder.")] = "50 %",
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
) -> None:
    """Check the supply train between cylinders and burners; each finding with its source and what to ask a fitter."""
    from monitor.commands import _train
    from monitor.commands._print import console, print_json

    asked = _train.asked(site, tuple(add or ()), coldest, charge)
    if json:
        print_json(_train.as_json(asked))
    else:
        _train.say(console(), asked)
