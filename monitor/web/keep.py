"""What a person enters into the record on the page: the forms of the kinds of entry, in words of their own fields.

What an entry must hold, what is wrong with it and what it tells is the same as for `boiloff record`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.commands import _record
from monitor.commands._record_kinds import KINDS, Field
from monitor.commands._record_kinds import told as words_of
from monitor.model.entry import Entry
from monitor.model.errors import BadInput, Problem
from monitor.model.reading import Reading
from monitor.model.site import Site, Units
from monitor.outlook import record
from monitor.store.record import Event

TITLES = {
    "fill": "A cylinder was filled",
    "exchange": "A cylinder was exchanged for another",
    "leak-check": "The joints were checked for leaks",
    "marks": "A cylinder's stamps were read",
    "trip": "A trip to the station",
    "purchase": "Something was bought",
    "regulator": "The regulator was replaced",
    "hose": "A hose was replaced",
    "delivery": "Gas was delivered",
    "planned-refill": "When you will go for a refill",
}
_LABELS = {
    "before": "Weight before, cylinder and gas", "after": "Weight after, cylinder and gas", "paid": "Gas paid for",
    "price": "Price of it all", "where": "Where", "note": "Note", "tare": "Tare (stamped TW)",
    "water-capacity": "Water capacity (stamped WC)", "full": "Gas when filled to its limit",
    "weighs": "Weight now, cylinder and gas", "outside-diameter": "Outside diameter", "manufactured": "Made",
    "requalified": "Last requalified", "requalification": "Requalified by", "what": "What", "cost": "What it cost",
    "distance": "Distance driven", "duration": "How long it took", "result": "What was seen", "method": "How",
    "rating": "Its rating", "pressure": "Its outlet pressure", "made": "Made", "mass": "Gas delivered",
}  # fmt: skip
_PER_KIND = {
    ("fill", "after"): "Weight after, cylinder and gas (empty: not weighed)",
    ("leak-check", "method"): "How (soapy water on every joint, …)",
}
_METRIC = {"17.1 lb": "7.8 kg", "47.6 lb": "21.6 kg", "20.4 lb": "9.3 kg", "38.1 lb": "17.3 kg", "17.5 lb": "7.9 kg",
           "20 lb": "9 kg", "32.0 lb": "14.5 kg", "12.2 in": "31 cm", "14 mi": "22 km", "200,000 Btu/h": "58 kW",
           "11 inH2O": "27 mbar", "250 lb": "110 kg"}  # fmt: skip
UNWEIGHED = "Not weighed, so how much is in it is not known: it may be filled in part. Weigh it, and enter the weight."


@dataclass(frozen=True, slots=True)
class Form:
    """One kind of entry as a form."""

    kind: str
    title: str

    @property
    def fields(self) -> Sequence[Field]:
        """Return the fields, as `boiloff record` has them."""
        return KINDS[self.kind].fields

    @property
    def of_cylinder(self) -> bool:
        """Whether it is of a cylinder."""
        return KINDS[self.kind].of_cylinder is True

    @property
    def ahead(self) -> bool:
        """Whether its time is still to come."""
        return KINDS[self.kind].ahead

    @property
    def may_be_full(self) -> bool:
        """Whether it may be said that the cylinder was filled to its limit without a weighing."""
        return self.kind == "fill"

    def label(self, field: Field) -> str:
        """Return what a field is called."""
        text = _PER_KIND.get((self.kind, field.option), _LABELS.get(field.option, field.option))
        return f"{text} (needed)" if field.needed else text

    def example(self, field: Field, site: Site) -> str:
        """Return an example in the household's units."""
        return field.example if site.units == "us" else _METRIC.get(field.example, field.example)


FORMS = {kind: Form(kind, title) for kind, title in TITLES.items() if kind in KINDS}


def entered(
    site: Site, form: Form, given: Mapping[str, str], now: datetime, so_far: Sequence[Entry]
) -> tuple[Event, list[Reading], list[str]]:
    """Return the entry that a filled form makes, the readings it tells, and what must be said at once.

    Raises BadInput with every problem, by the fields' labels.
    """
    told = {field.option: given.get(field.option, "") for field in form.fields}
    subject = given.get("cylinder") if form.of_cylinder else None
    try:
        at, full = given.get("at") or ("" if form.ahead else "now"), form.may_be_full and bool(given.get("full"))
        event = _record.entered(site, form.kind, subject, told, at, now, full=full)
        then = _record.at_entry(record.marked(site, so_far, event.time), event)
        if problems := _record.together(then, event):
            raise BadInput(problems)
        found = _record.readings(then, event, full=full)
        unknown = [] if found or form.kind not in {"fill", "exchange"} else [UNWEIGHED]
        return event, found, unknown + _record.warnings(then, event)
    except BadInput as error:
        raise BadInput([_by_label(form, p) for p in error.problems]) from None


def _by_label(form: Form, problem: Problem) -> Problem:
    """The same problem under the field's own label."""
    names = {f.option: form.label(f).removesuffix(" (needed)").split(" (")[0] for f in form.fields}
    names |= {"cylinder": "Cylinder", "at": "When", "when": "When"}
    options = [option.strip().removeprefix("--") for option in problem.key.split(",")]
    label = ", ".join(names.get(option, option) for option in options)
    hint = "" if "boiloff " in problem.hint or "--" in problem.hint else problem.hint
    return Problem(label, problem.value, problem.expected, hint)


def called(kind: str) -> str:
    """Return what a kind of entry is called in the list."""
    return KINDS[kind].title if kind in KINDS else kind.replace("-", " ").capitalize()


def told(entry: Entry, system: Units, currency: str) -> str:
    """Return what an entry says, in one line."""
    return words_of(entry.payload, system, currency)
