"""`boiloff arrange`: which cylinders, how many, together or over a changeover, before money is spent."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(arrange)


def arrange(
    appliance: Annotated[
        list[str] | None,
        typer.Option("--appliance", help='"Range=65000 Btu/h", also with ", hold 45 min, when 05-23". Repeat.'),
    ] = None,
    heater: Annotated[
        list[str] | None, typer.Option(help='One that burns without end: "Heater=12 kW". Repeat.')
    ] = None,
    use: Annotated[str | None, typer.Option("--use", help='Use in winter, "0.4 kg/day".')] = None,
    summer_use: Annotated[str | None, typer.Option("--summer-use", help="Use in summer; else as in winter.")] = None,
    coldest: Annotated[str | None, typer.Option("--coldest", help='Design low, "-10 degF".')] = None,
    winters: Annotated[
        list[Path] | None,
        typer.Option("--winters", help="Hourly temperatures of past winters, in the forecast's CSV form. Repeat."),
    ] = None,
    size: Annotated[
        list[str] | None, typer.Option("--size", help='Only these: "40 lb", "250 gal". Repeat; else all common ones.')
    ] = None,
    cylinder: Annotated[
        list[str] | None,
        typer.Option("--cylinder", help='One more kind: "Mine=79 L WC, 36 kg TW, 318 mm". Repeat.'),
    ] = None,
    carry: Annotated[str | None, typer.Option("--carry", help='Most that can be lifted, "50 lb".')] = None,
    height: Annotated[str | None, typer.Option("--height", help='Room upwards, "40 in".')] = None,
    width: Annotated[str | None, typer.Option("--width", help='Room along the wall, "60 in".')] = None,
    most: Annotated[int, typer.Option("--most", min=1, max=26, help="Most cylinders side by side.")] = 4,
    fuel_most: Annotated[
        str | None, typer.Option("--fuel-most", help="Most propane on site that your local rule allows.")
    ] = None,
    no_delivery: Annotated[bool, typer.Option("--no-delivery", help="No supplier who will come.")] = False,
    refill_at: Annotated[
        str, typer.Option("--refill-at", help="Together: all are filled at this share of full.")
    ] = "20 %",
    price: Annotated[
        list[str] | None, typer.Option("--price", help='"40 lb=150" each, "changeover=90" once. Repeat.')
    ] = None,
    yearly: Annotated[list[str] | None, typer.Option("--yearly", help='Rent and the like: "250 gal=100".')] = None,
    gas: Annotated[str | None, typer.Option("--gas", help='Price of propane fetched: "0.95/lb".')] = None,
    gas_delivered: Annotated[str | None, typer.Option("--gas-delivered", help='Brought to a tank: "2.80/gal".')] = None,
    trip: Annotated[float | None, typer.Option("--trip", help="What one trip to the filler costs.")] = None,
    mind: Annotated[
        str, typer.Option("--mind", help="What you mind most: short-nights, carrying, trips or cost.")
    ] = "short-nights",
    site: Annotated[
        Path | None, typer.Option("--site", help="Take place, appliances and supply from a site file.")
    ] = None,
    name: Annotated[str | None, typer.Option(help="What you call the place, for --write.")] = None,
    latitude: Annotated[str | None, typer.Option(help="Degrees north; south is negative.")] = None,
    longitude: Annotated[str | None, typer.Option(help="Degrees east; west is negative.")] = None,
    timezone: Annotated[str | None, typer.Option(help='Such as "America/Denver"; else of this computer.')] = None,
    elevation: Annotated[str | None, typer.Option(help='Height above the sea, "5000 ft".')] = None,
    units: Annotated[str | None, typer.Option(help="us or metric.")] = None,
    basis: Annotated[str | None, typer.Option(help="What decides: chart, floor or weather (default).")] = None,
    regulator: Annotated[str | None, typer.Option(help='Rating on its plate, "160000 Btu/h".')] = None,
    show: Annotated[int, typer.Option("--show", min=1, help="Arrangements shown.")] = 10,
    write: Annotated[Path | None, typer.Option("--write", help="Write the site file of the one chosen.")] = None,
    choose: Annotated[int, typer.Option("--choose", min=1, help="With --write: its number in the table.")] = 1,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")] = False,
) -> None:
    """Compare arrangements for your appliances, habits, climate and limits; write the site file of one.

    Each: the coldest air it carries, how long it holds, short nights in past winters, refills, weights, fuel and cost.
    """
    import os

    # its many small products are slower on several threads than on one, and much slower beside other work
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from monitor.commands import _arrange, _arrange_ask, _arrange_print
    from monitor.commands._print import console, print_json

    asked = _arrange_ask.Options(
        appliances=tuple(appliance or ()), heaters=tuple(heater or ()), use=use, summer_use=summer_use,
        coldest=coldest, winters=tuple(winters or ()), sizes=tuple(size or ()), cylinders=tuple(cylinder or ()),
        carry=carry, height=height, width=width, most=most, fuel_most=fuel_most, delivery=not no_delivery,
        refill_at=refill_at, prices=tuple(price or ()), yearly=tuple(yearly or ()), gas=gas,
        gas_delivered=gas_delivered, trip=trip, mind=mind, site=site, name=name, latitude=latitude,
        longitude=longitude, timezone=timezone, elevation=elevation, units=units, basis=basis, regulator=regulator,
        write=write,
    )  # fmt: skip
    question, choices = _arrange_ask.gather(asked)
    result = _arrange.run(question, choices)
    if json:
        print_json(_arrange.as_json(result))
    else:
        _arrange_print.print_result(console(), result, show)
    if not result.complete:
        raise typer.Exit(130)
    if write is not None:
        _arrange.write(write, result, choose, told=not json)
