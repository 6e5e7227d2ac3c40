"""Dates that the record and the site file hold: requalification, leak checks, parts by age, a refill planned."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.model.entry import Entry
from monitor.model.site import Site
from monitor.outlook import record

PLANNED = "planned-refill"  # an entry whose time is that of the refill: the newest word counts, an undone one does not
PARTS = {"regulator": "record.regulator_every", "hose": "record.hose_every"}  # kinds of entry: settings of their age


@dataclass(frozen=True, slots=True)
class Due:
    """Something that falls due; `by` None = no date is known. `month`: its date is that of a stamp, without a day."""

    what: str
    by: datetime | None
    hint: str = ""
    month: bool = False


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


def reminders(site: Site, entries: Iterable[Entry], now: datetime) -> list[Due]:
    """Return all that falls due, the soonest first, what has no date at the end. `entries` are those in force."""
    every = list(entries)
    so_far = [e for e in every if e.time <= now]
    found = [_leak_check(site, so_far)]
    by = record.requalify_by(site, so_far, now)
    for c in site.cylinders:
        hint = "after this it may not be filled" if c.name in by else f"`boiloff record marks {c.name}` tells its dates"
        found.append(Due(f"requalification of {c.name}", by.get(c.name), hint, month=True))
    found += _parts(site, so_far)
    for subject, plan in planned(every, now).items():
        whose = "" if subject == "site" else f" of {subject}"
        hint = f"{plan.time.astimezone(ZoneInfo(site.timezone)):%Y-%m-%d %H:%M %Z}"
        if whose and len(site.cylinders) > 1:
            hint += "; of this cylinder alone: the warning of a run-out does not go by it"
        found.append(Due(f"planned refill{whose}", plan.time, hint))
    return sorted(found, key=lambda d: d.by or datetime.max.replace(tzinfo=UTC))


def _leak_check(site: Site, so_far: Sequence[Entry]) -> Due:
    leak = record.open_leak(so_far)
    if leak is not None:
        return Due("a check that finds the leak mended", leak.time, "a leak was found and no tight check since")
    checked = record.leak_checked(so_far)
    every = timedelta(seconds=float(site.settings.get("alerts.leak_check") or record.YEAR_S))
    return Due("leak check", None if checked is None else checked + every, "`boiloff record leak-check`")


def _parts(site: Site, so_far: Sequence[Entry]) -> list[Due]:
    found = []
    for kind, key in PARTS.items():
        span = site.settings.get(key)
        last = max((_made(e) for e in so_far if e.kind == kind), default=None)
        if span and last is not None:
            found.append(Due(f"{kind} replacement", last + timedelta(seconds=float(span)), "as its maker says"))
        elif span:
            found.append(Due(f"{kind} replacement", None, f"`boiloff record {kind}` tells when it was replaced"))
    return found


def _made(entry: Entry) -> datetime:
    """When a part was made, else when it was fitted: its age counts from the earlier."""
    made = entry.payload.get("made")
    if not made:
        return entry.time
    return min(entry.time, datetime.strptime(str(made), "%Y-%m").replace(tzinfo=UTC))
