"""When the outlook is made again: soon after a change that matters, else every ten minutes at most, each hour anyhow.

A sensor that talks every few seconds must not keep the board busy and the disk wearing; a cylinder just swapped, a
valve just closed or a forecast just in must not wait. On a site so large that an outlook takes long, the rest grows in
proportion; the first change that matters is taken at once even then.
"""

from __future__ import annotations

import asyncio
import threading
import time
from datetime import datetime, timedelta

from monitor.service.clock import Clock

GAP_S = 600.0  # between two outlooks made for ordinary readings
GATHER_S = 2.0  # after a change that matters: what comes with it is taken along
SHARE = 6.0  # the rest after an outlook is at least so many times as long as it took: a seventh of a core at most
SOON_SHARE = 1.0  # the same before a further change that matters, where one has cut a rest short already
SHORT_S = 2.0  # real seconds; what takes less needs no such rest
LONGEST_S = 3600.0  # the coming hours move on even when nothing new comes in


class Remake:
    """Collects reasons from any thread; one loop waits for the next time to work."""

    def __init__(self, clock: Clock, gap_s: float = GAP_S) -> None:
        self._clock = clock
        self._gap_s = gap_s
        self._lock = threading.Lock()
        self._reasons: dict[str, None] = {}  # in the order in which they came
        self._due_at: datetime | None = clock.now()
        self._soon = True  # what is due matters
        self._made_at: datetime | None = None
        self._begun: tuple[float, float] | None = None  # by our clock and by the real one, while one is being made
        self._took_s = 0.0  # the last one, of our clock; 0 where it was short
        self._hurried = False  # it was made before the rest that its forerunner calls for
        self._loop: asyncio.AbstractEventLoop | None = None
        self._changed = asyncio.Event()
        self._reasons["start"] = None
        clock.on_jump(self._jumped)

    def poke(self, reason: str, *, matters: bool = False) -> None:
        """Ask for a new outlook; `matters` means soon, not at the next ordinary time. From any thread."""
        now = self._clock.now()
        with self._lock:
            self._reasons[reason] = None
            due = now + timedelta(seconds=self._rest_s(now, matters))
            sooner = self._due_at is None or due < self._due_at
            if sooner:
                self._due_at, self._soon = due, matters
        if sooner:
            self._wake()

    def due(self) -> datetime:
        """Return when the next outlook is to be made."""
        with self._lock:
            made = self._made_at or self._clock.now()
            anyhow = made + timedelta(seconds=self._longest_s(made))
            return anyhow if self._due_at is None else min(anyhow, self._due_at)

    def taken(self) -> tuple[str, ...]:
        """Note that an outlook is being made now; return the reasons and start to collect anew."""
        with self._lock:
            reasons = tuple(self._reasons) or ("another hour",)
            self._reasons.clear()
            now = self._clock.now()
            rest_s = self._took_s * (1.0 + SHARE)
            self._hurried = self._made_at is not None and (now - self._made_at).total_seconds() < rest_s
            self._made_at, self._due_at = now, None
            self._begun = self._clock.monotonic(), time.monotonic()
            return reasons

    def done(self) -> None:
        """Note that the outlook being made is done, and put off what came meanwhile; `wait` does this by itself."""
        with self._lock:
            if self._begun is None or self._made_at is None:
                return
            began, real = self._begun
            self._begun = None
            self._took_s = self._clock.monotonic() - began if time.monotonic() - real >= SHORT_S else 0.0
            if self._due_at is not None:
                least = self._made_at + timedelta(seconds=self._least_s(self._soon))
                self._due_at = max(self._due_at, min(least, self._due_at + timedelta(seconds=LONGEST_S)))

    async def wait(self, beat_s: float = 60.0) -> bool:
        """Wait until an outlook is due or `beat_s` have passed; return whether it is due."""
        self._loop = asyncio.get_running_loop()
        self.done()
        end = self._clock.monotonic() + beat_s
        while True:
            self._changed.clear()
            left_s = (self.due() - self._clock.now()).total_seconds()
            if left_s <= 0:
                return True
            beat_left_s = end - self._clock.monotonic()
            if beat_left_s <= 0:
                return False
            pause = asyncio.ensure_future(self._clock.pause(min(left_s, beat_left_s)))
            change = asyncio.ensure_future(self._changed.wait())
            try:
                await asyncio.wait({pause, change}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                pause.cancel()
                change.cancel()

    def _least_s(self, matters: bool) -> float:
        """Seconds from the beginning of one outlook to that of the next, at least."""
        if matters:
            return self._took_s * (1.0 + SOON_SHARE) if self._hurried else 0.0
        return max(self._gap_s, self._took_s * (1.0 + SHARE))

    def _rest_s(self, now: datetime, matters: bool) -> float:
        if self._made_at is None:
            return GATHER_S
        passed = (now - self._made_at).total_seconds()
        # a clock set back must not hold up the next outlook by more than the gap
        return max(GATHER_S, self._least_s(matters) - max(passed, 0.0))

    def _longest_s(self, made: datetime) -> float:
        # a little after the turn of the hour, when the first hour of the outlook is another one
        into_hour = made.minute * 60.0 + made.second
        return min(LONGEST_S, 3600.0 - into_hour + GATHER_S)

    def _jumped(self) -> None:
        self.poke("the clock jumped", matters=True)

    def _wake(self) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._changed.set)
