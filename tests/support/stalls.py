"""Bounds on real time that judge the product, not a machine that stood still.

A machine that others share takes the processor away for a second now and then. `running()` counts real time, less what
was taken: a thread sleeps briefly again and again, and what it oversleeps while this process uses no processor was
taken. Where the process itself computes (or holds the interpreter's lock) nothing is taken off.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

_NAP_S = 0.01
_LEAST_S = 0.02  # less is what sleeping costs anyhow


class Running:
    """Real seconds since it was made (`s`), and those in which this process could not run (`taken_s`)."""

    def __init__(self) -> None:
        self._began_s = self._seen_s = time.monotonic()
        self._used_s = time.process_time()
        self._taken_s = 0.0
        self._lock = threading.Lock()

    def _pending_s(self) -> float:
        """What was taken since the last look."""
        used_s = time.process_time() - self._used_s
        over_s = time.monotonic() - self._seen_s - _NAP_S - used_s
        return over_s if over_s > _LEAST_S else 0.0

    def look(self) -> None:
        """Note what was taken; called after each nap."""
        with self._lock:
            self._taken_s += self._pending_s()
            self._seen_s, self._used_s = time.monotonic(), time.process_time()

    @property
    def taken_s(self) -> float:
        """Seconds in which this process could not run."""
        with self._lock:
            return self._taken_s + self._pending_s()

    @property
    def s(self) -> float:
        """Seconds since it was made, less those taken."""
        return time.monotonic() - self._began_s - self.taken_s


@contextmanager
def running() -> Iterator[Running]:
    """Count until the end of the block."""
    made, over = Running(), threading.Event()

    def watch() -> None:
        while not over.wait(_NAP_S):
            made.look()

    thread = threading.Thread(target=watch, name="stalls", daemon=True)
    thread.start()
    try:
        yield made
    finally:
        over.set()
        thread.join()
