"""Fills that were entered without a weight: which of them stand, and what has to be said of their levels."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.model.entry import Entry
from monitor.model.site import Site

KINDS = ("fill", "exchange")  # of entries that `unweighed` looks at


def unweighed(entries: Iterable[Entry], at: datetime) -> dict[str, datetime]:
    """Return when each cylinder was last filled without a weight, up to `at`; `entries` are those in force.

    A fill that was weighed, or said to be to the limit, told a reading and is left out; so is what came before an
    exchange: that was another cylinder.
    """
    found: dict[str, datetime] = {}
    for entry in sorted((e for e in entries if e.kind in KINDS and e.time <= at), key=lambda e: (e.time, e.id or 0)):
        weighed = entry.payload.get("readings") or entry.payload.get("after_gross_kg") is not None
        if entry.kind == "fill" and not weighed:
            found[entry.subject] = entry.time
        else:
            found.pop(entry.subject, None)
    return found


def words(name: str, filled: datetime, site: Site, *, read: bool = True) -> str:
    """Return what has to be said wherever such a level is shown; `read`: whether anything was read before the fill."""
    day = f"{filled.astimezone(ZoneInfo(site.timezone)):%d %b}".lstrip("0")
    level = "the level shown is half-way between what was in it before and full" if read else "it counts as empty"
    return (
        f"{name}: filled {day}, not weighed since: {level}. Weigh it, cylinder and gas, and enter "
        f'`boiloff reading {name} --weighs "{"38.1 lb" if site.units == "us" else "17.3 kg"}"`'
    )
