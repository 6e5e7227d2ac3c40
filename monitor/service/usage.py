"""What the household burns, learnt from weeks of levels and looked at again every few hours at most.

One function for the service's round, `boiloff outlook`, `boiloff plan` and the page, so that all tell the same run-out.
"""

from __future__ import annotations

import threading
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from monitor import outlook
from monitor.model.reading import LEVEL_QUANTITIES, Quantity
from monitor.model.site import Site
from monitor.outlook import record
from monitor.outlook.use import Use
from monitor.service.levels import days_of, of_these

if TYPE_CHECKING:
    from monitor.store import Store

AGAIN = timedelta(hours=3)
HOUR = timedelta(hours=1)


class Usage:
    """Remembers the last answer for one store and site. Safe to call from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._for: tuple[Path, Site] | None = None
        self._at: datetime | None = None
        self._found: Use | None = None

    def now(self, site: Site, store: Store, now: datetime) -> Use | None:
        """Return the use learnt up to `now`, of a site with its valves as they stand; None where nothing was read."""
        with self._lock:
            fresh = self._at is not None and self._at <= now < self._at + AGAIN
            if not (fresh and self._for == (store.path, site)):
                self._found = learn(site, store, now)
                self._for, self._at = (store.path, site), now
            return self._found


def learn(site: Site, store: Store, now: datetime) -> Use | None:
    """Learn the use from the last weeks' levels, one reading of a source in each hour, and the yard's own air."""
    since = now - timedelta(days=days_of(site))
    names = {c.name for c in site.cylinders}
    readings = [
        r
        for quantity in sorted(LEVEL_QUANTITIES)
        for r in store.readings(since=since, until=now, quantity=quantity, every=HOUR)
        if r.subject in names
    ]
    readings = of_these(readings, record.exchanged(store.entries(record.MARKING), now))
    if not readings:
        return None
    air = [
        (r.time, r.value)
        for r in store.readings(since=since, until=now, subject="site", quantity=Quantity.AIR_TEMPERATURE, every=HOUR)
        if r.value is not None
    ]
    return outlook.learn_use(site, readings, now, ([t for t, _ in air], [v for _, v in air]) if air else None)
