"""What a person enters into the record on the page: the fields of each form, and the entry they make."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from monitor.model.entry import Entry
from monitor.model.errors import BadInput, Problem
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Cylinder, Site, Units
from monitor.model.units_out import Kind, duration, show
from monitor.outlook import record
from monitor.sensors import plausible
from monitor.sensors.hand import SOURCE
from monitor.sensors.sent import Refused
from monitor.sensors.when import when
from monitor.site import units
from monitor.store.record import Event

MONTH_FORM = "a year and a month such as 2024-05"
_MONTH = re.compile(r"(19|20)\d\d-(0[1-9]|1[0-2])")
_UNWEIGHED_SD = 0.03  # of full, one sd of a cylinder said to be filled to its limit (our judgement, no source)
_SCALE_KG = 0.1  # a bathroom scale's error
_LIQUID_FULL = 0.55  # kg of cold liquid propane a kg of water capacity: no cylinder holds more


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form. `kind`: mass, money, month, text, or the choices of a list."""

    name: str
    label: str
    kind: str | tuple[tuple[str, str], ...] = "mass"
    needed: bool = False
    us: str = ""
    metric: str = ""

    def example(self, site: Site) -> str:
        """Return an example in the household's units."""
        return self.us if site.units == "us" else self.metric or self.us


@dataclass(frozen=True, slots=True)
class Form:
    """One kind of entry."""

    kind: str
    title: str
    button: str
    fields: Sequence[Field]
    of_cylinder: bool = True


NOTE, WHERE = Field("note", "Note", "text"), Field("where", "Where", "text")
PRICE = Field("price", "Price of it all", "money", us="14.60")
FORMS = {
    f.kind: f
    for f in (
        Form("fill", "A cylinder was filled", "Keep this fill", (
            Field("after_gross_kg", "Weight after, cylinder and gas (empty: filled to its limit, not weighed)",
                  us="38.1 lb", metric="17.3 kg"),
            Field("before_gross_kg", "Weight before", us="20.4 lb", metric="9.3 kg"),
            Field("paid_kg", "Gas paid for", us="17.5 lb", metric="7.9 kg"), PRICE, WHERE, NOTE,
        )),
        Form("exchange", "A cylinder was exchanged for another", "Keep this exchange", (
            Field("tare_kg", "Tare on the new one (TW)", needed=True, us="17.1 lb", metric="7.8 kg"),
            Field("water_capacity_kg", "Water capacity on it (WC)", needed=True, us="47.6 lb", metric="21.6 kg"),
            Field("gross_kg", "Weight now, cylinder and gas (empty: not weighed)", us="32.0 lb", metric="14.5 kg"),
            Field("manufactured", "Made", "month", us="2024-05"),
            Field("requalified", "Last requalified", "month", us="2024-05"),
            PRICE, WHERE, NOTE,
        )),
        Form("leak-check", "The joints were checked for leaks", "Keep this check", (
            Field("result", "What was seen", (("tight", "tight: no bubble anywhere"), ("leak", "a leak")), needed=True),
            Field("method", "How", (("soapy water", "soapy water on every joint"), ("other", "another way"))), NOTE,
        ), of_cylinder=False),
    )
}  # fmt: skip


def entered(site: Site, form: Form, given: Mapping[str, str], now: datetime, so_far: Sequence[Entry]) -> Event:
    """Return the entry that a filled form makes. Raises BadInput with every problem, by the fields' labels."""
    problems: list[Problem] = []
    subject = given.get("cylinder", "") if form.of_cylinder else "site"
    if form.of_cylinder and subject not in {c.name for c in site.cylinders}:
        problems.append(Problem("Cylinder", subject or "nothing", "a cylinder of the site"))
    time = now
    try:
        time = when(given.get("at", "") or "now", now, site.timezone, "When")
    except BadInput as error:
        problems += error.problems
    payload: dict[str, Any] = {}
    for field in form.fields:
        text = given.get(field.name, "").strip()
        if text:
            payload[field.name] = _value(field, text, now, problems)
        elif field.needed:
            listed = isinstance(field.kind, tuple)
            stamped = f"what is stamped on it, such as {field.example(site)}"
            problems.append(Problem(field.label, "nothing", "a choice from the list" if listed else stamped))
    if not problems:
        problems += _together(site, form, subject, payload, so_far, time)
    if problems:
        raise BadInput(problems)
    return Event(form.kind, subject, time, now, payload)


def _value(field: Field, text: str, now: datetime, problems: list[Problem]) -> Any:
    if isinstance(field.kind, tuple):
        if text not in dict(field.kind):
            problems.append(Problem(field.label, f'"{text}"', "a choice from the list"))
        return text
    if field.kind == "text":
        return text[:300]
    if field.kind == "month":
        if _MONTH.fullmatch(text) is None or text > f"{now:%Y-%m}":
            problems.append(Problem(field.label, f'"{text}"', f"{MONTH_FORM}, not to come"))
        return text
    if field.kind == "money":
        if re.fullmatch(r"\d{1,7}(\.\d{1,2})?", text) is None:
            problems.append(Problem(field.label, f'"{text}"', f"an amount without its sign, such as {field.us}"))
            return None
        return float(text)
    try:
        return units.parse(text, "mass")
    except units.QuantityError as error:
        problems.append(Problem(field.label, f'"{text}"', error.expected, error.hint))
        return None


def standing(site: Site, cylinder: str, so_far: Sequence[Entry], at: datetime) -> Cylinder:
    """Return the cylinder that stands there at `at`, with the stamps of its last exchange or marks."""
    return record.marked(site, so_far, at).cylinder(cylinder)


def _together(
    site: Site, form: Form, subject: str, payload: Mapping[str, Any], so_far: Sequence[Entry], at: datetime
) -> list[Problem]:
    """What is wrong with the values taken together."""
    out: list[Problem] = []

    def mass(kg: float) -> str:
        return show(kg, "mass", site.units)

    if form.kind == "fill":
        stands = standing(site, subject, so_far, at)
        before, after = payload.get("before_gross_kg"), payload.get("after_gross_kg")
        for name, gross in (("Weight before", before), ("Weight after", after)):
            out += _weight(name, gross, stands.tare_kg, stands.water_capacity_kg, mass)
        if before is not None and after is not None and after <= before:
            out.append(Problem("Weight after", mass(after), f"more than before, {mass(before)}"))
    if form.kind == "exchange":
        tare, water, gross = payload["tare_kg"], payload["water_capacity_kg"], payload.get("gross_kg")
        if not 0 < tare < 500 or not 0 < water < 1000:
            out.append(Problem("Tare, water capacity", f"{mass(tare)}, {mass(water)}", "weights of a cylinder"))
        else:
            out += _weight("Weight now", gross, tare, water, mass)
    return out


def _weight(name: str, gross: float | None, tare: float, water: float, mass: Callable[[float], str]) -> list[Problem]:
    """A weight below the tare, or above what a cylinder full of liquid weighs."""
    most = tare + _LIQUID_FULL * water
    if gross is None or tare - _SCALE_KG <= gross <= most:
        return []
    expected = f"between the tare, {mass(tare)}, and full of liquid to the top, {mass(most)}"
    return [Problem(name, mass(gross), expected, "Look at the stamps on the cylinder again.")]


def readings(site: Site, entry: Event, so_far: Sequence[Entry]) -> list[Reading]:
    """Return what an entry tells about the level: the gas weighed in it, or a cylinder filled to its limit."""
    payload, time = entry.payload, entry.time
    if entry.kind == "fill":
        gross, tare = payload.get("after_gross_kg"), standing(site, entry.subject, so_far, time).tare_kg
        if gross is None:
            full = Reading(time, entry.entered, entry.subject, Quantity.SHARE_OF_FULL, 1.0, SOURCE)
            return [replace(full, noise=_UNWEIGHED_SD, note="filled, not weighed")]
    elif entry.kind == "exchange" and payload.get("gross_kg") is not None:
        gross, tare = payload["gross_kg"], payload["tare_kg"]
    else:
        return []
    left = max(0.0, gross - tare)
    try:
        told = Entry(entry.kind, entry.subject, time, payload)
        plausible.check(Quantity.PROPANE_LEFT, left, record.marked(site, [*so_far, told], time), entry.subject)
    except Refused:  # far above the limit: kept in the record and told as a danger, but no level to go by
        return []
    return [Reading(time, entry.entered, entry.subject, Quantity.PROPANE_LEFT, left, SOURCE, note=entry.kind)]


_NAMES = {"fill": "Filled", "exchange": "Exchanged", "purchase": "Bought", "trip": "Trip", "leak-check": "Leak check",
          "regulator": "Regulator replaced", "hose": "Hose replaced", "marks": "Marks read",
          "first-start": "First start", "delivery": "Delivery"}  # fmt: skip


def checked(site: Site, event: Event, so_far: Sequence[Entry]) -> list[str]:
    """What the weights of a fill or an exchange say: filled above the limit, or less than was paid for."""
    if event.kind not in {"fill", "exchange"}:
        return []
    entry = Entry(event.kind, event.subject, event.time, event.payload)
    cylinder = record.applied(standing(site, event.subject, so_far, event.time), entry)
    found = record.fill_check(cylinder, entry)
    out = [record.OVERFILLED.format(over=show(found.over_kg, "mass", site.units))] if found.over_kg else []
    if found.short_kg:
        out.append(f"{show(found.short_kg, 'mass', site.units)} that was paid for is not in it, by these weights.")
    return out


def called(kind: str) -> str:
    """Return what a kind of entry is called on the page."""
    return _NAMES.get(kind, kind)


def told(entry: Entry, system: Units, currency: str) -> str:
    """Return what an entry says, in one line."""
    kinds: dict[str, Kind] = {"_kg": "mass", "_m": "length", "_pa": "pressure", "_w": "power"}
    parts = []
    for name, value in entry.payload.items():
        if value is None or value == "" or name == "readings":
            continue
        kind = next((k for end, k in kinds.items() if name.endswith(end)), None)
        plain = re.sub(r"_(kg|m|pa|w|s)$", "", name).replace("_", " ")
        if kind is not None:
            parts.append(f"{plain} {show(float(value), kind, system)}")
        elif name == "duration_s":
            parts.append(f"{plain} {duration(float(value))}")
        elif name in {"price", "cost"}:
            parts.append(f"{plain} {float(value):,.2f} {currency}".rstrip())
        else:
            parts.append(f"{plain} {', '.join(value) if isinstance(value, list) else value}")
    return "; ".join(parts)
