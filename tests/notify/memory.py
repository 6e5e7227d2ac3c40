"""An outbox in memory with the same contract as the store's, and a writer that runs things at once."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TypeVar

from monitor.model.alert import AlertState, Notice, Severity
from monitor.model.health import SourceHealth
from monitor.model.site import Channel, Site
from monitor.notify.ports import Outbox
from monitor.notify.row import OutboxRow
from tests.alerts.scene import SITE

T = TypeVar("T")
NOW = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)  # noon at the site


class Memory:
    """Rows and states; everything else follows from them."""

    def __init__(self) -> None:
        self.rows: dict[int, OutboxRow] = {}
        self.states: dict[str, AlertState] = {}
        self.kept_health: dict[str, SourceHealth] = {}
        self.log: list[str] = []

    def _set(self, row_id: int, **changes: object) -> None:
        self.rows[row_id] = replace(self.rows[row_id], **changes)  # type: ignore[arg-type]

    def waiting(self, channel: str | None = None) -> list[OutboxRow]:
        rows = [r for r in self.rows.values() if r.state == "waiting" and channel in {None, r.channel}]
        return sorted(rows, key=lambda r: (r.notice.at, r.id))

    def gathered(self, digest_id: str) -> list[OutboxRow]:
        return [r for r in self.rows.values() if r.gathered_into == digest_id]

    def alert_states(self) -> Mapping[str, AlertState]:
        return self.states

    def health(self) -> Mapping[str, SourceHealth]:
        return self.kept_health

    def attempt_started(self, row_id: int, now: datetime) -> None:
        self._set(row_id, attempts=self.rows[row_id].attempts + 1, tried_at=now)

    def delivered(self, row_id: int, now: datetime) -> None:
        self._set(row_id, state="delivered", error="")
        self.log.append(f"delivered {self.rows[row_id].channel} {self.rows[row_id].notice.id}")

    def failed(self, row_id: int, now: datetime, error: str, retry_at: datetime | None) -> None:
        if retry_at is None:
            self._set(row_id, state="failed", error=error)
        else:
            self._set(row_id, error=error, next_at=retry_at)

    def postpone(self, row_id: int, next_at: datetime, reason: str) -> None:
        self._set(row_id, next_at=next_at, error=reason)

    def dropped(self, row_id: int, now: datetime, reason: str) -> None:
        self._set(row_id, state="dropped", error=reason)

    def gather(self, row_ids: Sequence[int], digest: Notice, channel: str, now: datetime) -> int:
        for row_id in row_ids:
            self._set(row_id, state="gathered", gathered_into=digest.id)
        made = self.enqueue(digest, [channel], now)
        return made[0] if made else next(r.id for r in self.rows.values() if r.notice.id == digest.id)

    def enqueue(self, notice: Notice, channels: Sequence[str], now: datetime, forced: bool = False) -> list[int]:
        made = []
        for channel in channels:
            there = [r for r in self.rows.values() if (r.notice.id, r.channel) == (notice.id, channel)]
            if there:
                if forced and there[0].state == "dropped":
                    self._set(there[0].id, state="waiting", forced=True, next_at=now)
                continue
            row_id = len(self.rows) + 1
            self.rows[row_id] = OutboxRow(row_id, notice, channel, 0, now, forced=forced)
            made.append(row_id)
        return made

    def escalated(self, row_id: int, now: datetime) -> None:
        self._set(row_id, escalated=True)

    def revive(self, channel: str, now: datetime, since: datetime) -> int:
        found = [
            r.id for r in self.rows.values() if r.channel == channel and r.state == "failed" and r.notice.at > since
        ]
        for row_id in found:
            self._set(row_id, state="waiting", next_at=now, escalated=True)
        return len(found)


class AtOnce:
    """Runs what it is given under one lock."""

    def __init__(self, store: Outbox) -> None:
        self._store = store
        self._lock = threading.Lock()
        self.fault: Exception | None = None

    def submit(self, function: Callable[[Outbox], T]) -> Future[T]:
        result: Future[T] = Future()
        with self._lock:
            try:
                if self.fault is not None:
                    raise self.fault
                result.set_result(function(self._store))
            except Exception as error:  # noqa: BLE001  handed on
                result.set_exception(error)
        return result


class Stepped:
    """A clock that stands still until it is set."""

    def __init__(self, now: datetime = NOW) -> None:
        self.time = now

    def now(self) -> datetime:
        return self.time

    def wait(self, event: threading.Event, seconds: float | None = None) -> bool:
        return event.wait(0.01)


def notice(
    key: str = "low-fuel/site",
    number: int = 1,
    what: str = "raised",
    severity: Severity = "Moderate",
    at: datetime = NOW,
    *,
    occurrence: str = "",
    bypass: bool = False,
    headline: str = "",
) -> Notice:
    occurrence = occurrence or f"{key}@2026-01-05T18:00Z"
    return Notice(
        f"{occurrence}#{number}", key, occurrence, at, what, severity, "Future", "Likely",  # type: ignore[arg-type]
        headline or f"{what} {key}", f"Body of {key} {what}.\n", bypass,
    )  # fmt: skip


def active(n: Notice) -> AlertState:
    """The state of the alert that `n` speaks of, standing."""
    kind, subject = n.key.split("/", 1)
    return AlertState(n.key, kind, subject, "unacknowledged", n.at, occurrence=n.occurrence, raised=n.at)


def site(*channels: Channel, **settings: object) -> Site:
    return replace(SITE, channels=channels, settings={f"alerts.{k}": v for k, v in settings.items()})


MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
