"""How one way in does, told to the service when it changes and now and then while it does not."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime
from typing import Protocol

from monitor.model.health import HealthKind, SourceHealth

_AGAIN_S = 60.0

OnHealth = Callable[[SourceHealth], None]


class Clock(Protocol):
    """What this package needs of the service's clock."""

    def now(self) -> datetime:
        """Return the time of day (UTC, aware)."""

    def monotonic(self) -> float:
        """Return seconds of this clock; never runs back."""

    def real_s(self, seconds: float) -> float:
        """Return how many real seconds `seconds` of this clock take."""


class Condition:
    """Working or failing, and since when. Thread-safe; `tell` is called outside the lock and only with news."""

    def __init__(
        self, name: str, kind: HealthKind, clock: Clock, tell: OnHealth, interval_s: float | None = None
    ) -> None:
        self.name = name
        self._kind = kind
        self._clock = clock
        self._tell = tell
        self._interval_s = interval_s
        self._lock = threading.Lock()
        self._last: SourceHealth | None = None
        self._told_s = 0.0

    @property
    def error(self) -> str:
        """The reason why it fails, "" while it works or nothing is known."""
        return self._last.error if self._last is not None else ""

    def works(self) -> None:
        """Note that it works now. While it does, the time is noted once a minute: this is called for each reading."""
        last = self._last
        if last is None or last.error or self._clock.monotonic() - self._told_s >= _AGAIN_S:
            self._put("", permanent=False)

    def fails(self, error: str, *, permanent: bool = False) -> None:
        """Note that it fails now, with the reason in words. `permanent`: only a person can mend it."""
        self._put(error or "failed", permanent=permanent)

    def _put(self, error: str, *, permanent: bool) -> None:
        now, moment_s = self._clock.now(), self._clock.monotonic()
        with self._lock:
            last = self._last
            same = last is not None and bool(last.error) == bool(error)
            news = last is None or (last.error, last.permanent) != (error, permanent)
            health = SourceHealth(
                self.name,
                self._kind,
                last.since if last is not None and same else now,
                ok_at=(last.ok_at if last is not None else None) if error else now,
                failed_at=now if error else (last.failed_at if last is not None else None),
                error=error,
                interval_s=self._interval_s,
                permanent=permanent,
            )
            self._last = health
            if not news and moment_s - self._told_s < _AGAIN_S:
                return
            self._told_s = moment_s
        self._tell(health)
