"""`boiloff demo`: the whole service on an invented household, a cold snap coming, in a minute."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(demo)


def demo(
    quick: Annotated[bool, typer.Option("--quick", help="The same in twenty seconds.")] = False,
    page: Annotated[
        bool, typer.Option("--page", help="Slower, over ten minutes, with the page to look at in a browser.")
    ] = False,
) -> None:
    """Watch five days of an invented household in a minute: readings, outlook, alerts, a refill. Needs no network."""
    import asyncio
    import logging

    from monitor.commands._print import console
    from monitor.service import demo as player

    logging.getLogger("monitor").setLevel(logging.CRITICAL)  # everything that matters is told below
    out = console()
    out.print(
        "An invented household: two 40-lb cylinders feed a range and a small heater; hard cold is on its way.\n"
        "Everything is made up, and nothing is kept. The clock runs much faster than yours.\n",
        highlight=False,
    )
    if page:
        out.print("The page: http://127.0.0.1:8087/ (Ctrl-C ends the demo)\n", highlight=False)
    seconds = 600.0 if page else 20.0 if quick else 50.0
    seen = asyncio.run(player.play(out, seconds=seconds, page=page))
    out.print(
        f"\n{seen.readings:,} readings, {seen.rounds} outlooks. Raised: {', '.join(seen.raised) or 'nothing'}."
        f" Ended: {', '.join(seen.ended) or 'nothing'}.\n"
        "For your own cylinders: boiloff init, boiloff validate, boiloff serve.",
        highlight=False,
    )
