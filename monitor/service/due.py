"""Dates that the record and the site file hold: requalification, the last leak check, a refill that someone planned."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from monitor.model.entry import Entry
from monitor.model.site import Site
from monitor.outlook import record

PLANNED = "planned-refill"  # an entry whose time is that of the refill: the newest word counts, an undone one does not


@dataclass(frozen=True, slots=True)
class Dates:
    """What is known; what is not in the record is left out."""

    requalify_by: Mapping[str, datetime] = field(default_factory=dict)
    leak_checked: datetime | None = None
    planned_refill: datetime | None = None  # of the whole site: one cylinder's does not end what the others run out of
    leak_found: datetime | None = None  # and no tight check since


def planned(entries: Iterable[Entry], now: datetime) -> dict[str, Entry]:
    """Return the plan in force, by cylinder and "site", where it is still to come; the newest word on each counts."""
    newest: dict[str, Entry] = {}
    for entry in sorted((e for e in entries if e.kind == PLANNED), key=lambda e: e.id or 0):
        newest[entry.subject] = entry
    return {subject: entry for subject, entry in newest.items() if entry.time > now}


def dates(site: Site, entries: Iterable[Entry], now: datetime) -> Dates:
    """Return the dates at `now`. `entries` are those in force."""
    every = list(entries)
    so_far = [e for e in every if e.time <= now]
    plans = planned(every, now)
    whole = plans.get("site") or (plans.get(site.cylinders[0].name) if len(site.cylinders) == 1 else None)
    refill = None if whole is None else whole.time
    leak = record.open_leak(so_far)
    found = None if leak is None else leak.time
    return Dates(record.requalify_by(site, so_far, now), record.leak_checked(so_far), refill, found)
