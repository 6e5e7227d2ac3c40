"""Levels from one round to the next: the filter is kept, and only new readings are taken in.

Started afresh, and always with the same answer, where the past or the site changed: a correction, a reading entered
for an earlier time, another valve, another site file.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from monitor.model.filled import KINDS, unweighed
from monitor.model.reading import AHEAD, LEVEL_QUANTITIES, Level, Quantity, Reading
from monitor.model.site import Site
from monitor.outlook import banks, filled, level, record
from monitor.outlook.follow import Follower
from monitor.outlook.sensor_faults import SensorFault

if TYPE_CHECKING:
    from monitor.store import Store

DAYS = 45  # readings older than this no longer say anything about the level now
_MANY_DAYS, MANY = 7, 64  # more cylinders than this: the filter starts from fewer days, so that a start takes seconds
_FINE = timedelta(days=1)  # of older readings one in each half-hour is enough, as the filter takes them in
_SLOT = timedelta(seconds=level.SLOT_S)
_AT_ONCE = 4 * banks.BANK

_OF_THE_LIQUID = LEVEL_QUANTITIES - {Quantity.GROSS_WEIGHT, Quantity.PROPANE_LEFT, Quantity.SHARE_OF_FULL}
_NOWHERE = Site("", 0.0, 0.0, "UTC", (), ())

Air = tuple[Sequence[datetime], Sequence[float]]


@dataclass(frozen=True, slots=True)
class Known:
    """What the levels are, by which valves, and which sensors are not to be trusted."""

    site: Site  # its valves as last read
    levels: tuple[Level, ...]
    faults: tuple[SensorFault, ...]


class Levels:
    """One for a service. Not for two threads at once; a second one waits."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._follower = Follower(_NOWHERE)
        self._number = 0  # of the newest reading that was looked at
        self._at: datetime | None = None
        self._early: list[Reading] = []
        self._since: dict[str, datetime] = {}  # exchanges: what is older tells of another cylinder

    def now(self, site: Site, store: Store, now: datetime, air: Air | None) -> Known:
        """Return the levels at `now` from all that the store holds."""
        with self._lock:
            told = store.entries(record.MARKING)
            site = record.marked(site, told, now)
            since = record.exchanged(told, now)
            other, self._since = since != self._since, since
            site = level.with_valves(site, readings_of(store, site, now, [Quantity.VALVE]), now)
            number = store.newest_number()
            # What is told as a mass is no other for the cold. Given a winter that cools while fuel is used, the filter
            # would take a part of the use for the scale's drift with temperature, and the level for higher than it is.
            air = air if any(r.quantity in _OF_THE_LIQUID for r in store.latest_readings(now + AHEAD)) else None
            if other or not self._went_on(site, store, now, air):
                self._start(site, store, now, air)
            self._number, self._at = number, now
            fills = unweighed(store.entries(KINDS), now)
            levels = filled.raised(self._follower.levels(now), site, fills)
            return Known(site, levels, self._follower.faults())

    def _went_on(self, site: Site, store: Store, now: datetime, air: Air | None) -> bool:
        """Take in what is new; False where it needs a fresh start."""
        if self._follower.site != site or self._at is None or now < self._at:
            return False
        names = {c.name for c in site.cylinders}
        told = (r for r in store.readings_after(self._number) if r.quantity in LEVEL_QUANTITIES and r.subject in names)
        new = [*self._early, *told]
        new = of_these(new, self._since)
        self._early = [r for r in new if r.time > now]  # from a sender whose clock runs ahead a little
        return self._follower.take([r for r in new if r.time <= now], air)

    def _start(self, site: Site, store: Store, now: datetime, air: Air | None) -> None:
        self._follower, self._early = Follower(site), []
        for names in _whole_banks(site):
            readings = of_these(readings_of(store, site, now, sorted(LEVEL_QUANTITIES), names), self._since)
            gone = {r.corrects for r in readings if r.corrects is not None}
            plain = [_uncorrecting(r) for r in readings if r.id not in gone]
            self._early += [r for r in plain if r.time > now]
            self._follower.begin([r for r in plain if r.time <= now], air)


def _whole_banks(site: Site) -> list[list[str] | None]:
    """Cylinders whose readings are taken in together at a start, None = all: a week of a thousand is much memory."""
    if len(site.cylinders) <= banks.LARGEST:
        return [None]
    names = [c.name for c in site.cylinders]
    return [names[k : k + _AT_ONCE] for k in range(0, len(names), _AT_ONCE)]


def of_these(readings: Sequence[Reading], since: Mapping[str, datetime]) -> list[Reading]:
    """Leave out what was read of a cylinder that was exchanged since; `since` as of `record.exchanged`."""
    return [r for r in readings if r.subject not in since or r.time >= since[r.subject]]


def _uncorrecting(reading: Reading) -> Reading:
    """The reading as if it had been the first: what it corrects has been left out already."""
    return replace(reading, corrects=None) if reading.corrects is not None else reading


def days_of(site: Site) -> float:
    """How many days back a fresh start looks: 45, less by the number of cylinders where there are very many."""
    return max(_MANY_DAYS, DAYS * min(1.0, MANY / max(len(site.cylinders), 1)))


def readings_of(
    store: Store, site: Site, now: datetime, quantities: Sequence[Quantity], some: Sequence[str] | None = None
) -> list[Reading]:
    """Readings of the site's cylinders: the last day's all, of older ones one of a source in each half-hour.

    Of very many cylinders the last day's are thinned as well: at a reading a minute they would be millions. `some` are
    the cylinders asked about, where not all are.
    """
    names = {c.name for c in site.cylinders}
    asked: Sequence[str | None] = (None,) if some is None else some
    fine = now - _FINE
    begin = now - timedelta(days=days_of(site))
    found = []
    for quantity in quantities:
        if len(names) > MANY and quantity is not Quantity.VALVE:
            each = [r for n in asked for r in store.readings(since=begin, subject=n, quantity=quantity, every=_SLOT)]
            found += sorted(each, key=lambda r: (r.time, r.id or 0))
            continue
        found += store.readings(since=begin, until=fine, quantity=quantity, every=_SLOT)
        found += store.readings(since=fine, quantity=quantity)
    # The newest word on a level or a valve counts however old it is: an old value with its age, never "no value".
    wanted = {str(q) for q in quantities}
    oldest = begin
    found += [r for r in store.latest_readings(now + AHEAD) if str(r.quantity) in wanted and r.time < oldest]
    wanted_names = names if some is None else names.intersection(some)
    return [r for r in found if r.subject in wanted_names]
