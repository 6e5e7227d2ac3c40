"""What a person enters into the record on the page: the fields of each form, and the entry they make."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from monitor.model.entry import Entry
from monitor.model.errors import BadInput, Problem
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site, Units
from monitor.model.units_out import Kind, duration, show
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
        problems += _together(site, form, subject, payload, so_far)
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


def tare_kg(site: Site, cylinder: str, so_far: Sequence[Entry]) -> float:
    """Return the tare of the cylinder that stands there now: of its last exchange or marks, else the site file's."""
    told = [e.payload.get("tare_kg") for e in so_far if e.subject == cylinder and e.kind in {"exchange", "marks"}]
    known = [float(t) for t in told if t is not None]
    return known[-1] if known else site.cylinder(cylinder).tare_kg


def _together(
    site: Site, form: Form, subject: str, payload: Mapping[str, Any], so_far: Sequence[Entry]
) -> list[Problem]:
    """What is wrong with the values taken together."""
    out: list[Problem] = []

    def mass(kg: float) -> str:
        return show(kg, "mass", site.units)

    if form.kind == "fill":
        tare = tare_kg(site, subject, so_far)
        before, after = payload.get("before_gross_kg"), payload.get("after_gross_kg")
        for name, gross in (("Weight before", before), ("Weight after", after)):
            if gross is not None and gross < tare - _SCALE_KG:
                out.append(Problem(name, mass(gross), f"at least the cylinder's tare, {mass(tare)}"))
        if before is not None and after is not None and after <= before:
            out.append(Problem("Weight after", mass(after), f"more than before, {mass(before)}"))
    if form.kind == "exchange":
        tare, water, gross = payload["tare_kg"], payload["water_capacity_kg"], payload.get("gross_kg")
        if not 0 < tare < 500 or not 0 < water < 1000:
            out.append(Problem("Tare, water capacity", f"{mass(tare)}, {mass(water)}", "weights of a cylinder"))
        elif gross is not None and not tare - _SCALE_KG <= gross <= tare + _LIQUID_FULL * water:
            expected = f"between its tare, {mass(tare)}, and full of liquid, {mass(tare + _LIQUID_FULL * water)}"
            out.append(Problem("Weight now", mass(gross), expected, "Look at the stamps again."))
    return out


def readings(site: Site, entry: Event, so_far: Sequence[Entry]) -> list[Reading]:
    """Return what an entry tells about the level: the gas weighed in it, or a cylinder filled to its limit."""
    payload, time = entry.payload, entry.time
    if entry.kind == "fill":
        gross, tare = payload.get("after_gross_kg"), tare_kg(site, entry.subject, so_far)
        if gross is None:
            full = Reading(time, entry.entered, entry.subject, Quantity.SHARE_OF_FULL, 1.0, SOURCE)
            return [replace(full, noise=_UNWEIGHED_SD, note="filled, not weighed")]
    elif entry.kind == "exchange" and payload.get("gross_kg") is not None:
        gross, tare = payload["gross_kg"], payload["tare_kg"]
    else:
        return []
    left = max(0.0, gross - tare)
    try:
        plausible.check(Quantity.PROPANE_LEFT, left, site, entry.subject)
    except Refused as refused:
        raise BadInput(
            Problem("Weight", show(gross, "mass", site.units), "a weight that can be true", str(refused))
        ) from None
    return [Reading(time, entry.entered, entry.subject, Quantity.PROPANE_LEFT, left, SOURCE, note=entry.kind)]


_NAMES = {"fill": "Filled", "exchange": "Exchanged", "purchase": "Bought", "trip": "Trip", "leak-check": "Leak check",
          "regulator": "Regulator replaced", "hose": "Hose replaced", "marks": "Marks read",
          "first-start": "First start", "delivery": "Delivery"}  # fmt: skip


def called(kind: str) -> str:
    """Return what a kind of entry is called on the page."""
    return _NAMES.get(kind, kind)


def told(entry: Entry, system: Units, currency: str) -> str:
    """Return what an entry says, in one line."""
    kinds: dict[str, Kind] = {"_kg": "mass", "_m": "length", "_pa": "pressure", "_w": "power"}
    parts = []
    for name, value in entry.payload.items():
        if value is None or value == "":
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
