"""`boiloff reading`: enter what a person read off, correct it, list what came in and what was set aside."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from monitor.model.reading import Reading
    from monitor.model.site import Site
    from monitor.store import Store


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(reading)


def reading(
    cylinder: Annotated[str | None, typer.Argument(help="The cylinder's name in the site file.")] = None,
    weighs: Annotated[str | None, typer.Option(help='Cylinder and gas on a scale: "52.4 lb".')] = None,
    left: Annotated[str | None, typer.Option(help='Propane left: "9 kg".')] = None,
    share: Annotated[str | None, typer.Option(help='Propane left, of a full cylinder: "45 %".')] = None,
    gauge: Annotated[str | None, typer.Option(help='The gauge on it, % of the shell\'s volume: "60 %".')] = None,
    height: Annotated[str | None, typer.Option(help='Height of the liquid, measured: "10 in".')] = None,
    line: Annotated[
        str | None, typer.Option(help='Where warm water leaves a cold line, roughly: "half", "40 %", "10 in".')
    ] = None,
    pressure: Annotated[str | None, typer.Option(help='Pressure in the cylinder, gauge: "60 psi".')] = None,
    valve: Annotated[str | None, typer.Option(help='Its valve: "open" or "closed".')] = None,
    air: Annotated[str | None, typer.Option(help='Air outdoors, in the shade: "12 degF".')] = None,
    at: Annotated[str, typer.Option(help='When it was read: "18:30", "yesterday 7:15", "2 h ago", ISO 8601.')] = "now",
    correct: Annotated[int | None, typer.Option(help="Number of the reading that this one replaces.")] = None,
    note: Annotated[str, typer.Option(help="A word to keep with it.")] = "",
    list_: Annotated[bool, typer.Option("--list", help="List the newest readings.")] = False,
    set_aside: Annotated[bool, typer.Option("--set-aside", help="List what came in and could not be used.")] = False,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many to list.")] = 20,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")] = None,
) -> None:
    """Enter a reading by hand, or list readings. A correction is a new fact; the old one stays."""
    from monitor import store as database
    from monitor.commands import _reading
    from monitor.model.errors import BadInput, Problem
    from monitor.site import find, load
    from monitor.store import place

    said = {
        "weighs": weighs, "left": left, "share": share, "gauge": gauge, "height": height, "line": line,
        "pressure": pressure, "valve": valve, "air": air,
    }  # fmt: skip
    told = {way: text for way, text in said.items() if text is not None}
    loaded = load(find(site))
    if list_ or set_aside:
        if told:
            raise BadInput(Problem("--list", "with a reading", "either to list or to enter"))
        with database.Store.open(database.find(loaded, store)) as opened:
            place.warn(opened, loaded)
            if set_aside:
                _reading.print_set_aside(opened, loaded, limit, as_json=json)
            else:
                _reading.print_readings(opened, loaded, cylinder, limit, as_json=json)
        return
    if not told:
        ways = ", ".join(f"--{way}" for way in said)
        raise BadInput(Problem("reading", "nothing read", f"at least one of {ways}", "or --list to see readings"))
    from monitor.outlook.record import MARKING, marked

    with database.Store.open(database.find(loaded, store)) as opened:
        place.require(opened, loaded)
        kept = _enter(opened, loaded, cylinder, told, at, correct, note)
        place.tie(opened, loaded)
        loaded = marked(loaded, opened.entries(MARKING), max(r.time for r in kept))
    _reading.print_entered(kept, loaded, as_json=json)


def _enter(
    store: Store, site: Site, cylinder: str | None, told: dict[str, Any], at: str, correct: int | None, note: str
) -> list[Reading]:
    """Check and store what was told; return it with its numbers."""
    from dataclasses import replace
    from datetime import UTC, datetime

    from monitor.commands import _reading
    from monitor.outlook import record
    from monitor.sensors import hand
    from monitor.sensors.when import when

    now = datetime.now(UTC)
    time = when(at, now, site.timezone)
    site = record.marked(site, store.entries(record.MARKING), time)  # weights are of the cylinder that stood there then
    found = hand.readings(site, cylinder, told, time, now, corrects=correct, note=note)
    if correct is not None:
        found = _reading.correcting(store, found, correct, at_given=at != "now")
    numbers = store.add_readings(found)
    return [replace(r, id=number) for r, number in zip(found, numbers, strict=True)]
