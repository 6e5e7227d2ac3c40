"""What a page needs, read from the store in one go by a thread, so that the event loop never waits for a disk."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from monitor.model import filled
from monitor.model.alert import AlertState, Notice
from monitor.model.entry import Entry
from monitor.model.health import SourceHealth
from monitor.model.reading import AHEAD, Reading
from monitor.model.site import Site
from monitor.outlook import record
from monitor.outlook.level import with_valves
from monitor.service import due
from monitor.store import Store

T = TypeVar("T")
STANDING = frozenset({"unacknowledged", "acknowledged", "returned", "shelved", "suppressed"})


@dataclass(frozen=True, slots=True)
class Facts:
    """One consistent look at the store."""

    now: datetime
    payload: Mapping[str, Any] | None = None
    health: Mapping[str, SourceHealth] = field(default_factory=dict)
    alerts: Mapping[str, AlertState] = field(default_factory=dict)
    notices: Sequence[Notice] = ()
    newest: Sequence[Reading] = ()
    stamps: Sequence[Entry] = ()  # exchanges and marks
    entries: Sequence[Entry] = ()  # fills, exchanges and planned refills

    def standing(self) -> list[AlertState]:
        """Return the alerts that are not normal, the most recent first."""
        return sorted((a for a in self.alerts.values() if a.state in STANDING), key=lambda a: a.since, reverse=True)


def _look(path: Path, now: datetime, health: Mapping[str, SourceHealth] | None) -> Facts:
    with Store.open(path, readonly=True) as store:
        return Facts(
            now=now,
            payload=store.latest_outlook(),
            health=store.health() if health is None else {**store.health(), **health},
            alerts=store.alert_states(),
            notices=store.notices(limit=50),
            newest=store.latest_readings(now + AHEAD),
            stamps=store.entries(record.MARKING),
            entries=store.entries((*filled.KINDS, due.PLANNED)),
        )


def in_file(site: Site, facts: Facts) -> Facts:
    """Return the facts without forecast sources and sensors that the site file names no more: they fail no more."""
    named = {("forecast", w.kind) for w in site.weather} | {("sensor", s.name) for s in site.sensors}
    kept = {
        name: entry
        for name, entry in facts.health.items()
        if entry.kind not in {"forecast", "sensor"} or (entry.kind, entry.name) in named
    }
    return replace(facts, health=kept)


def as_it_stands(site: Site, facts: Facts) -> Site:
    """Return the site with the cylinders that stand there by the record, and its valves as last read."""
    return with_valves(record.marked(site, facts.stamps, facts.now), facts.newest, facts.now)


async def facts(path: Path, now: datetime, health: Mapping[str, SourceHealth] | None = None) -> Facts:
    """Look at the store in a thread."""
    return await asyncio.to_thread(_look, path, now, health)


async def ask(path: Path, what: Callable[[Store], T]) -> T:
    """Run one query on a read-only store in a thread."""

    def work() -> T:
        with Store.open(path, readonly=True) as store:
            return what(store)

    return await asyncio.to_thread(work)
