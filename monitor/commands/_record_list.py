"""The record as a list, what falls due, and taking an entry back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.commands import _record, _record_kinds
from monitor.commands._print import console, print_json
from monitor.commands._reading import local
from monitor.model.errors import BadInput, Problem
from monitor.model.site import Site
from monitor.service.due import reminders
from monitor.site import find, load
from monitor.store.record import Event

LAST = 5  # entries shown where no number was given


def told(event: Event, site: Site) -> str:
    """Return what an entry says, in one line, in the household's units."""
    return _record_kinds.told(event.payload, site.units, site.settings.get("cost.currency") or "")


def show(subject: str | None, asked: _record.Asked, limit: int, *, everything: bool) -> None:
    """Print the newest entries, the newest first; with `everything` those taken back as well."""
    from monitor import store as database
    from monitor.store import place

    site = load(find(asked.site))
    if subject is not None:
        names = {c.name.casefold(): c.name for c in site.cylinders} | {"site": "site"}
        if subject.casefold() not in names:
            hint = f"one of: {', '.join(names.values())}"
            raise BadInput(Problem("cylinder", f'"{subject}"', "the name of a cylinder, or site", hint))
        subject = names[subject.casefold()]
    with database.Store.open(database.find(site, asked.store)) as opened:
        place.warn(opened, site)
        in_force = {e.id for e in opened.events(subject=subject)}
        events = opened.events(subject=subject, include_undone=everything)[-limit:]
    if asked.json:
        print_json([_record.jsonable(e) | {"in_force": e.id in in_force} for e in reversed(events)])
        return
    _table(site, list(reversed(events)), in_force)


def _table(site: Site, events: Sequence[Event], in_force: set[int | None], *, error: bool = False) -> None:
    from rich.table import Table
    from rich.text import Text

    out = console(error=error)
    if not events:
        out.print("Nothing in the record yet.")
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in ("No.", "Time", "Of", "What", "Told"):
        table.add_column(head, overflow="fold")
    for e in events:
        kind = _record_kinds.KINDS.get(e.kind)
        what = kind.title if kind else e.kind
        if e.undoes is not None:
            what = f"Undo of {e.undoes}"
        elif e.id not in in_force:
            what += " (taken back)"
        cells = (str(e.id), local(e.time, site), "" if e.subject == "site" else e.subject, what, told(e, site))
        table.add_row(*(Text(cell) for cell in cells))
    out.print(table)


def _which(site: Site, asked: _record.Asked) -> BadInput:
    """What is wrong where no number was given; the newest entries that can be taken back go before it."""
    from monitor import store as database

    path = database.find(site, asked.store)
    events: list[Event] = []
    if path.exists():
        with database.Store.open(path, readonly=True) as opened:
            events = opened.events()
    if not events:
        return BadInput(Problem("undo", "no number", "the number of an entry", "nothing is in the record yet"))
    newest = sorted(events, key=lambda e: e.id or 0, reverse=True)[:LAST]
    _table(site, newest, {e.id for e in newest}, error=True)
    hint = "above are the newest, `boiloff record list --all` has every one"
    example = f"the number of an entry (No.), such as `boiloff record undo {newest[0].id}`"
    return BadInput(Problem("undo", "no number", example, hint))


def undo(number: int | None, why: str, asked: _record.Asked) -> None:
    """Take an entry back by a new one, with the readings that it told."""
    from monitor import store as database
    from monitor.store import place

    site = load(find(asked.site))
    if number is None:
        raise _which(site, asked)
    with database.Store.open(database.find(site, asked.store)) as opened:
        place.require(opened, site)
        made = opened.undo_event(number, datetime.now(UTC), why)
        new, old = opened.event(made), opened.event(number)
    if new is None or old is None:
        raise BadInput(Problem("undo", str(number), "the number of an entry"))
    if asked.json:
        print_json(_record.jsonable(new))
        return
    what = f"the undo of {old.undoes}" if old.undoes is not None else f"{old.kind} of {local(old.time, site)}"
    text = f"Entry {number} ({what}) is taken back by entry {made}. `boiloff record undo {made}` brings it back."
    console().print(text, markup=False, soft_wrap=True)


def due(asked: _record.Asked) -> None:
    """Print what falls due."""
    from monitor import store as database
    from monitor.store import place

    site, now = load(find(asked.site)), datetime.now(UTC)
    with database.Store.open(database.find(site, asked.store)) as opened:
        place.warn(opened, site)
        found = reminders(site, opened.entries(), now)
    if asked.json:
        rows: list[dict[str, Any]] = [
            {"what": d.what, "by": d.by.isoformat() if d.by else None, "overdue": d.by <= now if d.by else None}
            for d in found
        ]
        print_json(rows)
        return
    for d in found:
        when = "no date known"
        if d.by is not None:
            day = d.by if d.month else d.by.astimezone(ZoneInfo(site.timezone))  # a stamp's month is of no time zone
            when = f"by {day:%Y-%m-%d}"
        late = "OVERDUE: " if d.by is not None and d.by <= now else ""
        console().print(f"{late}{d.what}: {when} ({d.hint})", markup=False, soft_wrap=True)
