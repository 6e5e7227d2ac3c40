"""Rows out of a damaged database, around the damage, into a new one."""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

from monitor.store import schema

_FAR = 1 << 48  # no row has a number as high
_COMPARED = 20  # newest facts that tell whether a copy is of the same history
_NEWEST = {
    "reading": "SELECT a.id, a.time, a.value, s.subject, s.quantity, s.source FROM reading a "
    "LEFT JOIN stream s ON s.id = a.stream",
    "event": "SELECT a.id, a.kind, a.subject, a.time, a.payload FROM event a",
}


@dataclass(slots=True)
class Salvaged:
    """How many rows of each table came out, and how many places could not be read."""

    rows: dict[str, int] = field(default_factory=dict)
    gaps: int = 0
    refused: int = 0  # rows that came out, but broke a rule of their table: they were themselves damaged


def pour(source: Path, target: sqlite3.Connection, *, from_copy: bool = False) -> Salvaged:
    """Put into `target` every row of `source` that can be read and that is not there yet.

    `target` is a migrated database in autocommit mode. With `from_copy` what waited in the outbox is not told again.
    """
    out = Salvaged()
    with suppress(sqlite3.Error), closing(look_into(source)) as damaged:
        for table in schema.TABLES:
            if table == "migration":
                continue
            target.execute("BEGIN IMMEDIATE")
            try:
                out.rows[table] = _pour_table(damaged, target, table, out, from_copy=from_copy)
            finally:
                target.execute("COMMIT")
    return out


def unlinked(target: sqlite3.Connection) -> int:
    """Remove rows that refer to rows which did not come out; return how many (a correction loses only its link)."""
    # Triggers guard a store that works; this one is being made.
    target.execute("BEGIN IMMEDIATE")
    target.execute("INSERT OR REPLACE INTO meta VALUES (?, 'salvage')", (schema.THINNING,))
    lost = 0
    for table, column, of in (("reading", "stream", "stream"), ("outbox", "notice", "notice")):
        lost += target.execute(f"DELETE FROM {table} WHERE {column} NOT IN (SELECT id FROM {of})").rowcount
    for table, column in (("reading", "corrects"), ("event", "undoes")):
        lost += target.execute(
            f"DELETE FROM {table} WHERE {column} IS NOT NULL AND {column} NOT IN (SELECT id FROM {table})"
        ).rowcount
    target.execute("DELETE FROM meta WHERE key = ?", (schema.THINNING,))
    target.execute("COMMIT")
    return lost


def other_history(source: Path, target: sqlite3.Connection) -> bool:
    """Whether `source` tells other facts under the newest numbers that both have.

    So does a copy made before an older one was put back: its rows must not fill gaps among what came after.
    """
    with closing(look_into(source)) as copy:
        for table, sql in _NEWEST.items():
            last = copy.execute(f"SELECT coalesce(max(id), 0) FROM {table}").fetchone()[0]
            here = target.execute(f"{sql} WHERE a.id <= ? ORDER BY a.id DESC LIMIT ?", (last, _COMPARED)).fetchall()
            found = [(row, copy.execute(f"{sql} WHERE a.id = ?", row[:1]).fetchone()) for row in here]
            both = [(row, other) for row, other in found if other is not None]
            if sum(row != other for row, other in both) > len(both) / 2:  # a row that came out may itself be damaged
                return True
    return False


def look_into(path: Path) -> sqlite3.Connection:
    """Open for reading, its log included; file and log stay as they are, as no log is taken over at the end."""
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
    connection.execute("PRAGMA query_only = ON")
    connection.execute("PRAGMA cell_size_check = ON")
    return connection


def _pour_table(
    damaged: sqlite3.Connection, target: sqlite3.Connection, table: str, out: Salvaged, *, from_copy: bool
) -> int:
    columns = [row[1] for row in target.execute(f"PRAGMA table_info({table})")]
    there = {row[1] for row in damaged.execute(f"PRAGMA table_info({table})")}
    shared = [c for c in columns if c in there]  # a table of an older schema has fewer
    if not shared:
        return 0
    keyed = target.execute("SELECT wr FROM pragma_table_list(?)", (table,)).fetchone()[0]  # WITHOUT ROWID
    key = columns[0] if keyed else "rowid"
    marks = ", ".join("?" * len(shared))
    insert = f"INSERT OR IGNORE INTO {table} ({', '.join(shared)}) VALUES ({marks})"
    state = shared.index("state") if from_copy and table == "outbox" else None
    count = 0
    walk = _by_key(damaged, table, key, shared, out) if keyed else _by_number(damaged, table, shared, out)
    for row in walk:
        values = list(row)
        if state is not None and values[state] == "waiting":
            values[state] = "dropped"
        if table == "meta" and values[0] == schema.THINNING:
            continue
        try:
            for value in values:
                if isinstance(value, bytes):
                    zlib.decompress(value)  # all our packed columns carry a checksum
            count += target.execute(insert, values).rowcount
        except (sqlite3.Error, OverflowError, zlib.error):
            out.refused += 1
    return count


def _by_number(damaged: sqlite3.Connection, table: str, columns: list[str], out: Salvaged) -> Iterator[list[object]]:
    """Walk a table by row number; where a page cannot be read, go on after it."""
    sql = f"SELECT rowid, {', '.join(columns)} FROM {table} NOT INDEXED WHERE rowid >= ? ORDER BY rowid"
    low = -_FAR
    while low < _FAR:
        try:
            for row in damaged.execute(sql, (low,)):
                low = row[0] + 1
                yield list(row[1:])
        except (sqlite3.Error, UnicodeDecodeError):
            out.gaps += 1
            low = _after_gap(damaged, table, columns, low)
        else:
            return


def _after_gap(damaged: sqlite3.Connection, table: str, columns: list[str], low: int) -> int:
    """Return the lowest row number above `low` at which reading does not fail; _FAR where there is none."""
    sql = f"SELECT rowid, {', '.join(columns)} FROM {table} NOT INDEXED WHERE rowid >= ? ORDER BY rowid LIMIT 1"

    def readable(number: int) -> bool:
        try:
            damaged.execute(sql, (number,)).fetchone()
        except (sqlite3.Error, UnicodeDecodeError):
            return False
        return True

    bad, step = max(low, 0), 1
    while not readable(bad + step):
        bad, step = bad + step, step * 2
        if bad > _FAR:
            return _FAR
    good = bad + step
    while good - bad > 1:  # halve the stretch between
        middle = (good + bad) // 2
        if readable(middle):
            good = middle
        else:
            bad = middle
    return good


def _by_key(
    damaged: sqlite3.Connection, table: str, key: str, columns: list[str], out: Salvaged
) -> Iterator[list[object]]:
    """Walk a small table from both ends of its key; what lies between two damaged pages stays behind."""
    for order in ("ASC", "DESC"):
        try:
            for row in damaged.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY {key} {order}"):
                yield list(row)
        except (sqlite3.Error, UnicodeDecodeError):
            out.gaps += 1
        else:
            return
