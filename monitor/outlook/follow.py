"""The level filter kept from one outlook to the next, so that only new readings have to be taken in.

`level.estimate` starts from nothing each time, which is right for a command and heavy for a service that has a reading
a minute from each of several sensors over weeks. A `Follower` gives the same levels.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from datetime import datetime

from monitor.model.reading import Level, Reading
from monitor.model.site import Site
from monitor.outlook import level
from monitor.outlook.sensor_faults import SensorFault, faults
from monitor.outlook.sensor_state import Observation
from monitor.outlook.tracker import Event

SLACK_D = 0.02  # readings this much out of order are left out rather than starting again


class Follower:
    """Filter of one site as its file stands; make a new one when the site, a valve or the past changes."""

    def __init__(self, site: Site) -> None:
        """Begin with nothing read."""
        self.site = site
        self._filter = level.tracker(site)
        self._slots: dict[str, int] = {}

    def take(self, readings: Sequence[Reading], air: level.Air | None = None) -> bool:
        """Take in readings that came since the last call, in any order.

        Returns False, and takes in nothing, where one corrects an earlier reading or is older than what was taken in:
        then start a new Follower with all of them. `air` (times, K) as in `level.estimate`.
        """
        if any(r.corrects is not None for r in readings):
            return False
        seen = level.observations(self.site, readings, air)
        now_d = self._filter.time_d
        if seen and now_d is not None and seen[0].time_d < now_d - SLACK_D:
            return False
        self._add(seen)
        return True

    def begin(self, readings: Sequence[Reading], air: level.Air | None = None) -> None:
        """Take in, of a fresh start, readings of some whole banks (see `banks`), in any order; none corrects another.

        Bank after bank is what all at once would be, and needs memory for one alone.
        """
        self._add(level.observations(self.site, readings, air))

    def _add(self, seen: Sequence[Observation]) -> None:
        for one in seen:
            slot = int(one.time_d * level.DAY_S // level.SLOT_S)
            if not one.manual and self._slots.get(one.sensor) == slot:
                continue
            self._slots[one.sensor] = slot
            self._filter.add(one)

    def levels(self, at: datetime) -> tuple[Level, ...]:
        """What each cylinder holds at `at`, not before the newest reading; the filter itself stays where it is."""
        ahead = copy.deepcopy(self._filter)
        if ahead.time_d is not None:
            ahead.advance(level.days(at))
        return level.levels(ahead, self.site, at)

    def faults(self) -> tuple[SensorFault, ...]:
        """Sensors that are stuck, drifting or dying."""
        return faults(self._filter)

    def events(self) -> tuple[Event, ...]:
        """Refills and drops noticed so far."""
        return tuple(self._filter.events)
