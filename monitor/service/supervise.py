"""Keeps the service's loops alive: one that dies is started again after a while, one that is late is said to be late.

A loop calls its `beat` whenever it has done a round. That it did is checked by a timer, not by the loop: a loop that
hangs in a library says nothing itself.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from monitor.service.clock import Clock, uptime_s

log = logging.getLogger(__name__)

Beat = Callable[[], None]
Body = Callable[[Beat], Awaitable[None]]

_FIRST_WAIT_S = 1.0
_LONGEST_WAIT_S = 300.0
_SETTLED_S = 600.0  # a loop that ran this long starts with the first wait again
_LEAST_DEADLINE_S = 30.0  # real seconds, above a waiting loop's longest turn: a sped-up clock makes none look hung


@dataclass(frozen=True, slots=True)
class LoopHealth:
    """How one loop does. `since` is when it came into this state, `error` the last one it ended with."""

    name: str
    state: Literal["running", "late", "waiting to restart"]
    since: datetime
    beat_at: datetime
    deadline_s: float
    error: str = ""
    restarts: int = 0


@dataclass(slots=True)
class _Loop:
    body: Body
    deadline_s: float
    health: LoopHealth
    beat_s: float  # real uptime of the last beat
    vital: bool


class Supervisor:
    """Runs loops side by side until stopped. `on_change` is called with each change of a loop's state."""

    def __init__(self, clock: Clock, on_change: Callable[[LoopHealth], None] | None = None) -> None:
        self._clock = clock
        self._on_change = on_change or (lambda _: None)
        self._loops: dict[str, _Loop] = {}
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._draw = random.Random()  # noqa: S311  spreads waits, keeps no secret

    def add(self, name: str, body: Body, deadline_s: float, *, vital: bool = True) -> None:
        """Start `body(beat)` as a task. It must beat at least every `deadline_s` of our clock.

        A loop that is not `vital` (one source of several) never holds back the watchdog.
        """
        if name in self._tasks:
            raise ValueError(f"there is a loop {name} already")
        now = self._clock.now()
        health = LoopHealth(name, "running", now, now, deadline_s)
        loop = self._loops[name] = _Loop(body, deadline_s, health, uptime_s(), vital)
        self._tasks[name] = asyncio.create_task(self._keep(loop), name=name)

    async def remove(self, name: str) -> None:
        """End one loop and forget it."""
        task = self._tasks.pop(name, None)
        self._loops.pop(name, None)
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def stop(self) -> None:
        """End every loop."""
        tasks = list(self._tasks.values())
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        self._tasks.clear()

    def table(self) -> tuple[LoopHealth, ...]:
        """Return the health of every loop."""
        return tuple(loop.health for loop in self._loops.values())

    def look(self) -> None:
        """Mark the loops that missed their deadline. Called by a timer."""
        for loop in self._loops.values():
            late = uptime_s() - loop.beat_s > self._deadline_real_s(loop)
            if late and loop.health.state == "running":
                log.error("%s has not finished a round for %.0f s", loop.health.name, loop.deadline_s)
                self._change(loop, state="late")

    def hung(self, times: float = 3.0) -> tuple[str, ...]:
        """Return the vital loops that are late by `times` their deadline: a case for the watchdog."""
        return tuple(
            loop.health.name
            for loop in self._loops.values()
            if loop.vital and uptime_s() - loop.beat_s > times * self._deadline_real_s(loop)
        )

    def _deadline_real_s(self, loop: _Loop) -> float:
        return max(loop.deadline_s / self._clock.speed, _LEAST_DEADLINE_S)

    def _beat(self, loop: _Loop) -> None:
        loop.beat_s = uptime_s()
        if loop.health.state == "running":
            loop.health = replace(loop.health, beat_at=self._clock.now())
        else:
            self._change(loop, state="running", beat_at=self._clock.now())

    def _change(self, loop: _Loop, **changes: object) -> None:
        loop.health = replace(loop.health, since=self._clock.now(), **changes)  # type: ignore[arg-type]
        self._on_change(loop.health)

    async def _keep(self, loop: _Loop) -> None:
        failures = 0
        while True:
            started = uptime_s()
            try:
                await loop.body(lambda: self._beat(loop))
                error = "ended by itself"
            except asyncio.CancelledError:
                raise
            except Exception as problem:  # whatever it was, the loop has to live
                log.exception("%s died", loop.health.name)
                error = f"{type(problem).__name__}: {problem}"
            failures = 1 if uptime_s() - started > _SETTLED_S else failures + 1
            self._change(loop, state="waiting to restart", error=error, restarts=loop.health.restarts + 1)
            await self._clock.pause(self._wait_s(failures))

    def _wait_s(self, failures: int) -> float:
        # The exponent is bounded: a loop that dies for days reaches 2**1024, which is no float, and takes us with it.
        longest = min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2.0 ** min(failures - 1, 20))
        return self._draw.uniform(0.5, 1.0) * longest
