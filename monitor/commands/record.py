"""`boiloff record`: what was done and when: fills, exchanges, trips, leak checks, parts, marks; list, undo, import."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

SITE = Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")]
STORE = Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")]
JSON = Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")]
AT = Annotated[str, typer.Option("--at", help='When it was: "18:30", "yesterday 7:15", "2 h ago", ISO 8601.')]
NOTE = Annotated[str | None, typer.Option(help="A word to keep with it.")]
CYLINDER = Annotated[str | None, typer.Argument(help="The cylinder's name in the site file.")]
PRICE = Annotated[str | None, typer.Option(help="Price of it all, in the site's money: 14.60.")]
WHERE = Annotated[str | None, typer.Option(help="Where.")]
MONTH = Annotated[str | None, typer.Option(help="Year and month, as stamped: 2024-05.")]
METHOD = Annotated[str | None, typer.Option(help='"volumetric", "proof pressure" or "external visual".')]
TEXT = Annotated[str | None, typer.Option()]


def register(app: typer.Typer) -> None:
    """Add the group to `app`."""
    group = typer.Typer(no_args_is_help=True, help="Keep what was done and when; nothing is ever deleted.")
    for name, command in (
        ("fill", fill), ("exchange", exchange), ("purchase", purchase), ("trip", trip), ("leak-check", leak_check),
        ("regulator", regulator), ("hose", hose), ("marks", marks), ("delivery", delivery), ("list", list_),
        ("undo", undo), ("due", due), ("planned-refill", planned_refill), ("import", import_),
    ):  # fmt: skip
        group.command(name)(command)
    app.add_typer(group, name="record")


def fill(
    cylinder: CYLINDER = None,
    before: Annotated[str | None, typer.Option(help='Weight before, cylinder and gas: "20.4 lb".')] = None,
    after: Annotated[str | None, typer.Option(help='Weight after: "38.1 lb".')] = None,
    paid: Annotated[str | None, typer.Option(help='Gas paid for: "17.5 lb".')] = None,
    price: PRICE = None,
    where: WHERE = None,
    note: NOTE = None,
    full: Annotated[bool, typer.Option("--full", help="Filled to its limit, as the filler said; not weighed.")] = False,
    at: AT = "now",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep a fill. A weight after it is a reading of the level as well."""
    from monitor.commands import _record

    told = {"before": before, "after": after, "paid": paid, "price": price, "where": where, "note": note}
    _record.keep("fill", cylinder, told, _record.Asked(site, store, at, json), full=full)


def exchange(
    cylinder: CYLINDER = None,
    tare: Annotated[str | None, typer.Option(help='Tare stamped on the new one (TW): "17.1 lb".')] = None,
    water_capacity: Annotated[str | None, typer.Option(help='Water capacity on it (WC): "47.6 lb".')] = None,
    full: Annotated[str | None, typer.Option(help="Filling limit, if stated on it.")] = None,
    weighs: Annotated[str | None, typer.Option(help="Weight now, cylinder and gas.")] = None,
    outside_diameter: Annotated[str | None, typer.Option(help='Outside diameter: "12.2 in".')] = None,
    manufactured: MONTH = None,
    requalified: MONTH = None,
    requalification: METHOD = None,
    price: PRICE = None,
    where: WHERE = None,
    note: NOTE = None,
    at: AT = "now",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep an exchange for another cylinder: its stamps are asked for, never assumed. Weigh it: it may be part full."""
    from monitor.commands import _record

    told = {
        "tare": tare,
        "water-capacity": water_capacity,
        "full": full,
        "weighs": weighs,
        "outside-diameter": outside_diameter,
        "manufactured": manufactured,
        "requalified": requalified,
        "requalification": requalification,
        "price": price,
        "where": where,
        "note": note,
    }
    _record.keep("exchange", cylinder, told, _record.Asked(site, store, at, json))


def purchase(
    cylinder: CYLINDER = None,
    what: Annotated[str | None, typer.Option(help="What was bought.")] = None,
    price: PRICE = None,
    note: NOTE = None,
    at: AT = "now",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep something bought."""
    from monitor.commands import _record

    told = {"what": what, "price": price, "note": note}
    _record.keep("purchase", cylinder, told, _record.Asked(site, store, at, json))


def trip(
    cost: Annotated[str | None, typer.Option(help="What it cost: 6.50.")] = None,
    distance: Annotated[str | None, typer.Option(help='There and back: "14 mi".')] = None,
    duration: Annotated[str | None, typer.Option(help='How long it took: "50 min".')] = None,
    note: NOTE = None,
    at: AT = "now",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep a trip; fills of the same day belong to it."""
    from monitor.commands import _record

    told = {"cost": cost, "distance": distance, "duration": duration, "note": note}
    _record.keep("trip", None, told, _record.Asked(site, store, at, json))


def leak_check(
    result: Annotated[str | None, typer.Option(help='"tight" or "leak".')] = None,
    method: Annotated[str | None, typer.Option(help='How: "soapy water on every joint".')] = None,
    note: NOTE = None,
    at: AT = "now",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep a leak check."""
    from monitor.commands import _record

    told = {"result": result, "method": method, "note": note}
    _record.keep("leak-check", None, told, _record.Asked(site, store, at, json))


def regulator(
    rating: Annotated[str | None, typer.Option(help='Its rating: "200,000 Btu/h".')] = None,
    pressure: Annotated[str | None, typer.Option(help='Its outlet pressure: "11 inH2O".')] = None,
    made: MONTH = None,
    price: PRICE = None,
    note: NOTE = None,
    at: AT = "now",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep that the regulator was replaced."""
    from monitor.commands import _record

    told = {"rating": rating, "pressure": pressure, "made": made, "price": price, "note": note}
    _record.keep("regulator", None, told, _record.Asked(site, store, at, json))


def hose(
    made: MONTH = None,
    price: PRICE = None,
    note: NOTE = None,
    at: AT = "now",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep that a hose was replaced."""
    from monitor.commands import _record

    told = {"made": made, "price": price, "note": note}
    _record.keep("hose", None, told, _record.Asked(site, store, at, json))


def marks(
    cylinder: CYLINDER = None,
    tare: Annotated[str | None, typer.Option(help='Tare (TW): "17.1 lb".')] = None,
    water_capacity: Annotated[str | None, typer.Option(help='Water capacity (WC): "47.6 lb".')] = None,
    manufactured: MONTH = None,
    requalified: MONTH = None,
    requalification: METHOD = None,
    note: NOTE = None,
    at: AT = "now",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep what is stamped on a cylinder; it counts from then on."""
    from monitor.commands import _record

    told = {
        "tare": tare,
        "water-capacity": water_capacity,
        "manufactured": manufactured,
        "requalified": requalified,
        "requalification": requalification,
        "note": note,
    }
    _record.keep("marks", cylinder, told, _record.Asked(site, store, at, json))


def delivery(
    mass: Annotated[str | None, typer.Option(help='How much: "250 lb".')] = None,
    price: PRICE = None,
    note: NOTE = None,
    at: AT = "now",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep a delivery of gas."""
    from monitor.commands import _record

    told = {"mass": mass, "price": price, "note": note}
    _record.keep("delivery", None, told, _record.Asked(site, store, at, json))


def planned_refill(
    when: Annotated[str, typer.Argument(help='When you will go: "tomorrow 10:00", "2026-12-24", ISO 8601.')] = "",
    cylinder: Annotated[str | None, typer.Argument(help="The cylinder that you take, if one alone.")] = None,
    note: NOTE = None,
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Keep when you will go for a refill: the warning of a run-out goes by it, unless it is of one cylinder of several.

    The newest plan counts.
    """
    from monitor.commands import _record

    _record.keep("planned-refill", cylinder, {"note": note}, _record.Asked(site, store, when, json))


def list_(
    cylinder: Annotated[str | None, typer.Argument(help='A cylinder\'s name, or "site"; else everything.')] = None,
    everything: Annotated[bool, typer.Option("--all", help="Also what was taken back.")] = False,
    limit: Annotated[int, typer.Option(min=1, max=1_000_000, help="How many to list.")] = 50,
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """List the record, the newest first."""
    from monitor.commands import _record, _record_list

    _record_list.show(cylinder, _record.Asked(site, store, json=json), limit, everything=everything)


def undo(
    number: Annotated[
        int | None, typer.Argument(min=1, max=2**62, help="The entry's number, as `boiloff record list` shows it.")
    ] = None,
    why: Annotated[str, typer.Option(help="Why.")] = "",
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Take an entry back, with the reading it told. The entry stays; undoing the undo brings it back."""
    from monitor.commands import _record, _record_list

    _record_list.undo(number, why, _record.Asked(site, store, json=json))


def due(site: SITE = None, store: STORE = None, json: JSON = False) -> None:
    """Say what falls due: leak check, requalification of each cylinder, parts by age."""
    from monitor.commands import _record, _record_list

    _record_list.due(_record.Asked(site, store, json=json))


def import_(
    file: Annotated[Path, typer.Argument(help="CSV with a head line: time, kind, cylinder, and values.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be taken.")] = False,
    site: SITE = None,
    store: STORE = None,
    json: JSON = False,
) -> None:
    """Bring in entries of a CSV file: the good ones at once, the bad ones listed by line.

    Columns: time, kind, cylinder, then values by their names: paid_kg or paid_lb (plain numbers), or paid with the
    unit in the cell.
    """
    from monitor.commands import _record, _record_import

    _record_import.bring_in(file, _record.Asked(site, store, json=json), dry_run=dry_run)
