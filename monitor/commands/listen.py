"""`boiloff listen`: what Bluetooth senders are in the air, and the lines for the site file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(listen)


def listen(
    seconds: Annotated[float, typer.Option(min=1.0, max=3600.0, help="How long to listen.")] = 20.0,
    everything: Annotated[
        bool, typer.Option("--all", help="Show senders too that cannot be read as they are.")
    ] = False,
    active: Annotated[bool, typer.Option("--active", help="Ask senders for more: names are heard too.")] = False,
    adapter: Annotated[str, typer.Option(help='The radio to use, such as "hci0".')] = "",
    json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    site: Annotated[
        Path | None, typer.Option("--site", help="The site file: its keys are used, its sensors marked.")
    ] = None,
) -> None:
    """Listen for Bluetooth senders, show what each says, and print the lines to paste into the site file."""
    import asyncio

    from monitor.commands import _listen
    from monitor.sensors.survey import Survey

    loaded = _listen.site_of(site)
    survey = Survey(_listen.keys(loaded))
    if not json:
        _listen.console(error=True).print(f"Listening for {seconds:.0f} s …", highlight=False)
    asyncio.run(_listen.collect(survey, seconds, adapter=adapter, active=active))
    if json:
        _listen.print_json(survey, everything=everything)
    else:
        _listen.print_found(survey, loaded, everything=everything)
