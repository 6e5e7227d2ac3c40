"""What `boiloff reading` prints, and what a correction may replace."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.commands._print import console, print_json
from monitor.model.errors import BadInput, Problem
from monitor.model.reading import SI_UNIT, Quantity, Reading
from monitor.model.site import Site
from monitor.site import units

if TYPE_CHECKING:
    from monitor.store import Store

NAMES: dict[Quantity, str] = {
    Quantity.GROSS_WEIGHT: "weighs",
    Quantity.PROPANE_LEFT: "propane left",
    Quantity.SHARE_OF_FULL: "share of full",
    Quantity.GAUGE_PERCENT: "gauge",
    Quantity.LIQUID_HEIGHT: "liquid height",
    Quantity.HEIGHT_FROM_TOP: "height from top",
    Quantity.ECHO_TIME: "echo time",
    Quantity.LIQUID_VOLUME: "liquid volume",
    Quantity.CONTAINER_PRESSURE: "pressure",
    Quantity.AIR_TEMPERATURE: "air",
    Quantity.WALL_TEMPERATURE: "wall temperature",
    Quantity.VALVE: "valve",
    Quantity.CHANGEOVER: "changeover",
    Quantity.GAS_DETECTED: "gas detected",
    Quantity.BATTERY: "battery",
    Quantity.SIGNAL: "signal",
}
_STATES = {
    Quantity.VALVE: ("closed", "open"),
    Quantity.CHANGEOVER: ("service side", "reserve side"),
    Quantity.GAS_DETECTED: ("no", "YES"),
}


def shown(reading: Reading, site: Site) -> str:
    """Return a reading's value in the household's units."""
    if reading.value is None:
        return "taken back" if reading.corrects is not None else "not known to the sender"
    if reading.quantity in _STATES:
        return _STATES[reading.quantity][reading.value >= 0.5]
    if reading.quantity is Quantity.ECHO_TIME:
        return f"{reading.value * 1e6:.0f} µs"
    kind = units.KIND_OF_QUANTITY.get(reading.quantity.value)
    return units.show(reading.value, kind, site.units) if kind else f"{reading.value:g} {SI_UNIT[reading.quantity]}"


def local(time: datetime, site: Site) -> str:
    """Return a time as the site's clock shows it."""
    return f"{time.astimezone(ZoneInfo(site.timezone)):%Y-%m-%d %H:%M %Z}"


def correcting(store: Store, found: list[Reading], number: int, *, at_given: bool) -> list[Reading]:
    """Check that reading `number` can be replaced by `found`; without `--at` the new one is of the old one's time."""
    old = store.reading(number)
    if old is None:
        hint = "`boiloff reading --list` shows the numbers"
        raise BadInput(Problem("--correct", str(number), "the number of a reading", hint))
    chain = store.corrections(number)
    if chain[-1].id != number:
        newest = chain[-1]
        hint = (
            f"it was replaced by {newest.id} already; correct that one: --correct {newest.id}"
            if newest.value is not None
            else f"it was taken back by {newest.id} already; enter the reading anew, with --at"
        )
        raise BadInput(Problem("--correct", str(number), "a reading that is in force", hint))
    if len(found) != 1:
        raise BadInput(Problem("--correct", f"{len(found)} values", "one value to replace one reading"))
    if found[0].subject != old.subject:
        raise BadInput(
            Problem("--correct", str(number), f"a reading of {found[0].subject}", f"{number} is of {old.subject}")
        )
    return [found[0] if at_given else replace(found[0], time=old.time)]


def print_entered(found: Iterable[Reading], site: Site, *, as_json: bool) -> None:
    """Say what was stored, in words that show a slip of the hand at once."""
    if as_json:
        print_json([jsonable(r) for r in found])
        return
    out = console()
    for r in found:
        what = f"{r.subject}: " if r.subject != "site" else ""
        more = _meaning(r, site)
        instead = f", instead of {r.corrects}" if r.corrects is not None else ""
        what += f"{NAMES[r.quantity]} {shown(r, site)}{more}"
        out.print(f"Kept as reading {r.id}{instead}: {what}, {local(r.time, site)}", soft_wrap=True)


def _meaning(reading: Reading, site: Site) -> str:
    """Return what a weight says about the gas in it."""
    if reading.quantity is not Quantity.GROSS_WEIGHT or reading.value is None:
        return ""
    cylinder = site.cylinder(reading.subject)
    left = reading.value - cylinder.tare_kg
    if left < 0:
        return (
            f" (less than the empty cylinder's {units.show(cylinder.tare_kg, 'mass', site.units)}: is the tare right?)"
        )
    share = f"{100 * left / cylinder.full_kg:.0f} % of full"
    return f" (propane {units.show(left, 'mass', site.units)}, {share})"


def print_readings(store: Store, site: Site, cylinder: str | None, limit: int, *, as_json: bool) -> None:
    """List the newest readings, the corrected ones marked."""
    if cylinder is not None and cylinder != "site" and cylinder not in {c.name for c in site.cylinders}:
        names = ", ".join([*(c.name for c in site.cylinders), "site"])
        raise BadInput(Problem("cylinder", f'"{cylinder}"', "the name of a cylinder", f"one of: {names}"))
    found = store.readings(subject=cylinder, include_corrected=True, limit=limit)
    found = sorted(found, key=lambda r: (r.time, r.id or 0), reverse=True)
    if as_json:
        print_json([jsonable(r) for r in found])
        return
    replaced = {r.corrects for r in found if r.corrects is not None}
    rows = []
    for r in found:
        notes = [r.note] if r.note else []
        notes += ["corrected"] if r.id in replaced else []
        notes += [f"instead of {r.corrects}"] if r.corrects is not None else []
        notes += [] if r.age_known else ["age not known"]
        rows.append(
            (str(r.id), local(r.time, site), r.subject, NAMES[r.quantity], shown(r, site), r.source, "; ".join(notes))
        )
    _table(("No.", "Time", "Of", "What", "Value", "From", "Note"), rows, "No readings yet.")


def print_set_aside(store: Store, site: Site, limit: int, *, as_json: bool) -> None:
    """List what came in and could not be used, with the reason."""
    found = store.set_asides(limit)
    if as_json:
        print_json(
            [
                {
                    "id": s.id, "received": s.received.isoformat(), "source": s.source, "subject": s.subject,
                    "quantity": s.quantity, "raw": s.raw, "reason": s.reason,
                }
                for s in found
            ]
        )  # fmt: skip
        return
    rows = [(local(s.received, site), s.source, f"{s.quantity} of {s.subject}", s.reason, s.raw) for s in found]
    _table(("Received", "From", "Meant as", "Why not", "What came"), rows, "Nothing was set aside.")


def _table(heads: tuple[str, ...], rows: Sequence[tuple[str, ...]], none: str) -> None:
    from rich.table import Table
    from rich.text import Text

    out = console()
    if not rows:
        out.print(none)
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in heads:
        table.add_column(head, overflow="fold")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    out.print(table)


def jsonable(reading: Reading) -> dict[str, Any]:
    """Return a reading for JSON: SI, ISO 8601."""
    return {
        "id": reading.id,
        "time": reading.time.isoformat(),
        "received": reading.received.isoformat(),
        "subject": reading.subject,
        "quantity": reading.quantity.value,
        "value": reading.value,
        "unit": SI_UNIT[reading.quantity],
        "noise": reading.noise,
        "source": reading.source,
        "age_known": reading.age_known,
        "corrects": reading.corrects,
        "note": reading.note,
    }
