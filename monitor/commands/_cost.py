"""What `boiloff cost` reads and how it prints it."""

from __future__ import annotations

import csv
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.model.errors import BadInput, Problem
from monitor.model.offer import Offer
from monitor.model.site import Site, Units
from monitor.model.units_out import LIQUID_GALLON_KG, POUND_KG, show
from monitor.outlook import cost, offers
from monitor.outlook.cost import Price, Rates, Span, Sum

if TYPE_CHECKING:
    from rich.console import Console

    from monitor.model.entry import Entry
    from monitor.store import Store

SLOT = timedelta(hours=2)  # one reading of a sensor in this time tells the use of a day
LEAST_DAYS = 300  # of a year: fewer, and its seasons are not all in it
BURNER_NOTE = (
    "share of the heat that reaches the pot: cost.burner_efficiency, 40 % unless stated, about what US DOE tests of "
    "gas cooking tops gave, from memory"
)


@dataclass(frozen=True)
class Money:
    """All that is known of the gas's cost. `use_kg` is a year's; None = not known, `use_basis` says from what."""

    site: Site
    entries: Sequence[Entry]
    rates: Rates
    price: Price
    used: dict[date, float]
    used_basis: str
    months: tuple[Span, ...]
    years: tuple[Span, ...]
    use_kg: float | None
    use_basis: str
    own: Offer | None
    own_lacks: tuple[str, ...]
    beside: tuple[offers.Beside, ...]


def load(site_path: Path | None, store_path: Path | None) -> tuple[Site, Path]:
    """Return the site and where its database is. Raises BadInput, and SourceFailed where there is none."""
    from monitor import site as site_file
    from monitor import store as database

    site = site_file.load(site_file.find(site_path))
    path = database.find(site, store_path)
    if not path.exists():
        raise database.missing(path, "; an entry in the record too")
    return site, path


def answer(site_path: Path | None, store_path: Path | None, use: str | None) -> Money:
    """Read the record and the levels, and work the cost out. Raises BadInput or SourceFailed."""
    from monitor import store as database
    from monitor.store import place

    stated = None if use is None else _stated(use)
    site, path = load(site_path, store_path)
    with database.Store.open(path, readonly=True) as store:
        place.warn(store, site)
        return money(site, store, datetime.now(UTC), stated)


def _stated(text: str) -> float:
    from monitor.site.offer import fuel
    from monitor.site.quantity import QuantityError

    try:
        found = fuel(text)
    except QuantityError as error:
        raise BadInput(Problem("--use", f'"{text}"', error.expected, "of fuel a year")) from None
    if found <= 0.0:
        raise BadInput(Problem("--use", f'"{text}"', "more than nothing", "of fuel a year"))
    return found


def money(site: Site, store: Store, now: datetime, stated_kg: float | None = None) -> Money:
    """Work out the cost from a store; `stated_kg` is a year's use as the user says it."""
    zone, rates = ZoneInfo(site.timezone), Rates.of(site.settings)
    entries = store.entries()
    used, basis = use_by_day(site, store, entries, now)
    price = cost.price(entries, zone, rates)
    own, lacks = offers.cylinders(site, price, rates, cost.trips(entries, zone, rates))
    learnt = cost.yearly_use(used)
    use_kg, use_basis = stated_kg, "as stated"
    if stated_kg is None:
        use_kg, use_basis = (None, "not known: fewer than 14 days of use are") if learnt is None else _said(learnt)
    return Money(
        site, entries, rates, price, used, basis,
        months=cost.spans(entries, zone, rates, used),
        years=cost.spans(entries, zone, rates, used, "year"),
        use_kg=use_kg, use_basis=use_basis, own=own, own_lacks=lacks,
        beside=tuple(offers.beside(own, offer, use_kg) for offer in site.offers),
    )  # fmt: skip


def spans(found: Money, by: str) -> tuple[Span, ...]:
    """Return the sums by "day", "month" or "year"."""
    if by == "day":
        return cost.spans(found.entries, ZoneInfo(found.site.timezone), found.rates, found.used, "day")
    return found.years if by == "year" else found.months


def _said(learnt: tuple[float, int]) -> tuple[float, str]:
    kg, days = learnt
    short = "; not a whole year, so the seasons are not all in it" if days < LEAST_DAYS else ""
    return kg, f"from {days} days{short}"


def _days(count: int) -> str:
    return f"{count} day{'' if count == 1 else 's'}"


def use_by_day(site: Site, store: Store, entries: Sequence[Entry], now: datetime) -> tuple[dict[date, float], str]:
    """Return the fuel burnt by local day (kg): by the levels where they tell it, by the fills on the other days."""
    from monitor.model.reading import LEVEL_QUANTITIES, Quantity
    from monitor.outlook.use import log_days

    zone = ZoneInfo(site.timezone)
    readings = [r for q in sorted(LEVEL_QUANTITIES) for r in store.readings(until=now, quantity=q, every=SLOT)]
    names = {c.name for c in site.cylinders}
    readings = [r for r in readings if r.subject in names]
    site, readings = cost.as_if_one_tare(site, entries, readings, now)
    outside = store.readings(until=now, subject="site", quantity=Quantity.AIR_TEMPERATURE, every=SLOT)
    known = [(r.time, r.value) for r in outside if r.value is not None]
    air = ([t for t, _ in known], [v for _, v in known]) if known else None
    by_level = cost.used_by_day(log_days(site, readings, now, air)) if readings else {}
    last = max((r.time for r in readings), default=now).astimezone(zone).date()
    by_level = {day: kg for day, kg in by_level.items() if day <= last}  # beyond, it would be a forecast
    by_fill = cost.used_from_fills(cost.taken(entries, zone))
    both = {**by_fill, **by_level}
    from_fills = len(both) - len(by_level)
    if not both:
        return both, "no day's use is known: neither levels nor two fills of a cylinder tell it"
    words = [f"levels on {_days(len(by_level))}"] if by_level else []
    unread = [c.name for c in site.cylinders if c.valve_open and c.name not in {r.subject for r in readings}]
    if by_level and unread:
        words[0] += f" (no level of {', '.join(unread)} was read: its part is inferred)"
    words += [f"fills on {_days(from_fills)}, spread evenly between them"] if from_fills else []
    return both, "use by " + " and ".join(words)


# -- out --------------------------------------------------------------------------------------------------------------


def _sum(found: Sum) -> dict[str, Any]:
    return {"amount": found.amount, "entries": found.count, "without_price": found.count - found.known}


def span_json(span: Span) -> dict[str, Any]:
    """One month or year as JSON values: kg, money; null = not known."""
    return {
        "span": span.label, "days": span.days, "used_kg": span.used_kg, "used_days": span.used_days,
        "taken_kg": span.taken_kg, "fills": span.fills, "fills_not_weighed": span.fills_unweighed,
        "fuel": _sum(span.fuel), "trips": _sum(span.trips), "other": _sum(span.things), "together": span.total,
        "missing": list(span.missing),
    }  # fmt: skip


def price_json(price: Price) -> dict[str, Any]:
    """Prices as JSON values; a kWh "gas" is heat in the gas (gross), "used" what reaches the pot."""
    found: dict[str, Any] = {"basis": price.basis, "burner_efficiency": price.efficiency}
    for name, kg in (("gas", price.kg), ("with_trips", price.with_trips())):
        found[name] = None if kg is None else {
            "kg": kg, "gal": cost.per_gallon(kg), "kwh_gas": cost.per_kwh_gas(kg),
            "kwh_used": cost.per_kwh_used(kg, price.efficiency),
        }  # fmt: skip
    return found


def plain(found: Money) -> dict[str, Any]:
    """Return it as JSON values: kg, the site's money; null = not known."""
    own = offers.year(found.own, found.use_kg, found.own_lacks) if found.own and found.use_kg else None
    return {
        "site": found.site.name,
        "currency": found.rates.currency or None,
        "used": found.used_basis,
        "price": price_json(found.price),
        "months": [span_json(s) for s in found.months],
        "years": [span_json(s) for s in found.years],
        "use": {"kg_year": found.use_kg, "basis": found.use_basis},
        "cylinders": None if own is None else _way(own),
        "cylinders_lack": list(found.own_lacks),
        "offers": [
            {**_way(b.way), "cheaper": [asdict(s) for s in _named(b)], "notes": list(b.words)} for b in found.beside
        ],
    }


def _way(way: offers.Way) -> dict[str, Any]:
    return {
        "name": way.offer.name, "year": way.cost, "parts": way.parts, "deliveries": way.deliveries,
        "tank_owner": way.offer.owner, "lacks": list(way.lacks),
    }  # fmt: skip


def _named(beside: offers.Beside) -> list[Any]:
    names = {"first": offers.NAME, "second": beside.way.offer.name, "equal": "equal"}
    return [_Named(s.from_kg, s.to_kg, names[s.cheaper]) for s in beside.stretches]


@dataclass(frozen=True)
class _Named:
    from_kg_year: float
    to_kg_year: float
    cheaper: str


def write_csv(found: Money, by: str) -> None:
    """Print the spans as CSV: kg and the site's money; an empty field is not known."""
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(
        [by, "days", "used_kg", "used_days", "taken_kg", "fills", "fills_not_weighed", "fuel_cost",
         "fills_without_price", "trips", "trip_cost", "trips_without_cost", "other_cost", "other_without_price",
         "together", "currency"]
    )  # fmt: skip
    for s in spans(found, by):
        writer.writerow(
            [s.label, s.days, s.used_kg, s.used_days, s.taken_kg, s.fills, s.fills_unweighed, s.fuel.amount,
             s.fuel.count - s.fuel.known, s.trips.count, s.trips.amount, s.trips.count - s.trips.known,
             s.things.amount, s.things.count - s.things.known, s.total, found.rates.currency]
        )  # fmt: skip


def capital(text: str) -> str:
    """Return a sentence's first letter as a capital."""
    return text[:1].upper() + text[1:]


def amount(value: float | None, currency: str = "") -> str:
    """Return money as people read it, "not known" where it is missing."""
    return "not known" if value is None else f"{value:,.2f} {currency}".rstrip()


def part(found: Sum) -> str:
    """Return a sum for a table: "12.50", "12.50 +?" where some are missing, "?" where all are, "-" for none."""
    if not found.count:
        return "-"
    if found.amount is None:
        return "?"
    return f"{found.amount:,.2f}" + ("" if found.whole else " +?")


def total(span: Span) -> str:
    """Return the whole of a span for a table, marked where something is missing; "-" where nothing is entered."""
    if not (span.fuel.count or span.trips.count or span.things.count):
        return "-"
    if span.total is None:
        return "?"
    return f"{span.total:,.2f}" + (" +?" if span.missing else "")


def print_money(to: Console, found: Money, by: str) -> None:
    """The spans, the price of a unit, then the offers."""
    shown = spans(found, by)
    to.print(f"[bold]{found.site.name}[/bold]: what the gas costs", markup=True)
    if shown:
        _print_spans(to, found, shown, by)
    else:
        to.print("Nothing is in the record yet: enter a fill, and what was paid for it.")
    to.print(f"{capital(found.used_basis)}.")
    to.print()
    for line in price_lines(found.price, found.site.units, found.rates.currency):
        to.print(line)
    if found.beside:
        to.print()
        for line in offer_lines(found):
            to.print(line)


def _print_spans(to: Console, found: Money, shown: Sequence[Span], by: str) -> None:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for name in (by, "used", "taken in", "fills", "gas", "trips", "other", "together"):
        table.add_column(name, justify="left" if name == by else "right")
    u = found.site.units
    for s in shown:
        table.add_row(
            s.label, used(s, u), taken_in(s, u), str(s.fills), part(s.fuel), part(s.trips), part(s.things), total(s)
        )
    to.print(table)
    for s in shown:
        if s.missing:
            to.print(f"{s.label}: {'; '.join(s.missing)}. What is missing is not in the sum.")
    if any(s.used_kg is not None and s.used_days < s.days for s in shown):
        to.print("(n d): only so many days of that span have a known use.", style="dim")


def used(span: Span, units: Units) -> str:
    """Return the fuel used, with how many days it counts where it is not all of them."""
    days = "" if span.used_days == span.days or span.used_kg is None else f" ({span.used_days} d)"
    return "?" if span.used_kg is None else show(span.used_kg, "mass", units) + days


def taken_in(span: Span, units: Units) -> str:
    """Return the fuel taken in, marked where a fill was not weighed; "-" where none is entered."""
    if not span.fills:
        return "-"
    if span.taken_kg is None:
        return "?"
    return show(span.taken_kg, "mass", units) + (" +?" if span.fills_unweighed else "")


def price_lines(price: Price, units: Units, currency: str) -> list[str]:
    """Say what a unit costs, and what that rests on."""
    if price.kg is None:
        return [f"Price of gas: not known: {price.basis}."]
    lines = [f"Price of gas: {_units(price.kg, units, currency)} ({price.basis})."]
    both = price.with_trips()
    if both is None:
        lines.append("What the trips add is not known.")
    else:
        lines.append(f"With the trips: {_units(both, units, currency)}.")
    heat, pot = cost.per_kwh_gas(both or price.kg), cost.per_kwh_used(both or price.kg, price.efficiency)
    lines.append(
        f"1 kWh of heat in the gas (gross): {_fine(heat, currency)}; into the pot at {100 * price.efficiency:.0f} %: "
        f"{_fine(pot, currency)} ({BURNER_NOTE})."
    )
    return lines


def _fine(value: float, currency: str) -> str:
    """Return a small amount: a kilowatt-hour costs a fraction of a coin."""
    return f"{value:,.3f} {currency}".rstrip()


def _units(kg: float, units: Units, currency: str) -> str:
    if units == "us":
        return f"{amount(cost.per_gallon(kg), currency)} a gallon, {amount(kg * POUND_KG, currency)} a pound"
    litre = kg * LIQUID_GALLON_KG / 3.785411784
    return f"{amount(kg, currency)} a kg, {amount(litre, currency)} a litre of liquid"


def fuel_words(kg: float, units: Units) -> str:
    """Return fuel by mass, with gallons beside it where those are used."""
    return f"{kg / LIQUID_GALLON_KG:,.0f} gal ({kg / POUND_KG:,.0f} lb)" if units == "us" else f"{kg:,.0f} kg"


def offer_lines(found: Money) -> list[str]:
    """Say what a year costs each way, and from what use on which one is cheaper."""
    u, currency = found.site.units, found.rates.currency
    use = "not known" if found.use_kg is None else fuel_words(found.use_kg, u)
    lines = [f"Use of a year: {use} ({found.use_basis})."]
    if found.own is not None and found.use_kg is not None:
        lines += _way_lines(offers.year(found.own, found.use_kg, found.own_lacks), currency)
    lines += [f"Cylinders: {why}." for why in found.own_lacks]
    for b in found.beside:
        lines += _way_lines(b.way, currency) if b.way.cost is not None else [f"{capital(b.way.offer.name)}:"]
        lines += [f"  {text}." for text in stretch_words(b, u)]
        lines += [f"  {text}." for text in b.words]
    return lines


def _way_lines(way: offers.Way, currency: str) -> list[str]:
    names = {"fuel": "gas", "deliveries": "trips" if way.offer.name == offers.NAME else "deliveries",
             "yearly": "yearly fees", "once": "once, spread"}  # fmt: skip
    parts = [f"{names[k]} {v:,.2f}" for k, v in way.parts.items() if k in names and v]
    count = "" if way.deliveries is None else f"; {names['deliveries']}: {way.deliveries:.3g}"
    lines = [f"{capital(way.offer.name)}: {amount(way.cost, currency)} a year ({', '.join(parts)}{count})"]
    if unused := way.parts.get("unused"):
        lines.append(f"  of it {amount(unused, currency)} for gas that is not used (least use)")
    return lines


def stretch_words(beside: offers.Beside, units: Units) -> list[str]:
    """Return "cylinders are cheaper up to 120 gal a year" and so on, in order; one line where nothing changes."""
    first = f"{offers.NAME} are cheaper"
    names = {"first": first, "second": f"{beside.way.offer.name} is cheaper", "equal": "both cost the same"}
    stretches = beside.stretches
    said = []
    for k, s in enumerate(stretches):
        low, high = fuel_words(s.from_kg, units), fuel_words(s.to_kg, units)
        if len(stretches) == 1:
            where = f"at every use up to {high} a year"
        elif k == 0:
            where = f"up to {high} a year"
        else:
            where = f"from {low} a year" + ("" if k == len(stretches) - 1 else f" to {high}")
        said.append(f"{names[s.cheaper]} {where}")
    return said
