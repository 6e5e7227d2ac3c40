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
    planned_refill: datetime | None = None
    leak_found: datetime | None = None  # and no tight check since


def dates(site: Site, entries: Iterable[Entry], now: datetime) -> Dates:
    """Return the dates at `now`. `entries` are those in force."""
    every = list(entries)
    so_far = [e for e in every if e.time <= now]
    plans = [e for e in every if e.kind == PLANNED]
    newest = max(plans, key=lambda e: e.id or 0, default=None)
    planned = newest.time if newest is not None and newest.time > now else None
    leak = record.open_leak(so_far)
    found = None if leak is None else leak.time
    return Dates(record.requalify_by(site, so_far, now), record.leak_checked(so_far), planned, found)
