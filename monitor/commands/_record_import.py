"""Entries of a CSV file: the good ones are taken, in one transaction; the bad ones are listed by line."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands import _record, _record_kinds
from monitor.commands._print import console, print_json
from monitor.commands._reading import local
from monitor.model.entry import Entry
from monitor.model.errors import BadInput, Problem
from monitor.model.site import Site
from monitor.outlook import record
from monitor.sensors.when import to_come, when
from monitor.site import find, load
from monitor.store.record import Event

if TYPE_CHECKING:
    from monitor.store import Store

ALWAYS = ("time", "kind", "cylinder")
_PER_KG = {"_lb": 0.453_592_37, "_g": 0.001}
# a column by its key in SI ("paid_kg"), in pounds ("paid_lb"), or plainly with the unit in the cell ("paid")


@dataclass(slots=True)
class Found:
    """What a file holds."""

    events: list[tuple[int, Event]] = field(default_factory=list)  # with the line of each
    faults: list[Problem] = field(default_factory=list)
    bad: int = 0  # lines left out
    known: int = 0  # lines that the record has already
    said: list[str] = field(default_factory=list)  # what must be said at once of what was taken


def bring_in(path: Path, asked: _record.Asked, *, dry_run: bool) -> None:
    """Read the file, keep what is good unless `dry_run`, and say what was left out."""
    from monitor import store as database
    from monitor.store import place

    site, now = load(find(asked.site)), datetime.now(UTC)
    found = read(path, site, now)
    with database.Store.open(database.find(site, asked.store)) as opened, opened.transaction():
        place.require(opened, site)
        taken = take(opened, site, found, dry_run=dry_run)
        if taken and not dry_run:
            place.tie(opened, site)
    _say(found, taken, dry_run=dry_run, as_json=asked.json)


def read(path: Path, site: Site, now: datetime) -> Found:
    """Return the entries of a CSV file with a head line. Raises BadInput where the file or its head is of no use."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(Problem("file", str(path), "a CSV file in UTF-8 that can be read", str(error))) from None
    rows = csv.reader(text.splitlines(keepends=True))
    head = [h.strip().lower() for h in next(rows, [])]
    columns = _columns(head)
    found = Found()
    for row in rows:
        if not any(cell.strip() for cell in row):
            continue
        problems: list[Problem] = []
        cells = dict(zip(head, (c.strip() for c in row), strict=False))
        if len(row) > len(head):
            problems.append(Problem("columns", str(len(row)), f"{len(head)}, as the head has"))
        event = _event(cells, columns, site, now, problems) if not problems else None
        if problems or event is None:
            found.bad += 1
            found.faults += [Problem(f"line {rows.line_num}: {p.key}", p.value, p.expected, p.hint) for p in problems]
        else:
            found.events.append((rows.line_num, event))
    found.events.sort(key=lambda pair: pair[1].time)
    return found


def _columns(head: list[str]) -> dict[str, tuple[str, float | None]]:
    """Return for each column the payload's key that it tells, and the factor to SI (None: the cell has its unit)."""
    known: dict[str, tuple[str, float | None]] = {}
    for kind in _record_kinds.KINDS.values():
        for f in kind.fields:
            number = isinstance(f.kind, str) and f.kind not in {"money", "month", "text", "steps"}
            known[f.key] = (f.key, 1.0 if number else None)
            if number:
                plain = f.key.rpartition("_")[0]
                known[plain] = (f.key, None)
                if f.kind == "mass":
                    known |= {plain + end: (f.key, factor) for end, factor in _PER_KG.items()}
    problems = [Problem("column", f'"{h}"', "a known column", _near(h, known)) for h in head
                if h not in known and h not in ALWAYS]  # fmt: skip
    problems += [Problem("column", f'no "{h}"', "a column of that name") for h in ALWAYS if h not in head]
    problems += [Problem("column", f'"{h}" twice', "each column once") for h in sorted({*head}) if head.count(h) > 1]
    if problems:
        raise BadInput(problems)
    return {h: known[h] for h in head if h not in ALWAYS}


def _near(name: str, known: Mapping[str, Any]) -> str:
    from difflib import get_close_matches

    near = " or ".join(f'"{word}"' for word in get_close_matches(name, [*known, *ALWAYS], 3))
    return f"did you mean {near}?" if near else f"known: {', '.join([*ALWAYS, *known])}"


def _event(
    cells: Mapping[str, str], columns: Mapping[str, tuple[str, float | None]], site: Site, now: datetime,
    problems: list[Problem],
) -> Event | None:  # fmt: skip
    kind = cells.get("kind", "").lower()
    if kind not in _record_kinds.KINDS:
        problems.append(Problem("kind", f'"{kind}"', f"one of {', '.join(_record_kinds.KINDS)}"))
        return None
    subject = _record.subject_of(site, kind, cells.get("cylinder") or None, problems)
    fields = {f.key: f for f in _record_kinds.KINDS[kind].fields}
    time = now
    try:
        time = _time(cells.get("time", ""), now, site, ahead=_record_kinds.KINDS[kind].ahead)
    except BadInput as error:
        problems += error.problems
    payload: dict[str, Any] = {}
    for column, (key, factor) in columns.items():
        text = cells.get(column, "")
        if not text:
            continue
        if key not in fields:
            problems.append(Problem(column, f'"{text}"', f"nothing: a {kind} has no such value"))
        elif key in payload:
            problems.append(Problem(column, f'"{text}"', "each value once"))
        else:
            payload[key] = _cell(fields[key], column, text, factor, now, problems)
    problems += [Problem(k, "nothing", "a value") for k, f in fields.items() if f.needed and k not in payload]
    return Event(kind, subject, time, now, payload)


def _time(text: str, now: datetime, site: Site, *, ahead: bool) -> datetime:
    """When it was; `ahead`: it may be still to come as well."""
    try:
        return when(text, now, site.timezone, "time")
    except BadInput:
        if not ahead:
            raise
        return to_come(text, now, site.timezone, "time")


def _cell(
    spec: _record_kinds.Field, column: str, text: str, factor: float | None, now: datetime, problems: list[Problem]
) -> Any:
    if factor is None:
        return _record_kinds.value(spec, text, column, now, problems)
    try:
        number = float(text) * factor
    except ValueError:
        number = float("nan")
    if 0.0 <= number < 1e9:
        return number
    problems.append(Problem(column, f'"{text}"', "a plain number, its unit is in the column's name"))
    return None


def take(store: Store, site: Site, found: Found, *, dry_run: bool) -> list[Event]:
    """Check each entry against the cylinder that stood there then, and keep it; what is known already is left out.

    Entries are gone through by time beside those of the record, so that each weight meets the tare of its day.
    """
    seen = {_mark(e) for e in store.events(include_undone=True) if e.undoes is None}
    before = store.entries(record.MARKING)
    taken: list[Event] = []
    last: dict[str, tuple[Site, Event]] = {}
    k = 0
    for line, event in found.events:
        while k < len(before) and before[k].time <= event.time:
            site = _with(site, before[k])
            k += 1
        mark = _mark(event)
        if mark in seen:
            found.known += 1
            continue
        then = _with(site, _record.as_entry(event))
        problems = _record.together(then, event)
        if problems:
            found.bad += 1
            found.faults += [Problem(f"line {line}: {p.key.lstrip('-')}", p.value, p.expected, p.hint)
                             for p in problems]  # fmt: skip
            continue
        site = then
        seen.add(mark)
        taken.append(event)
        if event.kind in {"fill", "exchange"}:
            last[event.subject] = then, event
        if not dry_run:
            store.add_entry(event, _record.readings(then, event))
    found.said = _said(store, taken, last)
    return taken


def _said(store: Store, taken: list[Event], last: Mapping[str, tuple[Site, Event]]) -> list[str]:
    """Return what must be said of each cylinder's last fill or exchange where nothing newer is known, and of a leak."""
    newest: dict[str, datetime] = {}
    for entry in store.entries(["fill", "exchange"]):
        newest[entry.subject] = max(entry.time, newest.get(entry.subject, entry.time))
    said = [
        f"{name}, {local(event.time, site)}: {words}"
        for name, (site, event) in last.items()
        if newest.get(name, event.time) <= event.time
        for words in _record.warnings(site, event)
    ]
    checks = [_record.as_entry(e) for e in taken if e.kind == "leak-check"]
    leak = record.open_leak([*store.entries(["leak-check"]), *checks])
    if checks and leak is not None:
        said.append(f"A leak found on {leak.time:%Y-%m-%d}, and no tight check since. {_record.LEAK}")
    return said


def _with(site: Site, entry: Entry) -> Site:
    if entry.kind not in record.MARKING:
        return site
    from dataclasses import replace

    return replace(site, cylinders=tuple(record.applied(c, entry) for c in site.cylinders))


def _mark(event: Event) -> tuple[Any, ...]:
    payload = {k: round(v, 6) if isinstance(v, float) else v for k, v in event.payload.items() if k != "readings"}
    return event.kind, event.subject, round(event.time.timestamp()), json.dumps(payload, sort_keys=True)


def _say(found: Found, taken: list[Event], *, dry_run: bool, as_json: bool) -> None:
    if as_json:
        print_json(
            {"dry_run": dry_run, "taken": len(taken), "known": found.known, "bad": found.bad,
             "warnings": found.said, "faults": [str(p) for p in found.faults]}
        )  # fmt: skip
        return
    out = console()
    for problem in found.faults:
        out.print(str(problem), markup=False, soft_wrap=True)
    for line in found.said:
        out.print(line, markup=False, soft_wrap=True, style="bold red" if "DANGER" in line or "LEAK" in line else "")
    verb = "Would take" if dry_run else "Took"
    text = f"{verb} {len(taken):,} entries; {found.known:,} were there already; {found.bad:,} lines left out"
    out.print(text + (", listed above." if found.bad else "."), markup=False, soft_wrap=True)
