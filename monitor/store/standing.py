"""Alerts and what is told of them: states, steps, notices, and the outbox with one row for each notice and channel."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from monitor.model.alert import AlertState, Judgement, Notice, Transition
from monitor.model.health import SourceHealth
from monitor.notify.row import OutboxRow
from monitor.store.base import Base
from monitor.store.pack import (
    dumps,
    loads,
    moment,
    moment_or_none,
    pack_health,
    pack_state,
    stamp,
    unpack_health,
    unpack_state,
)

_NOTICE = "n.id, n.key, n.occurrence, n.at, n.what, n.severity, n.urgency, n.certainty, n.headline, n.body, n.bypass"
_ROW = (
    f"SELECT o.id, {_NOTICE}, o.channel, o.attempts, o.next_at, o.deadline, o.created, o.tried_at, o.error, o.state, "
    "o.forced, o.escalated, o.gathered_into FROM outbox o JOIN notice n ON n.id = o.notice "
)


def _notice(row: Sequence[Any]) -> Notice:
    return Notice(
        id=row[0], key=row[1], occurrence=row[2], at=moment(row[3]), what=row[4], severity=row[5], urgency=row[6],
        certainty=row[7], headline=row[8], body=row[9], bypass=bool(row[10]),
    )  # fmt: skip


def _row(row: Sequence[Any]) -> OutboxRow:
    return OutboxRow(
        id=row[0], notice=_notice(row[1:12]), channel=row[12], attempts=row[13], next_at=moment(row[14]),
        deadline=moment_or_none(row[15]), created=moment(row[16]), tried_at=moment_or_none(row[17]), error=row[18],
        state=row[19], forced=bool(row[20]), escalated=bool(row[21]), gathered_into=row[22],
    )  # fmt: skip


class Standing(Base):
    """Alert states and the outbox change; transitions and notices are facts."""

    def commit_judgement(self, judgement: Judgement, channels: Sequence[str]) -> None:
        """Write states, steps, notices and one outbox row for each notice and channel, in one transaction.

        A step or a notice that is there already adds nothing, so a round that is judged twice tells once.
        """
        with self.transaction():
            for state in judgement.states:
                self._db.execute(
                    "INSERT INTO alert_state (key, state) VALUES (?, ?) "
                    "ON CONFLICT (key) DO UPDATE SET state = excluded.state "
                    "WHERE alert_state.state IS NOT excluded.state",
                    (state.key, pack_state(state)),
                )
            for t in judgement.transitions:
                self._db.execute(
                    "INSERT INTO transition (key, occurrence, at, before, after, reason, facts) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
                    (t.key, t.occurrence, stamp(t.at), t.before, t.after, t.reason, dumps(dict(t.facts))),
                )
            for notice in judgement.notices:
                self.enqueue(notice, channels, notice.at)

    def alert_states(self) -> dict[str, AlertState]:
        """Return where each alert stands, by key."""
        return {key: unpack_state(text) for key, text in self._rows("SELECT key, state FROM alert_state")}

    def transitions(self, key: str | None = None, limit: int = 100) -> list[Transition]:
        """Return steps, newest first, of one alert or of all."""
        where, values = ("", ()) if key is None else ("WHERE key = ? ", (key,))
        rows = self._rows(
            f"SELECT key, occurrence, at, before, after, reason, facts, id FROM transition {where}"
            "ORDER BY id DESC LIMIT ?",
            (*values, limit),
        )
        return [Transition(r[0], r[1], moment(r[2]), r[3], r[4], r[5], loads(r[6]), r[7]) for r in rows]

    def notices(self, limit: int = 100) -> list[Notice]:
        """Return notices, newest first."""
        return [
            _notice(r) for r in self._rows(f"SELECT {_NOTICE} FROM notice n ORDER BY n.at DESC, n.id LIMIT ?", (limit,))
        ]

    # The outbox ---------------------------------------------------------------------------------------------------

    def enqueue(self, notice: Notice, channels: Sequence[str], now: datetime, forced: bool = False) -> list[int]:
        """Add rows for a notice. One that is there stays; where it was dropped and `forced`, it waits again."""
        n, made = notice, []
        with self.transaction():
            self._db.execute(
                "INSERT INTO notice (id, key, occurrence, at, what, severity, urgency, certainty, headline, body, "
                "bypass) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING",
                (n.id, n.key, n.occurrence, stamp(n.at), n.what, n.severity, n.urgency, n.certainty, n.headline, n.body,
                 int(n.bypass)),
            )  # fmt: skip
            for channel in channels:
                done = self._db.execute(
                    "INSERT INTO outbox (notice, channel, state, next_at, created, forced) "
                    "VALUES (?, ?, 'waiting', ?, ?, ?) "
                    "ON CONFLICT (notice, channel) DO NOTHING",
                    (n.id, channel, stamp(now), stamp(now), int(forced)),
                )
                if done.rowcount:
                    made.append(int(done.lastrowid or 0))
                elif forced:
                    self._db.execute(
                        "UPDATE outbox SET state = 'waiting', forced = 1, next_at = ? "
                        "WHERE notice = ? AND channel = ? AND state = 'dropped'",
                        (stamp(now), n.id, channel),
                    )
        return made

    def waiting(self, channel: str | None = None) -> list[OutboxRow]:
        """Return every row that waits, oldest notice first."""
        where, values = ("", ()) if channel is None else ("AND o.channel = ? ", (channel,))
        return [_row(r) for r in self._rows(f"{_ROW}WHERE o.state = 'waiting' {where}ORDER BY n.at, o.id", values)]

    def due(self, now: datetime, limit: int = 100, channel: str | None = None) -> list[OutboxRow]:
        """Return the rows that wait and whose time has come, oldest notice first."""
        return [row for row in self.waiting(channel) if row.next_at <= now][:limit]

    def outbox(self, limit: int = 100, channel: str | None = None) -> list[OutboxRow]:
        """Return rows in any state, newest first."""
        where = "WHERE ?1 IS NULL OR o.channel = ?1 "
        return [_row(r) for r in self._rows(f"{_ROW}{where}ORDER BY o.id DESC LIMIT ?2", (channel, limit))]

    def gathered(self, digest_id: str) -> list[OutboxRow]:
        """Return the rows that went into a digest."""
        return [_row(r) for r in self._rows(f"{_ROW}WHERE o.gathered_into = ? ORDER BY n.at, o.id", (digest_id,))]

    def attempt_started(self, row_id: int, now: datetime) -> None:
        """Count an attempt before it is made."""
        self._write("UPDATE outbox SET attempts = attempts + 1, tried_at = ? WHERE id = ?", (stamp(now), row_id))

    def delivered(self, row_id: int, now: datetime) -> None:
        """Note that the row went out."""
        self._write("UPDATE outbox SET state = 'delivered', done_at = ?, error = '' WHERE id = ?", (stamp(now), row_id))

    def failed(self, row_id: int, now: datetime, error: str, retry_at: datetime | None) -> None:
        """Note why an attempt failed and when to try again; None = for good."""
        if retry_at is None:
            sql = "UPDATE outbox SET state = 'failed', error = ?, done_at = ? WHERE id = ?"
            self._write(sql, (error, stamp(now), row_id))
        else:
            self._write("UPDATE outbox SET error = ?, next_at = ? WHERE id = ?", (error, stamp(retry_at), row_id))

    def postpone(self, row_id: int, next_at: datetime, reason: str) -> None:
        """Let the row wait; this is no attempt."""
        self._write("UPDATE outbox SET next_at = ?, error = ? WHERE id = ?", (stamp(next_at), reason, row_id))

    def dropped(self, row_id: int, now: datetime, reason: str) -> None:
        """Note that the row need not go out."""
        sql = "UPDATE outbox SET state = 'dropped', error = ?, done_at = ? WHERE id = ?"
        self._write(sql, (reason, stamp(now), row_id))

    def gather(self, row_ids: Sequence[int], digest: Notice, channel: str, now: datetime) -> int:
        """Put the digest and its one row in place of these rows; return that row's id."""
        with self.transaction():
            for row_id in row_ids:
                self._db.execute(
                    "UPDATE outbox SET state = 'gathered', gathered_into = ?, done_at = ? WHERE id = ?",
                    (digest.id, stamp(now), row_id),
                )
            made = self.enqueue(digest, [channel], now)
            if made:
                return made[0]
            return int(self._rows("SELECT id FROM outbox WHERE notice = ? AND channel = ?", (digest.id, channel))[0][0])

    def escalated(self, row_id: int, now: datetime) -> None:
        """Note that the row's notice went another way too."""
        del now
        self._write("UPDATE outbox SET escalated = 1 WHERE id = ?", (row_id,))

    def revive(self, channel: str, now: datetime, since: datetime) -> int:
        """Let rows that failed for good since then wait again; return how many."""
        with self.transaction():
            done = self._db.execute(
                "UPDATE outbox SET state = 'waiting', next_at = ?, escalated = 1 "
                "WHERE channel = ? AND state = 'failed' "
                "AND notice IN (SELECT id FROM notice WHERE at > ?)",
                (stamp(now), channel, stamp(since)),
            )
            return done.rowcount

    # Health and what the service remembers ------------------------------------------------------------------------

    def set_health(self, health: SourceHealth) -> None:
        """Write how a source, loop or channel is doing."""
        self._write(
            "INSERT INTO health (name, health) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET health = excluded.health",
            (health.name, pack_health(health)),
        )

    def health(self) -> dict[str, SourceHealth]:
        """Return the health of each source and channel as last written."""
        return {name: unpack_health(text) for name, text in self._rows("SELECT name, health FROM health")}

    def put(self, key: str, value: str) -> None:
        """Remember a text under a key."""
        self._write(
            "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
            (key, value),
        )

    def get(self, key: str) -> str | None:
        """Return what was remembered under a key, None where nothing was."""
        rows = self._rows("SELECT value FROM meta WHERE key = ?", (key,))
        return str(rows[0][0]) if rows else None
