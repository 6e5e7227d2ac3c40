"""`boiloff explain`: one condition's numbers step by step, to be checked by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(explain)


def explain(
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    charge: Annotated[
        list[str] | None,
        typer.Option("--charge", help='What a cylinder holds: A="20 lb" or A="50 %"; one without is shut off.'),
    ] = None,
    air: Annotated[str | None, typer.Option("--air", help='Outside air, "5 degF".')] = None,
    wind: Annotated[str | None, typer.Option("--wind", help='Forecast wind, "2 m/s"; default calm.')] = None,
    sky: Annotated[str | None, typer.Option("--sky", help="Clear-sky share 0..1; default 0.")] = None,
    dewpoint: Annotated[str | None, typer.Option("--dewpoint", help="Dew point; default 4 K below the air.")] = None,
    forecast: Annotated[
        Path | None, typer.Option("--forecast", help="A forecast CSV to take the hour from, with --at.")
    ] = None,
    at: Annotated[str | None, typer.Option("--at", help="The hour to explain, ISO 8601.")] = None,
    basis: Annotated[str | None, typer.Option("--basis", help="chart, floor or weather; default the site's.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
) -> None:
    """Show one hour's numbers step by step: each input, the equation, its source.

    The air is given by --air, or taken from --forecast at the hour --at.
    """
    from monitor.commands import _explain
    from monitor.commands._print import console, print_json

    weather = _explain.Weather(air, wind, sky, dewpoint, forecast, at)
    found = _explain.answer(site, charge or [], weather, basis)
    if json:
        print_json(_explain.jsonable(found))
    else:
        _explain.print_steps(console(), found)
