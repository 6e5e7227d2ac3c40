"""The tables, step by step. A step and its number are applied in one transaction: a crash leaves all of it or none.

Times are whole microseconds since 1970 (UTC). A bad value is NULL, never NaN; a time is never NULL. Facts are
append-only: triggers refuse UPDATE and DELETE, except for thinning, which says so in `meta` within its transaction
(`monitor.store.retention`). A step that was released is never changed: databases of each one are kept in the tests.
"""

from __future__ import annotations

import sqlite3

from monitor import __version__

APPLICATION_ID = 0x424F_494C  # "BOIL": tells our databases from others', in the header of the file
# A commit writes each page that it touches. A few readings touch the last page of each series: with small pages a day
# of a common household writes 15.5 MB to the disk, with SQLite's usual 4,096 bytes 23 MB; long reads take 15 % longer.
PAGE_BYTES = 1024
THINNING = "thinning"  # the key in `meta` that, while it is there, lets facts be removed
# All that boiloff remembers, in an order in which each table comes after those it refers to.
FACTS = ("reading", "set_aside", "forecast", "outlook", "transition", "notice", "event")
TABLES = ("meta", "stream", *FACTS, "alert_state", "outbox", "health", "migration")

STEPS: tuple[str, ...] = (
    """
    CREATE TABLE migration (number INTEGER PRIMARY KEY, at INTEGER NOT NULL, program TEXT NOT NULL) STRICT;
    CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
    CREATE TABLE stream (
        id INTEGER PRIMARY KEY, source TEXT NOT NULL, subject TEXT NOT NULL, quantity TEXT NOT NULL,
        UNIQUE (subject, quantity, source)
    ) STRICT;
    CREATE TABLE reading (
        id INTEGER PRIMARY KEY, stream INTEGER NOT NULL REFERENCES stream (id),
        time INTEGER NOT NULL, received INTEGER NOT NULL,
        value REAL CHECK (value IS NULL OR abs(value) < 1e300),
        noise REAL CHECK (noise IS NULL OR noise >= 0),
        age_known INTEGER NOT NULL CHECK (age_known IN (0, 1)),
        corrects INTEGER REFERENCES reading (id), note TEXT NOT NULL DEFAULT ''
    ) STRICT;
    CREATE INDEX reading_by_time ON reading (stream, time);
    CREATE INDEX reading_corrected ON reading (corrects) WHERE corrects IS NOT NULL;
    CREATE TABLE set_aside (
        id INTEGER PRIMARY KEY, received INTEGER NOT NULL, source TEXT NOT NULL, subject TEXT NOT NULL,
        quantity TEXT NOT NULL, raw TEXT NOT NULL CHECK (length(raw) <= 400), reason TEXT NOT NULL
    ) STRICT;
    CREATE TABLE forecast (
        id INTEGER PRIMARY KEY, source TEXT NOT NULL, issued INTEGER NOT NULL, received INTEGER NOT NULL,
        start INTEGER NOT NULL, members INTEGER NOT NULL CHECK (members > 0), hours INTEGER NOT NULL,
        air BLOB NOT NULL, wind BLOB, cloud BLOB, humidity BLOB, spread BLOB,
        credit TEXT NOT NULL, elevation REAL, notes TEXT NOT NULL
    ) STRICT;
    CREATE INDEX forecast_latest ON forecast (source, received);
    CREATE INDEX forecast_received ON forecast (received);
    CREATE TABLE outlook (id INTEGER PRIMARY KEY, at INTEGER NOT NULL, payload BLOB NOT NULL) STRICT;
    CREATE INDEX outlook_at ON outlook (at);
    CREATE TABLE alert_state (key TEXT PRIMARY KEY, state TEXT NOT NULL) STRICT, WITHOUT ROWID;
    CREATE TABLE transition (
        id INTEGER PRIMARY KEY, key TEXT NOT NULL, occurrence TEXT NOT NULL, at INTEGER NOT NULL,
        before TEXT NOT NULL, after TEXT NOT NULL, reason TEXT NOT NULL, facts TEXT NOT NULL CHECK (json_valid(facts)),
        UNIQUE (key, at, occurrence, before, after)
    ) STRICT;
    CREATE TABLE notice (
        id TEXT PRIMARY KEY, key TEXT NOT NULL, occurrence TEXT NOT NULL, at INTEGER NOT NULL, what TEXT NOT NULL,
        severity TEXT NOT NULL, urgency TEXT NOT NULL, certainty TEXT NOT NULL, headline TEXT NOT NULL,
        body TEXT NOT NULL, bypass INTEGER NOT NULL CHECK (bypass IN (0, 1))
    ) STRICT;
    CREATE INDEX notice_at ON notice (at);
    CREATE TABLE outbox (
        id INTEGER PRIMARY KEY, notice TEXT NOT NULL REFERENCES notice (id), channel TEXT NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('waiting', 'delivered', 'failed', 'dropped', 'gathered')),
        attempts INTEGER NOT NULL DEFAULT 0, next_at INTEGER NOT NULL, deadline INTEGER, created INTEGER NOT NULL,
        tried_at INTEGER, done_at INTEGER, error TEXT NOT NULL DEFAULT '', forced INTEGER NOT NULL DEFAULT 0,
        escalated INTEGER NOT NULL DEFAULT 0, gathered_into TEXT NOT NULL DEFAULT '', UNIQUE (notice, channel)
    ) STRICT;
    CREATE INDEX outbox_waiting ON outbox (channel) WHERE state = 'waiting';
    CREATE INDEX outbox_gathered ON outbox (gathered_into) WHERE gathered_into <> '';
    CREATE TABLE health (name TEXT PRIMARY KEY, health TEXT NOT NULL) STRICT, WITHOUT ROWID;
    CREATE TABLE event (
        id INTEGER PRIMARY KEY, kind TEXT NOT NULL, subject TEXT NOT NULL, time INTEGER NOT NULL,
        entered INTEGER NOT NULL, payload TEXT NOT NULL CHECK (json_valid(payload)),
        undoes INTEGER REFERENCES event (id)
    ) STRICT;
    CREATE INDEX event_of ON event (kind, subject, time);
    CREATE UNIQUE INDEX event_undone ON event (undoes) WHERE undoes IS NOT NULL;
    """
    + "".join(
        f"""
    CREATE TRIGGER {table}_stays_1 BEFORE UPDATE ON {table} BEGIN
        SELECT RAISE(ABORT, '{table}: a fact is never changed; add a correction instead');
    END;
    CREATE TRIGGER {table}_stays_2 BEFORE DELETE ON {table}
    WHEN NOT EXISTS (SELECT 1 FROM meta WHERE key = '{THINNING}') BEGIN
        SELECT RAISE(ABORT, '{table}: a fact is never removed');
    END;
    """
        for table in FACTS
    ),
)

VERSION = len(STEPS)


def version(connection: sqlite3.Connection) -> int:
    """Return how many steps a database has had."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def is_foreign(connection: sqlite3.Connection) -> bool:
    """Whether the file holds something that is not ours."""
    # the tables first: while another process makes ours, the mark comes with them
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    return bool(tables) and connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a database to the newest step; the connection must be in autocommit mode.

    All steps, what `migration` says of them and the number in the file's header are one transaction.
    """
    if version(connection) >= VERSION:
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        for number in range(version(connection), VERSION):  # asked again: another process may have been faster
            for statement in _statements(STEPS[number]):
                connection.execute(statement)
            connection.execute(
                "INSERT INTO migration (number, at, program) VALUES (?, unixepoch() * 1000000, ?)",
                (number + 1, __version__),
            )
            connection.execute(f"PRAGMA user_version = {number + 1}")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _statements(script: str) -> list[str]:
    """Cut a script into statements (a trigger holds semicolons of its own)."""
    out, part = [], ""
    for piece in script.split(";"):
        part += piece + ";"
        if sqlite3.complete_statement(part):
            if part.strip(" \n;"):
                out.append(part)
            part = ""
    return out
