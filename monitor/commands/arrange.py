"""`boiloff arrange`: which cylinders, how many, together or over a changeover, before money is spent."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(arrange)


Appliance = Annotated[
    list[str] | None,
    typer.Option("--appliance", help='"Range=65000 Btu/h", also with ", hold 45 min, when 05-23". Repeat.'),
]
Heater = Annotated[list[str] | None, typer.Option(help='One that burns without end: "Heater=12 kW". Repeat.')]
Use = Annotated[str | None, typer.Option("--use", help='Use in winter, "0.4 kg/day".')]
SummerUse = Annotated[str | None, typer.Option("--summer-use", help="Use in summer; else as in winter.")]
Coldest = Annotated[str | None, typer.Option("--coldest", help='Design low, "-10 degF".')]
Winters = Annotated[
    list[Path] | None,
    typer.Option("--winters", help="Hourly temperatures of past winters, in the forecast's CSV form. Repeat."),
]
PastYears = Annotated[
    int | None,
    typer.Option("--past-years", min=1, max=40, help="Ask Open-Meteo's archive for as many past winters of the place."),
]
PastUrl = Annotated[str, typer.Option("--past-url", help="Another server with the same archive.", hidden=True)]
Size = Annotated[
    list[str] | None, typer.Option("--size", help='Only these: "40 lb", "250 gal". Repeat; else all common ones.')
]
Cylinder = Annotated[
    list[str] | None,
    typer.Option("--cylinder", help='One more kind: "Mine=79 L WC, 36 kg TW, 318 mm". Repeat.'),
]
Carry = Annotated[str | None, typer.Option("--carry", help='Most that can be lifted, "50 lb".')]
Height = Annotated[str | None, typer.Option("--height", help='Room upwards, "40 in".')]
Width = Annotated[str | None, typer.Option("--width", help='Room along the wall, "60 in".')]
Most = Annotated[int, typer.Option("--most", min=1, max=26, help="Most cylinders side by side.")]
Scale = Annotated[str | None, typer.Option("--scale", help="Most that the scale under each can weigh.")]
FuelMost = Annotated[str | None, typer.Option("--fuel-most", help="Most propane on site that your local rule allows.")]
NoDelivery = Annotated[bool, typer.Option("--no-delivery", help="No supplier who will come.")]
RefillAt = Annotated[str, typer.Option("--refill-at", help="Together: all are filled at this share of full.")]
Price = Annotated[list[str] | None, typer.Option("--price", help='"40 lb=150" each, "changeover=90" once. Repeat.')]
Yearly = Annotated[list[str] | None, typer.Option("--yearly", help='Rent and the like: "250 gal=100".')]
Gas = Annotated[str | None, typer.Option("--gas", help='Price of propane fetched: "0.95/lb".')]
GasDelivered = Annotated[str | None, typer.Option("--gas-delivered", help='Brought to a tank: "2.80/gal".')]
Trip = Annotated[float | None, typer.Option("--trip", help="What one trip to the filler costs.")]
Mind = Annotated[str, typer.Option("--mind", help="What you mind most: short-nights, carrying, trips or cost.")]
Site = Annotated[Path | None, typer.Option("--site", help="Take place, appliances and supply from a site file.")]
Name = Annotated[str | None, typer.Option(help="What you call the place, for --write.")]
Latitude = Annotated[str | None, typer.Option(help="Degrees north; south is negative.")]
Longitude = Annotated[str | None, typer.Option(help="Degrees east; west is negative.")]
Timezone = Annotated[str | None, typer.Option(help='Such as "America/Denver"; else of this computer.')]
Elevation = Annotated[str | None, typer.Option(help='Height above the sea, "5000 ft".')]
Units = Annotated[str | None, typer.Option(help="us or metric.")]
Basis = Annotated[str | None, typer.Option(help="What decides: chart, floor or weather (default).")]
Regulator = Annotated[str | None, typer.Option(help='Rating on its plate, "160000 Btu/h".')]
Show = Annotated[int, typer.Option("--show", min=1, help="Arrangements shown.")]
All = Annotated[bool, typer.Option("--all", help="Every figure of those shown, on each basis, and every reason.")]
Write = Annotated[Path | None, typer.Option("--write", help="Write the site file of the one chosen.")]
Choose = Annotated[int, typer.Option("--choose", min=1, help="With --write: its number in the table.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON, in SI units.")]


def arrange(
    appliance: Appliance = None,
    heater: Heater = None,
    use: Use = None,
    summer_use: SummerUse = None,
    coldest: Coldest = None,
    winters: Winters = None,
    past_years: PastYears = None,
    past_url: PastUrl = "",
    size: Size = None,
    cylinder: Cylinder = None,
    carry: Carry = None,
    height: Height = None,
    width: Width = None,
    most: Most = 4,
    scale: Scale = None,
    fuel_most: FuelMost = None,
    no_delivery: NoDelivery = False,
    refill_at: RefillAt = "20 %",
    price: Price = None,
    yearly: Yearly = None,
    gas: Gas = None,
    gas_delivered: GasDelivered = None,
    trip: Trip = None,
    mind: Mind = "short-nights",
    site: Site = None,
    name: Name = None,
    latitude: Latitude = None,
    longitude: Longitude = None,
    timezone: Timezone = None,
    elevation: Elevation = None,
    units: Units = None,
    basis: Basis = None,
    regulator: Regulator = None,
    show: Show = 6,
    everything: All = False,
    write: Write = None,
    choose: Choose = 1,
    json: Json = False,
) -> None:
    """Compare arrangements for your appliances, habits, climate and limits; write the site file of one.

    Each: the coldest air it carries, how long it holds, short nights in past winters, refills, weights, fuel and cost.
    """
    import os  # below: many small products are slower on several threads, and much slower beside other work

    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from monitor.commands import _arrange, _arrange_ask

    asked = _arrange_ask.Options(
        appliances=tuple(appliance or ()), heaters=tuple(heater or ()), use=use, summer_use=summer_use,
        coldest=coldest, winters=tuple(winters or ()), past_years=past_years, past_url=past_url,
        sizes=tuple(size or ()), cylinders=tuple(cylinder or ()), carry=carry, height=height, width=width, most=most,
        fuel_most=fuel_most, scale=scale, delivery=not no_delivery, refill_at=refill_at, prices=tuple(price or ()),
        yearly=tuple(yearly or ()), gas=gas, gas_delivered=gas_delivered, trip=trip, mind=mind, site=site, name=name,
        latitude=latitude, longitude=longitude, timezone=timezone, elevation=elevation, units=units, basis=basis,
        regulator=regulator, write=write,
    )  # fmt: skip
    if not _arrange.answer(asked, show, choose, json=json, everything=everything):
        raise typer.Exit(130)
