"""Dates that the record and the site file hold: requalification, the last leak check, a refill that someone planned."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from monitor.model.entry import Entry
from monitor.model.site import Site

PLANNED = "planned-refill"  # an entry whose time is that of the refill: the newest word counts, an undone one does not


@dataclass(frozen=True, slots=True)
class Dates:
    """What is known; what is not in the record is left out."""

    requalify_by: Mapping[str, datetime] = field(default_factory=dict)
    leak_checked: datetime | None = None
    planned_refill: datetime | None = None


def dates(site: Site, entries: Iterable[Entry], now: datetime) -> Dates:
    """Return the dates at `now`. `entries` are those in force."""
    every = list(entries)
    checks = [e.time for e in every if e.kind == "leak-check" and e.payload.get("result") == "tight" and e.time <= now]
    plans = [e for e in every if e.kind == PLANNED]
    newest = max(plans, key=lambda e: e.id or 0, default=None)
    planned = newest.time if newest is not None and newest.time > now else None
    return Dates(requalify_by(site), max(checks, default=None), planned)


def requalify_by(site: Site) -> dict[str, datetime]:
    """Return by when each cylinder must be requalified, from the dates and the interval that the site file states."""
    found = {}
    for cylinder in site.cylinders:
        stamped = cylinder.marks.get("requalified") or cylinder.marks.get("manufactured")
        every = cylinder.marks.get("requalify_every")
        month = _month(stamped)
        if month is not None and isinstance(every, int | float):
            found[cylinder.name] = month + timedelta(seconds=float(every))
    return found


def _month(text: object) -> datetime | None:
    try:
        return datetime.strptime(str(text)[:7], "%Y-%m").replace(tzinfo=UTC)
    except ValueError:
        return None
