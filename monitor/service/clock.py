"""The one clock: what time it is, how long something took, and how to wait. Real, sped up, or stepped by hand.

Everything that runs in the service takes its time from here, so that the demo and the soak can pass a month in minutes
and a replay can go hour by hour. Times are UTC and aware; durations are seconds of this clock.
"""

from __future__ import annotations

import asyncio
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime, timedelta
from typing import Any

_POLL_S = 0.004  # how often a wait on a stepped clock looks up, in real seconds

Listener = Callable[[], None]


class Clock(ABC):
    """What time it is and how to wait. `speed` is seconds of this clock per real second."""

    speed: float = 1.0

    def __init__(self) -> None:
        self._listeners: list[Listener] = []
        self._movers: list[Listener] = []

    @abstractmethod
    def now(self) -> datetime:
        """Return the time of day (UTC, aware)."""

    @abstractmethod
    def monotonic(self) -> float:
        """Return seconds since some fixed moment, in seconds of this clock; never runs back."""

    @abstractmethod
    def real(self, when: datetime) -> datetime:
        """Return the machine's own time (UTC) at which this clock will show `when`."""

    @abstractmethod
    def real_s(self, seconds: float) -> float:
        """Return how many real seconds `seconds` of this clock take, as far as can be said."""

    def sleep(self, seconds: float) -> None:
        """Block this thread for `seconds` of this clock."""
        self.wait(threading.Event(), seconds)

    def wait(self, event: threading.Event, seconds: float | None = None) -> bool:
        """Block until `event` is set or `seconds` of this clock have passed; return whether it is set."""
        return event.wait(None if seconds is None else max(0.0, self.real_s(seconds)))

    def pause(self, seconds: float) -> Coroutine[Any, Any, None]:
        """Let other tasks run for `seconds` of this clock, counted from this call."""
        return asyncio.sleep(max(0.0, self.real_s(seconds)))

    def on_jump(self, listener: Listener) -> None:
        """Call `listener` (from any thread) whenever the time of day was found to have jumped."""
        self._listeners.append(listener)

    def on_move(self, listener: Listener) -> None:
        """Call `listener` when a clock that stands still was moved on, as if the time had passed."""
        self._movers.append(listener)

    def jumped(self) -> None:
        """Tell every listener that the time of day no longer follows from what it was."""
        for listener in tuple(self._listeners):
            listener()


class RealClock(Clock):
    """The machine's clock."""

    def now(self) -> datetime:
        """Return the time of day (UTC, aware)."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Return seconds since some fixed moment, time asleep included where the system counts it."""
        return uptime_s()

    def real(self, when: datetime) -> datetime:
        """Return `when`: this clock is the machine's."""
        return when

    def real_s(self, seconds: float) -> float:
        """Return `seconds`."""
        return seconds


class FastClock(Clock):
    """A clock that starts at `start` and runs `speed` times as fast as the machine's."""

    def __init__(self, start: datetime, speed: float) -> None:
        super().__init__()
        if speed <= 0:
            raise ValueError(f"speed must be above 0, got {speed}")
        self.speed = speed
        self._start = start.astimezone(UTC)
        self._from_s = uptime_s()

    def now(self) -> datetime:
        """Return the time of day of this clock (UTC, aware)."""
        return self._start + timedelta(seconds=self.monotonic())

    def monotonic(self) -> float:
        """Return seconds of this clock since its start."""
        return (uptime_s() - self._from_s) * self.speed

    def real(self, when: datetime) -> datetime:
        """Return the machine's own time (UTC) at which this clock will show `when`."""
        return datetime.now(UTC) + (when - self.now()) / self.speed

    def real_s(self, seconds: float) -> float:
        """Return how many real seconds `seconds` of this clock take."""
        return seconds / self.speed


class SteppedClock(Clock):
    """A clock that stands still until it is moved: for replays hour by hour."""

    def __init__(self, start: datetime) -> None:
        super().__init__()
        self._start = start.astimezone(UTC)
        self._now = self._start
        self._passed_s = 0.0

    def now(self) -> datetime:
        """Return the time last set (UTC, aware)."""
        return self._now

    def monotonic(self) -> float:
        """Return seconds stepped forward so far."""
        return self._passed_s

    def real(self, when: datetime) -> datetime:
        """Return now for a time that has come; else as far ahead as if the clock ran."""
        return datetime.now(UTC) + max(when - self._now, timedelta(0))

    def real_s(self, seconds: float) -> float:
        """Return 0 for nothing to wait for; else a short time after which to look again."""
        return 0.0 if seconds <= 0 else _POLL_S

    def set(self, when: datetime) -> None:
        """Make the clock jump to `when`, forward or back."""
        self._go(when)
        self.jumped()

    def advance(self, when: datetime) -> None:
        """Let time pass until `when`."""
        self._go(when)
        for listener in tuple(self._movers):
            listener()

    def _go(self, when: datetime) -> None:
        moved = (when - self._now).total_seconds()
        self._now = when.astimezone(UTC)
        self._passed_s += max(0.0, moved)

    def wait(self, event: threading.Event, seconds: float | None = None) -> bool:
        """Block until `event` is set or the clock has been moved on by `seconds`; return whether it is set."""
        until = None if seconds is None else self._passed_s + seconds
        while not event.is_set() and (until is None or self._passed_s < until):
            event.wait(_POLL_S)
        return event.is_set()

    def pause(self, seconds: float) -> Coroutine[Any, Any, None]:
        """Let other tasks run until the clock has been moved on by `seconds`, counted from this call."""
        return self._pause_until(self._passed_s + seconds)

    async def _pause_until(self, until: float) -> None:
        await asyncio.sleep(0)
        while self._passed_s < until:  # noqa: ASYNC110  moved from another thread as a rule, so no event of this loop
            await asyncio.sleep(_POLL_S)


def uptime_s() -> float:
    """Return real seconds since some fixed moment, counting time the machine was suspended."""
    return time.clock_gettime(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic()


def offsets() -> tuple[float, float]:
    """Return the time of day less the uptime, and the uptime less the monotonic clock that stands still in suspend."""
    up = uptime_s()
    return time.time() - up, up - time.monotonic()


class JumpWatch:
    """Notices that the machine's time of day was stepped, or that the machine was suspended.

    Call `look` now and then. The time of day against the uptime shows a step; the uptime against the plain monotonic
    clock (which stands still in suspend) shows a suspend.
    """

    def __init__(self, clock: Clock, least_s: float = 30.0) -> None:
        self._clock = clock
        self._least_s = least_s
        self._wall, self._asleep = offsets()

    def look(self) -> tuple[float, float]:
        """Return seconds (stepped, suspended) since the last look, 0 where too small to matter; tells listeners."""
        wall, asleep = offsets()
        stepped, slept = wall - self._wall, asleep - self._asleep
        stepped = stepped if abs(stepped) >= self._least_s else 0.0
        slept = slept if slept >= self._least_s else 0.0
        if stepped or slept:
            self._wall, self._asleep = wall, asleep
            self._clock.jumped()
        return stepped, slept
