"""When the outlook is made again: soon after a change that matters, else every ten minutes at most, each hour anyhow.

A sensor that talks every few seconds must not keep the board busy and the disk wearing; a cylinder just swapped, a
valve just closed or a forecast just in must not wait.
"""

from __future__ import annotations

import asyncio
import threading
from datetime import datetime, timedelta

from monitor.service.clock import Clock

GAP_S = 600.0  # between two outlooks made for ordinary readings
GATHER_S = 2.0  # after a change that matters: what comes with it is taken along
LONGEST_S = 3600.0  # the coming hours move on even when nothing new comes in


class Remake:
    """Collects reasons from any thread; one loop waits for the next time to work."""

    def __init__(self, clock: Clock, gap_s: float = GAP_S) -> None:
        self._clock = clock
        self._gap_s = gap_s
        self._lock = threading.Lock()
        self._reasons: dict[str, None] = {}  # in the order in which they came
        self._due_at: datetime | None = clock.now()
        self._made_at: datetime | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._changed = asyncio.Event()
        self._reasons["start"] = None
        clock.on_jump(self._jumped)

    def poke(self, reason: str, *, matters: bool = False) -> None:
        """Ask for a new outlook; `matters` means soon, not at the next ordinary time. From any thread."""
        now = self._clock.now()
        with self._lock:
            self._reasons[reason] = None
            wait_s = GATHER_S if matters else self._rest_s(now)
            due = now + timedelta(seconds=wait_s)
            sooner = self._due_at is None or due < self._due_at
            if sooner:
                self._due_at = due
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
            self._made_at = self._clock.now()
            self._due_at = None
            return reasons

    async def wait(self, beat_s: float = 60.0) -> bool:
        """Wait until an outlook is due or `beat_s` have passed; return whether it is due."""
        self._loop = asyncio.get_running_loop()
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

    def _rest_s(self, now: datetime) -> float:
        if self._made_at is None:
            return GATHER_S
        passed = (now - self._made_at).total_seconds()
        # a clock set back must not hold up the next outlook by more than the gap
        return max(GATHER_S, self._gap_s - max(passed, 0.0))

    def _longest_s(self, made: datetime) -> float:
        # a little after the turn of the hour, when the first hour of the outlook is another one
        into_hour = made.minute * 60.0 + made.second
        return min(LONGEST_S, 3600.0 - into_hour + GATHER_S)

    def _jumped(self) -> None:
        self.poke("the clock jumped", matters=True)

    def _wake(self) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._changed.set)
