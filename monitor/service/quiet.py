"""What is lost while nothing may burn, looked at twice an hour at most: it is weeks of nights that it rests on."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from monitor.model.reading import LEVEL_QUANTITIES, Quantity, Reading
from monitor.model.site import Site
from monitor.outlook import record
from monitor.outlook.unexpected import MEMORY, Draw, hours_into, unexpected
from monitor.service.levels import MANY, days_of, of_these

if TYPE_CHECKING:
    from monitor.store import Store

AGAIN = timedelta(minutes=30)
OFTEN = timedelta(minutes=10)
SLOT = timedelta(minutes=30)
HOUR = timedelta(hours=1)


class Quiet:
    """Remembers the last answer for one store and site. Safe to call from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._for: tuple[Path, Site, Mapping[str, datetime]] | None = None
        self._at: datetime | None = None
        self._found: Mapping[str, Draw] = {}

    def now(self, site: Site, store: Store, now: datetime) -> Mapping[str, Draw]:
        """Return the draw in closed hours by cylinder, and of the open ones together as "site".

        Nights before an exchange are another cylinder's: the one that stands there now starts with none.
        """
        with self._lock:
            fresh = self._at is not None and self._at <= now < self._at + AGAIN
            since = record.exchanged(store.entries(record.MARKING), now)
            if not (fresh and self._for == (store.path, site, since)):
                nights = of_these(list(_of_the_nights(site, store, now)), since)
                self._found = unexpected(site, nights, now, _air(store, now))
                self._for, self._at = (store.path, site, since), now
            return self._found


def _of_the_nights(site: Site, store: Store, now: datetime) -> Iterator[Reading]:
    """Level readings of closed hours, one in ten minutes: a fraction of what a month holds."""
    into = hours_into(site)
    if into is None or not site.sensors:
        return
    zone, names = ZoneInfo(site.timezone), {c.name for c in site.cylinders}
    many = len(names) > MANY  # as everywhere then: fewer nights, and what the judgement thins to in any case
    since = now - (min(MEMORY, timedelta(days=days_of(site))) if many else MEMORY)
    hour = since.replace(minute=0, second=0, microsecond=0)
    quantities = sorted({Quantity(s.quantity) for s in site.sensors} & LEVEL_QUANTITIES)
    begun: datetime | None = None
    while hour <= now:
        # a zone may be off by half an hour: an hour counts where either end of it is closed
        closed = any((hour + part).astimezone(zone).hour in into for part in (timedelta(), HOUR / 2))
        if closed and begun is None:
            begun = hour
        if begun is not None and (not closed or hour + HOUR > now):
            for quantity in quantities:
                found = store.readings(
                    since=begun, until=hour + HOUR if closed else hour, quantity=quantity, every=SLOT if many else OFTEN
                )
                yield from (r for r in found if r.subject in names and r.time <= now)
            begun = None
        hour += HOUR


def _air(store: Store, now: datetime) -> tuple[list[datetime], list[float]] | None:
    found = [
        (r.time, r.value)
        for r in store.readings(
            since=now - MEMORY, until=now, subject="site", quantity=Quantity.AIR_TEMPERATURE, every=HOUR
        )
        if r.value is not None
    ]
    return ([t for t, _ in found], [v for _, v in found]) if found else None
