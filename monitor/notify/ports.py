"""What the outbox needs of the store and its writer."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from datetime import datetime
from typing import Protocol, TypeVar

from monitor.model.alert import AlertState, Notice
from monitor.model.health import SourceHealth
from monitor.notify.row import OutboxRow

T = TypeVar("T")


class Outbox(Protocol):
    """Each call is one transaction, durable when it returns."""

    def waiting(self, channel: str | None = None) -> Sequence[OutboxRow]:
        """Return every row that waits, oldest first."""

    def gathered(self, digest_id: str) -> Sequence[OutboxRow]:
        """Return the rows that went into a digest."""

    def alert_states(self) -> Mapping[str, AlertState]:
        """Return where each alert stands."""

    def health(self) -> Mapping[str, SourceHealth]:
        """Return the health of each source and channel as last written."""

    def attempt_started(self, row_id: int, now: datetime) -> None:
        """Count an attempt before it is made."""

    def delivered(self, row_id: int, now: datetime) -> None:
        """Note that the row went out."""

    def failed(self, row_id: int, now: datetime, error: str, retry_at: datetime | None) -> None:
        """Note why an attempt failed and when to try again; None = for good."""

    def postpone(self, row_id: int, next_at: datetime, reason: str) -> None:
        """Let the row wait; this is no attempt."""

    def dropped(self, row_id: int, now: datetime, reason: str) -> None:
        """Note that the row need not go out."""

    def gather(self, row_ids: Sequence[int], digest: Notice, channel: str, now: datetime) -> int:
        """Put the digest and its one row in place of these rows."""

    def enqueue(self, notice: Notice, channels: Sequence[str], now: datetime, forced: bool = False) -> Sequence[int]:
        """Add rows for a notice. One that is there stays; where it was dropped and `forced`, it waits again."""

    def escalated(self, row_id: int, now: datetime) -> None:
        """Note that the row's notice went another way too."""

    def revive(self, channel: str, now: datetime, since: datetime) -> int:
        """Let rows that failed for good since then wait again; return how many."""


class Writer(Protocol):
    """The one writer thread."""

    def submit(self, function: Callable[[Outbox], T]) -> Future[T]:
        """Run `function` on the store in the writer's thread."""
