"""A database that was damaged (a card that wears out, a power cut) is set aside and made anew from what is left."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from monitor.model.errors import BadInput, SourceFailed
from monitor.store import schema
from monitor.store.backup import copies, discarded, set_aside, silence, take_place, verify
from monitor.store.opening import connect, explained
from monitor.store.salvage import Salvaged, look_into, other_history, pour, unlinked

_QUICK_BYTES = 64 << 20  # up to this size the whole file is looked through at each start (0.1 s or so)
_PAGE = schema.PAGE_BYTES
_PAGE_COUNT = slice(28, 32)  # of the header, file format 3: size of the database in pages
_FREE_LIST = slice(32, 40)


@dataclass(frozen=True, slots=True)
class Mended:
    """What was found and what became of it, for the log, the board and a notice."""

    why: str
    damaged: Path  # kept: nothing is thrown away
    readings: int  # that the new database holds
    from_copy: Path | None  # the copy that filled gaps
    gaps: int  # places that could not be read
    lost: int  # rows that came out damaged, or refer to something that is gone

    def __str__(self) -> str:
        filled = f"; gaps filled from {self.from_copy}" if self.from_copy else ""
        return (
            f"the database was damaged ({self.why}); it is kept as {self.damaged}; the new one holds {self.readings} "
            f"readings; {self.gaps} places could not be read and {self.lost} rows not be used{filled}"
        )


def check(store: Path, *, whole: bool | None = None) -> str:
    """Return what is wrong with a database, "" where nothing is found or there is none yet.

    `whole` looks through every page; None does so where the file is small. A large one is looked through by the
    service later, while it runs (`Store.integrity`). Raises BadInput for a file that is not ours, SourceFailed where
    it cannot be read for a reason other than damage.
    """
    if not store.exists():
        return ""
    size = store.stat().st_size
    if size == 0:
        return "the file is empty" if _lived(store) else ""
    if whole is None:
        whole = size <= _QUICK_BYTES
    try:
        with closing(look_into(store)) as db:
            if schema.is_foreign(db) or schema.version(db) == 0:
                return ""  # opening it will say what is wrong
            for table in schema.TABLES:
                db.execute(f"SELECT * FROM {table} LIMIT 1").fetchone()
            found = [row[0] for row in db.execute("PRAGMA quick_check(3)")] if whole else ["ok"]
    except sqlite3.DatabaseError as error:
        if not _is_damage(store, error):
            with explained(store):
                raise
        return _line(str(error))
    return "" if found == ["ok"] else _line("; ".join(str(f) for f in found))


def _line(text: str) -> str:
    return " ".join(text.replace("*** in database main ***", "").split())[:300]


def mend(store: Path, now: datetime, copies_in: Path, *, whole: bool | None = None) -> Mended | None:
    """Set a damaged database aside and put a new one in its place; None where nothing is wrong.

    Call it before the store is opened, with no other program on it. What can still be read is taken over; what
    cannot is filled from the newest sound copy. Raises as `check` does, and SourceFailed where there is no room.
    """
    why = check(store, whole=whole)
    if not why:
        return None
    aside = set_aside(store, now, "damaged")
    if aside is None:
        return None
    fresh = store.with_name(store.name + ".rebuilding")
    try:
        with discarded(fresh):
            with explained(fresh), closing(connect(fresh, readonly=False)) as db:
                schema.migrate(db)
                out, copy, lost = _fill(db, aside, copies(store, copies_in), now)
                readings = db.execute("SELECT count(*) FROM reading").fetchone()[0]
                db.execute("PRAGMA journal_mode = DELETE")
            take_place(fresh, store)
    except OSError as error:
        raise SourceFailed(f"store {store}: damaged ({why}), and cannot be made anew: {error.strerror}") from error
    return Mended(why, aside, readings, copy, out.gaps, out.refused + lost)


def _fill(
    db: sqlite3.Connection, aside: Path, known: Sequence[Path], now: datetime
) -> tuple[Salvaged, Path | None, int]:
    db.execute("PRAGMA foreign_keys = OFF")  # rows come in any order; looked at in the end
    db.execute("PRAGMA synchronous = OFF")  # a power cut now: it is made anew again
    out = pour(aside, db)
    for ending in ("-wal", "-shm"):  # what looking at it has made
        left = aside.with_name(aside.name + ending)
        if left.exists() and (ending == "-shm" or not left.stat().st_size):
            left.unlink()
    if not any(out.rows.values()):
        # nothing to be read, not even the list of tables: perhaps the first page alone is gone
        grafted = aside.with_name(aside.name + ".grafted")
        with discarded(grafted):
            if _graft(aside, grafted):
                out = pour(grafted, db)
    copy = None
    for candidate in known:
        with suppress(BadInput, SourceFailed):
            verify(candidate)
            if other_history(candidate, db):
                continue
            pour(candidate, db, from_copy=True)
            copy = candidate
            break
    lost = unlinked(db)
    if not out.rows.get("outbox"):
        silence(db, now)
    db.execute("PRAGMA synchronous = FULL")
    return out, copy, lost


def _graft(aside: Path, grafted: Path) -> bool:
    """Copy the file, its list of tables replaced: ours begin at the same pages in every database of one schema."""
    shutil.copyfile(aside, grafted)
    log = aside.with_name(aside.name + "-wal")
    if log.exists():
        shutil.copyfile(log, grafted.with_name(grafted.name + "-wal"))
    pattern = grafted.with_name(grafted.name + ".pattern")
    with discarded(pattern):
        with closing(connect(pattern, readonly=False)) as db:
            schema.migrate(db)
            db.execute("PRAGMA journal_mode = DELETE")
        data = pattern.read_bytes()
    pages = grafted.stat().st_size // _PAGE
    if pages < len(data) // _PAGE:
        return False
    first = bytearray(data[:_PAGE])
    first[18:20] = b"\x02\x02"  # write-ahead logging
    first[_PAGE_COUNT] = pages.to_bytes(4, "big")
    first[_FREE_LIST] = bytes(8)
    with grafted.open("r+b") as file:
        file.write(first)
        for page in _children(first):
            file.seek((page - 1) * _PAGE)
            file.write(data[(page - 1) * _PAGE : page * _PAGE])
    return True


def _children(first: bytearray) -> list[int]:
    """The pages below the first one, where the list of tables does not fit on it (interior page of a table, 5)."""
    kind, cells = first[100], int.from_bytes(first[103:105], "big")
    if kind != 5:
        return []
    places = [int.from_bytes(first[112 + 2 * k : 114 + 2 * k], "big") for k in range(cells)]
    return [int.from_bytes(first[place : place + 4], "big") for place in (*places, 108)]


def _is_damage(store: Path, error: sqlite3.DatabaseError) -> bool:
    code = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
    if code == sqlite3.SQLITE_CORRUPT:
        return True
    if code == sqlite3.SQLITE_NOTADB:
        return _lived(store)  # else it is another file, given by mistake, and must be left alone
    return isinstance(error, sqlite3.OperationalError) and "no such table" in str(error)


def _lived(store: Path) -> bool:
    """Whether there are traces that a database of ours was here: its header, its log, a service's lock, a copy."""
    with store.open("rb") as file:
        header = file.read(100)
    if header[68:72] == schema.APPLICATION_ID.to_bytes(4, "big"):
        return True
    beside = [store.with_name(store.name + ending) for ending in ("-wal", ".lock")]
    return any(p.exists() for p in beside) or bool(copies(store, store.parent / "backup"))
