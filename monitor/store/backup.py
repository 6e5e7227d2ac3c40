"""Copies of the database while it is in use: whole, verified, and only then counted; and the way back from one."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from monitor.model.errors import BadInput, Problem, SourceFailed
from monitor.store import schema
from monitor.store.opening import connect, explained

_STAMP = "%Y%m%dT%H%M%SZ"
_PART = ".part"


@dataclass(frozen=True, slots=True)
class Copy:
    """One copy. `readings` is how many it holds, `newest` when the newest fact in it came in (None: it is empty)."""

    path: Path
    size: int
    readings: int
    newest: datetime | None


def folder_of(store: Path, chosen: str | Path = "") -> Path:
    """Return where copies go: as chosen, else a folder beside the database."""
    return Path(chosen).expanduser() if str(chosen) else store.parent / "backup"


def copies(store: Path, folder: Path) -> list[Path]:
    """Return the copies of this database in `folder`, newest first; other files are left out."""
    name = re.compile(re.escape(store.stem) + r"-(\d{8}T\d{6}Z)(?:-(\d+))?\.db")
    found = [(m[1], int(m[2] or 1), p) for p in folder.glob("*.db") if (m := name.fullmatch(p.name))]
    return [path for *_, path in sorted(found, reverse=True)]


def backup(store: Path, folder: Path, now: datetime, keep: int = 7) -> Copy:
    """Copy the database, check the copy, put it on the disk for good, then let go of copies beyond `keep`.

    The service may go on writing meanwhile; the copy is of one moment. Raises SourceFailed where the copy cannot be
    made or is not sound: then no older copy is removed.
    """
    with explained(store), closing(connect(store, readonly=True)) as source:
        with _written(folder):
            folder.mkdir(parents=True, exist_ok=True)
        final = _free_name(store, folder, now)
        part = final.with_suffix(_PART)
        with _written(final), discarded(part):
            _copy(source, part)
            try:
                made = verify(part)
            except BadInput as error:  # spoilt beyond being known as ours
                raise SourceFailed(f"backup {final}: the copy is not sound") from error
            _settle(part, final)
    for old in copies(store, folder)[max(keep, 1) :]:
        old.unlink(missing_ok=True)
    return Copy(final, made.size, made.readings, made.newest)


def verify(copy: Path) -> Copy:
    """Look through a copy from end to end. Raises SourceFailed where it is not sound, BadInput where not ours."""
    if not copy.is_file():
        raise BadInput(Problem("backup", str(copy), "a copy made by `boiloff backup`"))
    with explained(copy), closing(sqlite3.connect(f"{copy.absolute().as_uri()}?mode=ro", uri=True)) as db:
        try:
            found, foreign = schema.version(db), schema.is_foreign(db)
        except sqlite3.DatabaseError as error:
            raise BadInput(Problem("backup", f"{copy} ({error})", "a copy made by `boiloff backup`")) from error
        if foreign or found == 0:
            raise BadInput(Problem("backup", str(copy), "a copy made by `boiloff backup`"))
        if found > schema.VERSION:
            raise BadInput(Problem("backup", f"{copy} has schema {found}", f"schema {schema.VERSION} or older",
                                   "It was written by a later version: upgrade boiloff."))  # fmt: skip
        faults = [str(row[0]) for row in db.execute("PRAGMA integrity_check(20)")]
        faults += [f"{row[0]} {row[1]} refers to nothing" for row in db.execute("PRAGMA foreign_key_check")]
        if faults != ["ok"]:
            raise SourceFailed(f"backup {copy}: the copy is not sound: {'; '.join(f for f in faults if f != 'ok')}")
        readings = db.execute("SELECT count(*) FROM reading").fetchone()[0]
        newest = db.execute(
            "SELECT max(t) FROM (SELECT received AS t FROM reading WHERE id = (SELECT max(id) FROM reading) "
            "UNION ALL SELECT max(received) FROM forecast UNION ALL SELECT max(at) FROM outlook "
            "UNION ALL SELECT max(entered) FROM event)"
        ).fetchone()[0]
    when = None if newest is None else datetime.fromtimestamp(newest / 1e6, UTC)
    return Copy(copy, copy.stat().st_size, readings, when)


def restore(copy: Path, store: Path, now: datetime) -> Path | None:
    """Put a copy in the database's place; return where the old one was set aside, None where there was none.

    The caller sees to it that no service runs on the store. What waited in the copy to be told is not told any more:
    it is old news by now, and alerts are judged anew. Raises as `verify` does; then nothing was changed.
    """
    verify(copy)
    fresh = store.with_name(store.name + ".restoring")
    with _written(store), discarded(fresh):
        store.parent.mkdir(parents=True, exist_ok=True)
        with explained(copy), closing(sqlite3.connect(f"{copy.absolute().as_uri()}?mode=ro", uri=True)) as source:
            _copy(source, fresh)
        with explained(fresh), closing(connect(fresh, readonly=False)) as db:
            schema.migrate(db)
            silence(db, now)
            db.execute("PRAGMA journal_mode = DELETE")
        if store.exists():
            with suppress(sqlite3.Error), closing(sqlite3.connect(store)) as old:
                old.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # so that the old one is one file too
        aside = set_aside(store, now, "replaced")
        take_place(fresh, store)
    return aside


def silence(db: sqlite3.Connection, now: datetime) -> None:
    """Drop what waits in the outbox of a database that comes from a copy."""
    done = round(now.timestamp() * 1e6)
    db.execute(
        "UPDATE outbox SET state = 'dropped', error = 'from a copy: old news', done_at = ? WHERE state = 'waiting'",
        (done,),
    )


def set_aside(store: Path, now: datetime, why: str) -> Path | None:
    """Give a database, its log with it, a second name that says when and why; it stays in its place until replaced."""
    if not store.exists():
        return None
    stem, number = f"{store.stem}.{why}-{now.astimezone(UTC).strftime(_STAMP)}", 1
    for known in store.parent.glob(f"{store.stem}.{why}-*{store.suffix}"):
        if known.samefile(store):  # an earlier try did not come to its end
            return known
    aside = store.with_name(stem + store.suffix)
    while aside.exists():
        number += 1
        aside = store.with_name(f"{stem}-{number}{store.suffix}")
    log = _log(store)
    if log.exists():
        _second_name(log, _log(aside))
    _second_name(store, aside)
    return aside


def take_place(fresh: Path, store: Path) -> None:
    """Replace a database. Its log goes first: read with another file it would spoil that one."""
    _log(store).unlink(missing_ok=True)
    store.with_name(store.name + "-shm").unlink(missing_ok=True)
    _settle(fresh, store)


@contextmanager
def discarded(path: Path) -> Iterator[None]:
    """Remove what is left of a file that was to be renamed, before and after."""
    path.unlink(missing_ok=True)
    try:
        yield
    finally:
        for left in (path, _log(path), path.with_name(path.name + "-shm")):
            with suppress(OSError):
                left.unlink(missing_ok=True)


@contextmanager
def _written(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise SourceFailed(f"{path}: cannot be written: {error.strerror} ({error.filename})") from error


def _log(database: Path) -> Path:
    return database.with_name(database.name + "-wal")


def _second_name(path: Path, name: Path) -> None:
    try:
        name.hardlink_to(path)
    except OSError:  # a file system without links, such as FAT
        shutil.copy2(path, name)


def _free_name(store: Path, folder: Path, now: datetime) -> Path:
    stem = f"{store.stem}-{now.astimezone(UTC).strftime(_STAMP)}"
    path, number = folder / f"{stem}.db", 1
    while path.exists():
        number += 1
        path = folder / f"{stem}-{number}.db"
    return path


def _copy(source: sqlite3.Connection, part: Path) -> None:
    """Copy with SQLite's own backup call, in one go: then it is of one moment whatever is written meanwhile."""
    part.unlink(missing_ok=True)
    with explained(part), closing(sqlite3.connect(part, isolation_level=None)) as target:
        target.execute("PRAGMA synchronous = OFF")  # it is flushed as a whole, once, when it is known to be sound
        source.backup(target, pages=-1)
        target.execute("PRAGMA journal_mode = DELETE")  # one file, with no log beside it


def _settle(part: Path, final: Path) -> None:
    """Flush the file, give it its name, flush the folder: after that a power cut does not take it."""
    _flush(part, os.O_RDWR)
    part.replace(final)
    _flush(final.parent, os.O_RDONLY | os.O_DIRECTORY)


def _flush(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
