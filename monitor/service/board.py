"""The state of every source, loop and way out, in memory; the store gets what changed, so that it is not worn out."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import datetime

from monitor.model.health import HealthKind, SourceHealth
from monitor.service.clock import Clock

_WRITE_AGAIN_S = 3600.0  # "works" is written down again when this much has passed


class Board:
    """Thread-safe. `write` is called for what should outlive the process, outside the lock."""

    def __init__(self, clock: Clock, write: Callable[[SourceHealth], None]) -> None:
        self._clock = clock
        self._write = write
        self._lock = threading.Lock()
        self._all: dict[str, SourceHealth] = {}
        self._written: dict[str, SourceHealth] = {}

    def load(self, kept: Mapping[str, SourceHealth], names: Iterable[str]) -> None:
        """Take over what an earlier run wrote about those `names` that still exist."""
        with self._lock:
            for name in names:
                if name in kept:
                    self._all[name] = self._written[name] = kept[name]

    def no_later(self) -> None:
        """Bring times that lie ahead down to now: what was noted by a clock that was ahead would hide a silence."""
        now = self._clock.now()

        def past(time: datetime | None) -> datetime | None:
            return now if time is not None and time > now else time

        with self._lock:
            for name, h in self._all.items():
                self._all[name] = replace(h, since=min(h.since, now), ok_at=past(h.ok_at), failed_at=past(h.failed_at))

    def all(self) -> dict[str, SourceHealth]:
        """Return a copy of the whole board by name."""
        with self._lock:
            return dict(self._all)

    def get(self, name: str) -> SourceHealth | None:
        """Return one entry, None where nothing is known."""
        with self._lock:
            return self._all.get(name)

    def works(
        self, name: str, kind: HealthKind, *, interval_s: float | None = None, value: float | None = None
    ) -> None:
        """Note that `name` works now."""
        now = self._clock.now()
        before = self.get(name)
        since = before.since if before is not None and before.working else now
        failed_at = before.failed_at if before is not None else None
        self.put(SourceHealth(name, kind, since, ok_at=now, failed_at=failed_at, interval_s=interval_s, value=value))

    def fails(
        self,
        name: str,
        kind: HealthKind,
        error: str,
        *,
        interval_s: float | None = None,
        value: float | None = None,
        permanent: bool = False,
    ) -> None:
        """Note that `name` fails now, with the reason in words."""
        now = self._clock.now()
        before = self.get(name)
        since = before.since if before is not None and before.error else now
        self.put(
            SourceHealth(
                name, kind, since, ok_at=before.ok_at if before is not None else None, failed_at=now,
                error=error or "failed", interval_s=interval_s, value=value, permanent=permanent,
            )
        )  # fmt: skip

    def expects(self, name: str, kind: HealthKind, interval_s: float | None = None) -> None:
        """Put `name` on the board, so that one never heard of is seen to be missing."""
        with self._lock:
            before = self._all.get(name)
            if before is None:
                before = SourceHealth(name, kind, self._clock.now())
            self._all[name] = replace(before, kind=kind, interval_s=interval_s)

    def put(self, health: SourceHealth) -> None:
        """Take an entry as a source made it."""
        with self._lock:
            self._all[health.name] = health
            write = self._worth_writing(health)
            if write:
                self._written[health.name] = health
        if write:
            self._write(health)

    def forget(self, name: str) -> None:
        """Take a source off the board that the site no longer has."""
        with self._lock:
            self._all.pop(name, None)
            self._written.pop(name, None)

    def unwritten(self) -> tuple[SourceHealth, ...]:
        """Return, at the end of a run, what the store does not have yet."""
        with self._lock:
            left = tuple(h for name, h in self._all.items() if h != self._written.get(name))
            self._written.update({h.name: h for h in left})
        return left

    def _worth_writing(self, health: SourceHealth) -> bool:
        written = self._written.get(health.name)
        if written is None or (written.error, written.permanent) != (health.error, health.permanent):
            return True
        if health.error:
            return False
        if written.ok_at is None or health.ok_at is None:
            return written.ok_at != health.ok_at
        return (health.ok_at - written.ok_at).total_seconds() >= _WRITE_AGAIN_S
