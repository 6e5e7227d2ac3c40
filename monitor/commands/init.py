"""`boiloff init`: a few questions, then a commented site file that validates."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(init)


def init(
    file: Annotated[Path, typer.Argument(help="Where to write it; never over an existing file.")] = Path("site.toml"),
    name: Annotated[str | None, typer.Option(help="What you call the place.")] = None,
    latitude: Annotated[str | None, typer.Option(help="Degrees north; south is negative.")] = None,
    longitude: Annotated[str | None, typer.Option(help="Degrees east; west is negative.")] = None,
    timezone: Annotated[str | None, typer.Option(help='Such as "America/Denver"; else that of this computer.')] = None,
    units: Annotated[str | None, typer.Option(help="us or metric.")] = None,
    cylinder: Annotated[
        list[str] | None,
        typer.Option(help='NAME=SIZE: "A=40 lb" or "A=95.2 lb WC, 29 lb TW, 12.5 in". Repeat.'),
    ] = None,
    appliance: Annotated[list[str] | None, typer.Option(help='NAME=INPUT: "Range=65000 Btu/h". Repeat.')] = None,
    heater: Annotated[list[str] | None, typer.Option(help="The same for one that burns without end. Repeat.")] = None,
    feed: Annotated[str | None, typer.Option(help="together or changeover.")] = None,
    regulator: Annotated[str | None, typer.Option(help='Rating on its plate, such as "160000 Btu/h".')] = None,
    hold: Annotated[str | None, typer.Option(help='Longest time everything burns at once, such as "60 min".')] = None,
    channel: Annotated[str | None, typer.Option(help="Where notices go: an apprise URL without a secret.")] = None,
    ask: Annotated[
        bool | None, typer.Option("--ask/--no-ask", help="Ask for what is not given; else only on a terminal.")
    ] = None,
) -> None:
    """Write a site file from a few answers, asked for or given as options."""
    import sys

    from monitor.commands import _interview
    from monitor.commands._print import console

    given = {
        "name": name, "latitude": latitude, "longitude": longitude, "timezone": timezone, "units": units,
        "cylinder": cylinder, "appliance": appliance, "heater": heater, "feed": feed, "regulator": regulator,
        "hold": hold, "channel": channel,
    }  # fmt: skip
    _interview.refuse_existing(file)
    asking = ask if ask is not None else sys.stdin.isatty() and sys.stdout.isatty()
    answers = _interview.gather(given, asking=asking)
    loaded = _interview.write(file, answers)
    from monitor.site import report

    report.print_site(console(), loaded)
    typer.echo(f"\nWrote {file}. Read it through, put the collar's stamps in, and check it again:")
    typer.echo(f"  boiloff validate --site {file}")
