"""What the gas costs, kept from one request to the next: the use of years of days is worked out anew only for a cause.

What can change it is looked up each time, by a few steps into the indices: the site, the newest entry of the record,
the newest reading of each source (of a sensor by the two hours in which it was read, of a hand exactly), corrections,
and readings that came in late. So a sensor's reading a minute shows within two hours, and what a person does at once,
but for a reading that is dated back by less than four hours and is not the newest: that, too, within two.
"""

from __future__ import annotations

import threading
from collections.abc import Hashable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.model.reading import AHEAD, BY_HAND, LEVEL_QUANTITIES, Quantity
from monitor.store import Store

if TYPE_CHECKING:
    from monitor.commands._cost import Money
    from monitor.model.site import Site

_TOLD_BY = LEVEL_QUANTITIES | {Quantity.AIR_TEMPERATURE}


@dataclass(frozen=True, slots=True)
class _Kept:
    site: Site
    mark: Hashable
    number: int  # of the newest reading that is in it
    since: datetime  # what was read before and came in after `number` is late
    money: Money


class Costs:
    """One answer, of the store that was asked for last. Any thread may ask; a second one waits for the first's answer.

    `made` counts how often it was worked out.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: _Kept | None = None
        self.made = 0

    def money(self, site: Site, path: Path, now: datetime) -> Money:
        """Return the cost as `boiloff cost` works it out, at most two hours old where only sensors read since."""
        from monitor.commands import _cost

        with self._lock, Store.open(path, readonly=True) as store:
            number, mark = store.newest_number(), _mark(store, path, now)  # first: what comes meanwhile counts as new
            kept = self._kept
            same = kept is not None and kept.mark == mark and kept.site == site
            if kept is not None and same and not store.rewritten(kept.number, kept.since):
                return kept.money
            found = _cost.money(site, store, now)
            self._kept = _Kept(site, mark, number, now - 2 * _cost.SLOT, found)
            self.made += 1
            return found


def _mark(store: Store, path: Path, now: datetime) -> Hashable:
    """What differs where the answer may differ, but for late readings and corrections."""
    from monitor.commands._cost import SLOT

    def slot(time: datetime) -> int:
        return int(time.timestamp() // SLOT.total_seconds())

    newest = frozenset(
        (r.source, r.subject, r.quantity, r.id if r.source.startswith(BY_HAND) else slot(r.time))
        for r in store.latest_readings(now + AHEAD)
        if r.quantity in _TOLD_BY
    )
    return path, path.stat().st_ino, slot(now), store.newest_entry(), newest
