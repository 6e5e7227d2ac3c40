"""The level filter of a site with very many cylinders: banks of them, each with a filter of its own.

One filter's covariance has a row and a column for every cylinder and two for every sensor, so a reading costs by the
square of their number: right for a household, hours of work a minute for a thousand cylinders. Here the cylinders are
parted, in the site's order, into banks. Within a bank everything is as in `Tracker`; between banks only that the
burn adds up is kept, not how one bank's readings tell of another's burn. Of a bank that is never read the burn is
the first guess then. A household's site is far below the size at which this begins.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from monitor.outlook.draw import Feed, Series
from monitor.outlook.sensor_state import Observation
from monitor.outlook.tracker import Event, Guess, Tracker

LARGEST = 64  # cylinders in one filter
BANK = 32  # cylinders in a bank where there are more


class Banked:
    """Several filters that are asked and told as one; cylinders are numbered as in the site."""

    def __init__(self, feed: Feed, guess: Guess) -> None:
        """Part the cylinders; each bank's first guess is its part of the supply's, by wall at half full."""
        self.feed = feed
        share = feed.shares(0.5 * feed.full_kg)
        self.most_kg_d = guess.most_kg_d
        self._parts: list[Tracker] = []
        for first in range(0, len(feed.names), BANK):
            inside = slice(first, first + BANK)
            part = float(share[inside].sum())
            its = replace(guess, burn_kg_d=part * guess.burn_kg_d, burn_sd_kg_d=part * guess.burn_sd_kg_d)
            self._parts.append(Tracker(_part(feed, inside), its))

    def banks(self) -> list[tuple[int, Tracker]]:
        """Return each filter with the site's number of its first cylinder."""
        return [(k * BANK, part) for k, part in enumerate(self._parts)]

    @property
    def time_d(self) -> float | None:
        """Days since 1970 of the newest observation, None before the first."""
        return max((p.time_d for p in self._parts if p.time_d is not None), default=None)

    @property
    def events(self) -> list[Event]:
        """Refills and drops noticed so far, in the order in which they were noticed."""
        found = [replace(e, cylinder=e.cylinder + first) for first, part in self.banks() for e in part.events]
        return sorted(found, key=lambda e: e.noticed_d)

    def add(self, seen: Observation) -> Event | None:
        """Take in one observation, as `Tracker.add`."""
        bank, inside = divmod(seen.cylinder, BANK)
        event = self._parts[bank].add(replace(seen, cylinder=inside))
        return None if event is None else replace(event, cylinder=seen.cylinder)

    def advance(self, time_d: float) -> None:
        """Predict to `time_d`; a bank that was never read stays where it is."""
        for part in self._parts:
            if part.time_d is not None:
                part.advance(time_d)

    def level(self, i: int) -> tuple[float, float]:
        """Propane left in cylinder `i` now (kg) and its standard deviation."""
        bank, inside = divmod(i, BANK)
        return self._parts[bank].level(inside)

    def burn(self) -> tuple[float, float]:
        """Burn of the whole supply (kg/day) and its standard deviation, the banks' errors independent."""
        parts = [part.burn() for part in self._parts]
        return sum(mean for mean, _ in parts), math.hypot(*(sd for _, sd in parts))

    def used(self) -> float:
        """Fuel burnt since the filters began (kg), refills not counted."""
        return sum(part.used() for part in self._parts)


def _part(feed: Feed, inside: slice) -> Feed:
    def of(values: Series) -> Series:
        return np.ascontiguousarray(values[inside])

    return Feed(
        feed.names[inside], feed.open[inside], feed.first[inside], of(feed.full_kg), of(feed.grid_kg), of(feed.wall_m2)
    )
