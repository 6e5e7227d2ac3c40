"""The record: what a person did and when (fills, exchanges, purchases, leak checks…). An undo is an entry too."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from monitor.model.entry import Entry
from monitor.model.errors import BadInput, Problem
from monitor.model.reading import Reading
from monitor.store.facts import Facts
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


class Record(Facts):
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
        with self.transaction():
            made = self.add_event(Event(old.kind, old.subject, entered, entered, payload, undoes=number))
            root = old
            while root.undoes is not None:
                root = self.event(root.undoes) or root
            for reading in root.payload.get("readings", ()):
                self.retract(int(reading), entered, f"entry {made}", again=root.id not in self._undone())
            return made

    def add_entry(self, event: Event, readings: Sequence[Reading] = ()) -> int:
        """Keep an entry with the readings that it tells, in one transaction; return its number.

        Their numbers are kept in its payload (`readings`), so that an undo takes them back with it. Raises BadInput.
        """
        with self.transaction():
            if readings:
                event = replace(event, payload={**event.payload, "readings": self.add_readings(readings)})
            return self.add_event(event)

    def retract(self, number: int, received: datetime, why: str, *, again: bool = False) -> int | None:
        """Take a reading back by a correction without a value, or with `again` bring back its last value.

        Returns the new reading's number, None where nothing is to do. Raises BadInput where there is no such reading.
        """
        chain = self.corrections(number)
        if not chain:
            raise BadInput(Problem("reading", str(number), "the number of a reading"))
        told = [r for r in chain if r.value is not None]
        if not told or (chain[-1].value is not None) == again:
            return None
        value = told[-1].value if again else None
        note = f"back with {why}" if again else f"taken back with {why}"
        new = replace(told[-1], received=received, value=value, corrects=chain[-1].id, note=note, id=None)
        return self.add_readings([new])[0]

    def event(self, number: int) -> Event | None:
        """Return one entry by its number, in force or not; None where there is none."""
        rows = self._rows(f"{_EVENT}WHERE id = ?", (number,))
        return _event(rows[0]) if rows else None

    def newest_entry(self) -> int:
        """Return the number of the entry kept last, 0 where there is none; an undo is one too."""
        return int(self._rows("SELECT coalesce(max(id), 0) FROM event")[0][0])

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

    def entries(self, kinds: Collection[str] | None = None) -> list[Entry]:
        """Return what is in force by time, oldest first, as the pure parts see it; of some `kinds`, or of all."""
        found = self.events() if kinds is None else [e for kind in kinds for e in self.events(kind=kind)]
        found.sort(key=lambda e: (e.time, e.id or 0))
        return [Entry(e.kind, e.subject, e.time, e.payload, e.id) for e in found]

    def _undone(self) -> set[int]:
        """Return the entries out of force. Each has one undo at most, so an undo and its own undo make a chain."""
        undo_of = {old: undo for undo, old in self._rows("SELECT id, undoes FROM event WHERE undoes IS NOT NULL")}
        out: set[int] = set()
        for old in sorted(undo_of, reverse=True):  # an undo has a higher number than what it undoes
            if undo_of[old] not in out:
                out.add(old)
        return out
