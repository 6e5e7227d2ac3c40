"""What `boiloff record` keeps: an entry from what was told, the readings that it tells, and what it says at once."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.alerts.cautions import SMELL
from monitor.commands import _record_kinds as kinds
from monitor.commands._print import console, print_json
from monitor.model.entry import Entry
from monitor.model.errors import BadInput, Problem
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from monitor.outlook import record
from monitor.sensors import plausible
from monitor.sensors.hand import SOURCE
from monitor.sensors.sent import Refused
from monitor.sensors.when import to_come, when
from monitor.site import find, load, units
from monitor.store.record import Event

if TYPE_CHECKING:
    pass

UNWEIGHED_SD = 0.03  # of full, one sd of a cylinder that the filler said is at its limit (our judgement, no source)
LIQUID_FULL = 0.55  # kg of cold liquid propane a kg of water capacity: no cylinder holds more (density below 0.55 kg/L)
LEAK = (
    f"LEAK. {SMELL} Close the cylinder valves if they can be reached safely, and leave them shut until a licensed "
    "fitter has mended it."
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What every subcommand has."""

    site: Path | None
    store: Path | None
    at: str = "now"
    json: bool = False


def keep(kind: str, subject: str | None, told: Mapping[str, str | None], asked: Asked, *, full: bool = False) -> None:
    """Keep an entry and say what it means. `told` has texts by option; `full`: filled to its limit, not weighed."""
    from monitor import store as database
    from monitor.store import place

    site, now = load(find(asked.site)), datetime.now(UTC)
    given = _asked_for(kind, {k: v for k, v in told.items() if v is not None})
    with database.Store.open(database.find(site, asked.store)) as opened, opened.transaction():
        place.tie(opened, site)  # undone with the rest where the entry is refused
        so_far = opened.entries(record.MARKING)
        event = entered(site, kind, subject, given, asked.at, now, full=full)
        then = at_entry(record.marked(site, so_far, event.time), event)
        problems = together(then, event)
        if problems:
            raise BadInput(problems)
        found = readings(then, event, full=full)
        number = opened.add_entry(event, found)
        kept = opened.event(number)
    assert kept is not None
    say(then, kept, as_json=asked.json)


def _asked_for(kind: str, given: dict[str, str]) -> dict[str, str]:
    """Ask at a terminal for what must be there, and for the weights, which are never assumed."""
    if not sys.stdin.isatty() or not sys.stdout.isatty():
        return given
    import typer

    wanted = {"exchange": ("weighs", "manufactured", "requalified"), "fill": ("after", "paid")}.get(kind, ())
    for field in kinds.KINDS[kind].fields:
        if field.option in given or not (field.needed or field.option in wanted):
            continue
        form = " or ".join(field.kind) if isinstance(field.kind, tuple) else f'as "{field.example}"'
        more = "" if field.needed else ", empty if not known"
        weigh = " now, cylinder and gas on the scale" if field.option in {"weighs", "after"} else ""
        answer = str(typer.prompt(f"{field.option}{weigh} ({form}{more})", default="" if not field.needed else None))
        if answer.strip():
            given[field.option] = answer.strip()
    return given


def entered(
    site: Site, kind: str, subject: str | None, given: Mapping[str, str], at: str, now: datetime, *, full: bool = False
) -> Event:
    """Return the entry that the options make; BadInput has every problem. `full`: that alone is told of a fill."""
    problems: list[Problem] = []
    whose = subject_of(site, kind, subject, problems)
    time = now
    try:
        time = to_come(at, now, site.timezone, "when") if kinds.KINDS[kind].ahead else when(at, now, site.timezone)
    except BadInput as error:
        problems += error.problems
    payload: dict[str, Any] = {}
    for field in kinds.KINDS[kind].fields:
        text = given.get(field.option, "").strip()
        if text:
            payload[field.key] = kinds.value(field, text, f"--{field.option}", now, problems)
        elif field.needed:
            example = " or ".join(field.kind) if isinstance(field.kind, tuple) else field.example or "some words"
            problems.append(Problem(f"--{field.option}", "nothing", f"a value, such as {example}; it is never assumed"))
    if not payload and kind in {"fill", "marks", "delivery"} and not full and not problems:
        problems.append(Problem(kind, "nothing told", "at least one value", "`--help` lists them"))
    if problems:
        raise BadInput(problems)
    return Event(kind, whose, time, now, payload)


def subject_of(site: Site, kind: str, subject: str | None, problems: list[Problem]) -> str:
    """Return the cylinder's name, or "site"; a problem is noted."""
    of_cylinder = kinds.KINDS[kind].of_cylinder
    if of_cylinder is False or (of_cylinder == "either" and subject in {None, "", "site"}):
        return "site"
    names = {c.name.casefold(): c.name for c in site.cylinders}
    if not subject and len(names) == 1:
        return next(iter(names.values()))
    found = names.get((subject or "").casefold())
    if found is None:
        hint = f"one of: {', '.join(names.values())}"
        problems.append(Problem("cylinder", f'"{subject}"' if subject else "none", "the name of a cylinder", hint))
    return found or ""


def at_entry(site: Site, event: Event) -> Site:
    """Return the site as it is with the entry: an exchange brings another cylinder."""
    entry = as_entry(event)
    return replace(site, cylinders=tuple(record.applied(c, entry) for c in site.cylinders))


def as_entry(event: Event) -> Entry:
    """The entry as the pure parts see it."""
    return Entry(event.kind, event.subject, event.time, event.payload, event.id)


def together(site: Site, event: Event) -> list[Problem]:
    """Return what is wrong with the values taken together; `site` is as it is with the entry."""
    if event.subject == "site" or event.kind not in {"fill", "exchange", "marks"}:
        return []
    cylinder, told, out = site.cylinder(event.subject), event.payload, []

    def mass(kg: float) -> str:
        return units.show(kg, "mass", site.units)

    if not 0.5 <= cylinder.tare_kg <= 500.0 or not 0.5 <= cylinder.water_capacity_kg <= 1000.0:
        both = f"{mass(cylinder.tare_kg)}, {mass(cylinder.water_capacity_kg)}"
        out.append(Problem("--tare, --water-capacity", both, "weights of a portable cylinder", "look at the stamps"))
    elif not 0.2 <= cylinder.full_kg / cylinder.water_capacity_kg <= LIQUID_FULL:
        out.append(Problem("--full", mass(cylinder.full_kg), "20 % to 55 % of the water capacity, by weight"))
    most = cylinder.tare_kg + LIQUID_FULL * cylinder.water_capacity_kg
    least = cylinder.tare_kg - plausible.below_tare_kg(cylinder)
    for field in kinds.KINDS[event.kind].fields:
        gross = told.get(field.key) if field.key.endswith("gross_kg") else None
        if gross is not None and not least <= gross <= most:
            span = f"between the tare, {mass(cylinder.tare_kg)}, and full of liquid, {mass(most)}"
            hint = "is the tare right? `boiloff record marks` corrects it"
            out.append(Problem(f"--{field.option}", mass(gross), span, hint))
    before, after = told.get("before_gross_kg"), told.get("after_gross_kg")
    if before is not None and after is not None and after <= before:
        out.append(Problem("--after", mass(after), f"more than before, {mass(before)}"))
    return out


def readings(site: Site, event: Event, *, full: bool = False) -> list[Reading]:
    """Return what the entry tells about the level: the weight, or with `full` a cylinder filled to its limit.

    An overfilled cylinder's weight is beyond what readings may be; it is kept, at the most that they may be.
    """
    gross = event.payload.get({"fill": "after_gross_kg", "exchange": "gross_kg"}.get(event.kind, ""))
    if gross is None:
        if not full:
            return []
        told = Reading(event.time, event.entered, event.subject, Quantity.SHARE_OF_FULL, 1.0, SOURCE)
        return [replace(told, noise=UNWEIGHED_SD, note=f"{event.kind}, not weighed")]
    try:
        value = plausible.check(Quantity.GROSS_WEIGHT, gross, site, event.subject)
    except Refused:
        value = min(gross, plausible.limits(Quantity.GROSS_WEIGHT, site, event.subject)[1])
    return [Reading(event.time, event.entered, event.subject, Quantity.GROSS_WEIGHT, value, SOURCE, note=event.kind)]


# -- say --------------------------------------------------------------------------------------------------------------


def warnings(site: Site, event: Event) -> list[str]:
    """Return what must be said at once: an over-fill, a short fill, a leak, a date that is past or near."""
    out = []
    if event.kind == "leak-check" and event.payload.get("result") == "leak":
        out.append(LEAK)
    if event.subject == "site":
        return out
    check = check_of(site, event)
    if check.over_kg:
        out.append(record.OVERFILLED.format(over=units.show(check.over_kg, "mass", site.units)))
    if check.short_kg:
        short = units.show(check.short_kg, "mass", site.units)
        out.append(f"Short fill: {short} less than was paid for. Weigh it again, and show the supplier both weights.")
    paid, full = event.payload.get("paid_kg"), site.cylinder(event.subject).full_kg
    if event.kind == "fill" and paid is not None and check.left_kg is None and float(paid) > 1.02 * full:
        fits, told = units.show(full, "mass", site.units), units.show(float(paid), "mass", site.units)
        out.append(
            f"{told} is more than {event.subject} takes ({fits}): either the figure or the site file is wrong, or it "
            "is OVERFILLED. Weigh it before it goes into use; if it is too heavy, keep it outdoors, upright, away from "
            "flame and sun, and let the supplier see to it. Local rules come first."
        )
    if event.kind in {"exchange", "fill"}:
        due = record.requalify_date(site.cylinder(event.subject).marks, site.settings.get("record.requalify_every"))
        if due is not None and due <= event.time:
            out.append(
                f"Its requalification was due by {due:%Y-%m}: it may not be filled again before that (49 CFR 180.209; "
                "local law comes first)."
            )
    return out


def check_of(site: Site, event: Event) -> record.FillCheck:
    """The check of a fill or an exchange; all None for other kinds."""
    noise = site.settings.get("record.scale_noise") or record.SCALE_SD_KG
    if event.kind not in {"fill", "exchange"}:
        return record.FillCheck(None, None, None, None)
    return record.fill_check(site.cylinder(event.subject), as_entry(event), float(noise))


def jsonable(event: Event) -> dict[str, Any]:
    """An entry for JSON: SI, ISO 8601."""
    return {
        "id": event.id, "kind": event.kind, "subject": event.subject, "time": event.time.isoformat(),
        "entered": event.entered.isoformat(), "payload": dict(event.payload), "undoes": event.undoes,
    }  # fmt: skip


def say(site: Site, event: Event, *, as_json: bool) -> None:
    """Say what was kept, and at once what is wrong with it."""
    from monitor.commands._reading import local
    from monitor.commands._record_list import told

    said = warnings(site, event)
    check = check_of(site, event)
    if as_json:
        plain = {"left_kg": check.left_kg, "taken_kg": check.taken_kg, "short_kg": check.short_kg,
                 "over_kg": check.over_kg}  # fmt: skip
        print_json(jsonable(event) | {"check": plain, "warnings": said})
        return
    out = console()
    whose = "" if event.subject == "site" else f" {event.subject}"
    what = f"{kinds.KINDS[event.kind].title}{whose}, {local(event.time, site)}: {told(event, site)}".rstrip(": ")
    out.print(f"Kept as entry {event.id}: {what}", markup=False, soft_wrap=True)
    if check.left_kg is not None:
        left = units.show(max(0.0, check.left_kg), "mass", site.units)
        share = 100.0 * check.left_kg / site.cylinder(event.subject).full_kg
        out.print(f"Propane in it: {left}, {share:.0f} % of full", markup=False, soft_wrap=True)
    elif event.kind in {"fill", "exchange"} and not event.payload.get("readings"):
        out.print(
            "Not weighed, so what is in it is not known: it may be filled in part. Weigh it, then "
            f"`boiloff reading {event.subject} --weighs ...`.", markup=False, soft_wrap=True,
        )  # fmt: skip
    for line in said:
        out.print(line, markup=False, soft_wrap=True, style="bold red" if line.startswith(("DANGER", "LEAK")) else "")
    if event.kind != "leak-check":
        return
    if event.payload.get("result") == "tight":
        out.print("boiloff is no gas detector; check again after any joint was opened.", soft_wrap=True)


def numbered(rows: Sequence[Any], noun: str) -> str:
    """A count with its noun."""
    return f"{len(rows):,} {noun if len(rows) == 1 else noun.removesuffix('y') + ('ies' if noun[-1] == 'y' else 's')}"
