"""The record: what a person did and when (fills, exchanges, purchases, leak checks…). An undo is an entry too."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from monitor.model.entry import Entry
from monitor.model.errors import BadInput, Problem
from monitor.store.base import Base
from monitor.store.pack import moment, stamp

_EVENT = "SELECT kind, subject, time, entered, payload, undoes, id FROM event "
_SPAN = 2**62


@dataclass(frozen=True, slots=True)
class Event:
    """One entry of the record. `time` is when it was done, `entered` when it was written down.

    `payload` holds plain JSON values in SI units; `undoes` is the entry that this one takes back.
    """

    kind: str
    subject: str
    time: datetime
    entered: datetime
    payload: Mapping[str, Any] = field(default_factory=dict)
    undoes: int | None = None
    id: int | None = None


def _event(row: tuple[Any, ...]) -> Event:
    return Event(row[0], row[1], moment(row[2]), moment(row[3]), json.loads(row[4]), row[5], row[6])


class Record(Base):
    """Entries of the record; never changed, never removed."""

    def add_event(self, event: Event) -> int:
        """Keep an entry and return its number.

        Raises BadInput where what it undoes is not there or was undone before, or where the payload is no JSON.
        """
        try:
            payload = json.dumps(dict(event.payload), allow_nan=False, ensure_ascii=False)
        except (TypeError, ValueError) as error:
            raise BadInput(Problem("payload", repr(event.payload)[:200], f"plain JSON values ({error})")) from None
        with self.transaction():
            if event.undoes is not None:
                self._may_undo(event.undoes)
            return self._write(
                "INSERT INTO event (kind, subject, time, entered, payload, undoes) VALUES (?, ?, ?, ?, ?, ?)",
                (event.kind, event.subject, stamp(event.time), stamp(event.entered), payload, event.undoes),
            )

    def _may_undo(self, number: int) -> None:
        if not self._rows("SELECT 1 FROM event WHERE id = ?", (number,)):
            raise BadInput(Problem("undo", str(number), "the number of an entry that is there"))
        by = self._rows("SELECT id FROM event WHERE undoes = ?", (number,))
        if by:
            hint = f"Entry {by[0][0]} did it; undo that one to bring it back."
            raise BadInput(Problem("undo", str(number), "an entry that was not undone before", hint))

    def undo_event(self, number: int, entered: datetime, why: str = "") -> int:
        """Take back an entry, or an earlier undo, by a new one; return the new one's number. Raises BadInput."""
        old = self.event(number)
        if old is None:
            raise BadInput(Problem("undo", str(number), "the number of an entry that is there"))
        payload = {"why": why} if why else {}
        return self.add_event(Event(old.kind, old.subject, entered, entered, payload, undoes=number))

    def event(self, number: int) -> Event | None:
        """Return one entry by its number, in force or not; None where there is none."""
        rows = self._rows(f"{_EVENT}WHERE id = ?", (number,))
        return _event(rows[0]) if rows else None

    def events(
        self,
        *,
        kind: str | None = None,
        subject: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        include_undone: bool = False,
    ) -> list[Event]:
        """Return entries by time, oldest first; `until` is not included.

        Entries that were undone and the undoing ones come only where asked for. An undo that was itself undone
        counts no longer, so what it took back is in force again.
        """
        rows = self._rows(
            f"{_EVENT}WHERE (?1 IS NULL OR kind = ?1) AND (?2 IS NULL OR subject = ?2) AND time >= ?3 AND time < ?4 "
            "ORDER BY time, id",
            (kind, subject, stamp(since) if since else -_SPAN, stamp(until) if until else _SPAN),
        )
        found = [_event(row) for row in rows]
        if include_undone:
            return found
        out = self._undone()
        return [e for e in found if e.undoes is None and e.id not in out]

    def entries(self) -> list[Entry]:
        """Return what is in force by time, oldest first, as the pure parts see it."""
        return [Entry(e.kind, e.subject, e.time, e.payload, e.id) for e in self.events()]

    def _undone(self) -> set[int]:
        """Return the entries out of force. Each has one undo at most, so an undo and its own undo make a chain."""
        undo_of = {old: undo for undo, old in self._rows("SELECT id, undoes FROM event WHERE undoes IS NOT NULL")}
        out: set[int] = set()
        for old in sorted(undo_of, reverse=True):  # an undo has a higher number than what it undoes
            if undo_of[old] not in out:
                out.add(old)
        return out
