"""The last step of every way in: thinned by rule, doubles dropped, health told, then on to the store.

One thread owns a gate. `done` of each thing offered is called exactly once: when it is durable, or was dropped.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from datetime import datetime

from monitor.model.reading import Reading, SetAside
from monitor.model.site import SensorSpec
from monitor.sensors.condition import Clock, Condition
from monitor.sensors.plausible import SWITCHES
from monitor.sensors.thin import Thinner, gap_s

Done = Callable[[], None]
OnReading = Callable[[Reading, Done], None]
OnSetAside = Callable[[SetAside, Done], None]
Decode = Callable[[datetime], list[Reading | SetAside]]  # given when it was received

_SWITCHES = frozenset(quantity.value for quantity in SWITCHES)
_SEEN = 256  # of a sensor's latest readings with a time of their own, kept to know a double
_ASIDE_GAP_S = 60.0  # one set aside in this time is kept of a sensor that sends nothing else, after a burst


def nothing() -> None:
    """Do nothing: the `done` of what needs no acknowledgement."""


class Gate:
    """Takes what was decoded, hands on what is to be stored."""

    def __init__(
        self, clock: Clock, on_reading: OnReading, on_set_aside: OnSetAside, conditions: Mapping[str, Condition]
    ) -> None:
        self._clock = clock
        self._on_reading = on_reading
        self._on_set_aside = on_set_aside
        self._conditions = conditions
        self._untimed: Thinner[str, tuple[SensorSpec, Decode, Done, datetime]] = Thinner()
        self._timed: Thinner[str, tuple[Reading, Done]] = Thinner()
        self._aside: Thinner[str, SetAside] = Thinner()
        self._seen: dict[str, OrderedDict[tuple[datetime, float | None], None]] = {}
        self.doubles = 0

    @property
    def thinned(self) -> int:
        """Number of readings dropped because their sensor talks too much."""
        return self._untimed.dropped + self._timed.dropped

    def offer(self, spec: SensorSpec, decode: Decode, done: Done = nothing, *, timed: bool = False) -> None:
        """Take one message. Without a time of its own (`timed` False) it is decoded only where it will be stored."""
        received = self._clock.now()
        if timed:
            self._decode(spec, decode, done, received, timed=True)
            return
        now_s = self._clock.monotonic()
        go, dropped = self._untimed.offer(spec.name, (spec, decode, done, received), _gap(spec), now_s, now_s)
        if dropped is not None:
            dropped[2]()
        if go is not None:
            self._decode(*go)

    def look(self, *, all_of_them: bool = False) -> None:
        """Hand on what was held back and whose turn has come. Called now and then, and at the end for all."""
        now_s = self._clock.monotonic()
        for item in self._untimed.ripe(now_s, all_of_them=all_of_them):
            self._decode(*item)
        for reading, done in self._timed.ripe(now_s, all_of_them=all_of_them):
            self._store(reading, done)
        for aside in self._aside.ripe(now_s, all_of_them=all_of_them):
            self._on_set_aside(aside, nothing)

    def _decode(self, spec: SensorSpec, decode: Decode, done: Done, received: datetime, *, timed: bool = False) -> None:
        found = decode(received)
        if not found:
            done()
            return
        each = done if len(found) == 1 else _last_of(len(found), done)
        for item in found:
            if isinstance(item, SetAside):
                self._put_aside(item, each)
            elif timed:
                self._take_timed(spec, item, each)
            else:
                self._store(item, each)

    def _take_timed(self, spec: SensorSpec, reading: Reading, done: Done) -> None:
        if reading.time != reading.received and self._is_double(reading):
            self.doubles += 1
            done()
            return
        measured_s, now_s = reading.time.timestamp(), self._clock.monotonic()
        go, dropped = self._timed.offer(spec.name, (reading, done), _gap(spec), measured_s, now_s)
        if dropped is not None:
            dropped[1]()
        if go is not None:
            self._store(*go)

    def _is_double(self, reading: Reading) -> bool:
        seen = self._seen.setdefault(reading.source, OrderedDict())
        mark = (reading.time, reading.value)
        if mark in seen:
            return True
        seen[mark] = None
        if len(seen) > _SEEN:
            seen.popitem(last=False)
        return False

    def _store(self, reading: Reading, done: Done) -> None:
        condition = self._conditions.get(reading.source)
        if condition is not None:
            condition.works()
        self._on_reading(reading, done)

    def _put_aside(self, item: SetAside, done: Done) -> None:
        condition = self._conditions.get(item.source)
        if condition is not None:
            condition.fails(f"what it sends cannot be used: {item.reason}")
        now_s = self._clock.monotonic()
        go, _ = self._aside.offer(item.source, item, _ASIDE_GAP_S, now_s, now_s)
        if go is not None:
            self._on_set_aside(go, done)
        else:
            done()  # rubbish that is held back must not hold up the broker


def _gap(spec: SensorSpec) -> float:
    return gap_s(spec.interval_s, switch=spec.quantity in _SWITCHES)


def _last_of(count: int, done: Done) -> Done:
    """Return a function that calls `done` when it has been called `count` times, from any thread."""
    lock = threading.Lock()
    left = [count]

    def one() -> None:
        with lock:
            left[0] -= 1
            last = left[0] == 0
        if last:
            done()

    return one
