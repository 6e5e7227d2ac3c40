"""Calls into the outside world (a forecast service, a user's command) that must not hold up anything.

Each runs in a daemon thread with a total deadline. One that hangs past it is left behind and counted; the same call is
not started again while the old one still hangs, so a dead service can never eat up threads.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

T = TypeVar("T")


class StillHanging(Exception):
    """The last call of this name has not come back yet."""


class Callouts:
    """Daemon threads, one at a time for each name."""

    def __init__(self) -> None:
        self._running: dict[str, Future[Any]] = {}  # not the threads: one lives on for a moment after its result

    async def call(self, name: str, function: Callable[[], T], deadline_s: float) -> T:
        """Return `function()` run in a thread of its own; raises TimeoutError after `deadline_s` real seconds.

        Raises StillHanging where the last call of this name never came back, and whatever `function` raises.
        """
        before = self._running.get(name)
        if before is not None and not before.done():
            raise StillHanging(f"{name} has not come back from the last call")
        result: Future[T] = Future()

        def run() -> None:
            if not result.set_running_or_notify_cancel():
                return
            try:
                value = function()
            except BaseException as error:  # noqa: BLE001  handed to whoever waits
                result.set_exception(error)
            else:
                result.set_result(value)

        thread = threading.Thread(target=run, name=name, daemon=True)
        thread.start()
        self._running[name] = result
        waiting = asyncio.wrap_future(result)
        done, _ = await asyncio.wait({waiting}, timeout=deadline_s)
        if not done:
            waiting.add_done_callback(_swallow)
            raise TimeoutError(f"{name} did not come back within {deadline_s:.0f} s")
        return waiting.result()

    def hanging(self) -> tuple[str, ...]:
        """Return the names of the calls that are under way."""
        return tuple(name for name, result in self._running.items() if not result.done())


def _swallow(future: asyncio.Future[T]) -> None:
    if not future.cancelled():
        future.exception()
