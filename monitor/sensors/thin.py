"""The rule by which a sensor that talks too much is thinned, so that it neither fills the disk nor delays another.

A sensor may store a reading every 60th of its stated interval, at most every minute and at least every second, and a
burst of 30 on top. Beyond that only the newest is kept back until its turn comes; those it replaced are dropped and
counted. The last word of a burst is therefore always stored. Not thread-safe: one thread owns it.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Generic, TypeVar

BURST = 30.0
_SHARE = 60.0
_LEAST_S, _MOST_S = 1.0, 60.0

Key = TypeVar("Key", bound=Hashable)
Item = TypeVar("Item")


def gap_s(interval_s: float, *, switch: bool = False) -> float:
    """Return the time (s) between stored readings of a sensor with a stated interval, once its burst is used up.

    A switch (a valve, a gas detector) is never held back longer than the least time.
    """
    return _LEAST_S if switch else min(max(interval_s / _SHARE, _LEAST_S), _MOST_S)


@dataclass(slots=True)
class _Bucket(Generic[Item]):
    gap_s: float
    tokens: float
    at_s: float
    held: Item | None = None
    held_s: float = 0.0

    def take(self, at_s: float) -> bool:
        self.tokens = min(BURST, self.tokens + max(0.0, at_s - self.at_s) / self.gap_s)
        self.at_s = max(at_s, self.at_s)
        if self.tokens < 1.0:
            return False
        self.tokens -= 1.0
        return True


class Thinner(Generic[Key, Item]):
    """Keeps a bucket a key.

    A reading counts by the time at which it was measured, so that what queued while the service was away is not
    mistaken for a flood; what is held back comes free by the clock.
    """

    def __init__(self) -> None:
        self._buckets: dict[Key, _Bucket[Item]] = {}
        self.dropped = 0

    def offer(
        self, key: Key, item: Item, gap_s: float, measured_s: float, now_s: float
    ) -> tuple[Item | None, Item | None]:
        """Return (what to store now, what was dropped for good); the first is None where `item` is held back."""
        bucket = self._buckets.get(key)
        if bucket is None:
            bucket = self._buckets[key] = _Bucket(gap_s, BURST, measured_s)
        before, bucket.held = bucket.held, None
        if before is not None:
            self.dropped += 1
        if bucket.take(measured_s):
            return item, before
        if before is None:
            bucket.held_s = now_s
        elif now_s - bucket.held_s >= bucket.gap_s:
            bucket.held_s = now_s
            return item, before
        bucket.held = item
        return None, before

    def ripe(self, now_s: float, *, all_of_them: bool = False) -> list[Item]:
        """Return what was held back and may be stored now (at the end of a run: all of it)."""
        found = []
        for bucket in self._buckets.values():
            if bucket.held is not None and (all_of_them or now_s - bucket.held_s >= bucket.gap_s):
                found.append(bucket.held)
                bucket.held = None
        return found

    @property
    def holding(self) -> int:
        """Number of items held back."""
        return sum(bucket.held is not None for bucket in self._buckets.values())
