"""Opening the database: where it is, how it is set, and what may be wrong with it, so that a person can mend it."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from monitor.model.errors import BadInput, Problem, SourceFailed
from monitor.model.site import Site
from monitor.store import schema

BUSY_S = 10.0
# The system refused to write: a quota, a limit, a card that fails. Nothing says that the file is damaged.
_NOT_WRITTEN = {f"SQLITE_IOERR_{what}" for what in ("WRITE", "FSYNC", "DIR_FSYNC", "TRUNCATE", "SHMSIZE")}
_OUT = tuple(
    f"SQLITE_{what}" for what in ("FULL", "READONLY", "IOERR", "CANTOPEN", "BUSY", "CORRUPT", "NOTADB", "NOMEM")
)
_WAL_TAKEN_IN = 4 << 20  # bytes of the log at which its pages are taken into the file, each once
_WAL_LIMIT = 8 << 20  # bytes that the log keeps on the disk after a large transaction


def find(site: Site | None = None, path: Path | None = None) -> Path:
    """Return the database's path: as given, else the site's, else $BOILOFF_STORE, else the user's own."""
    if path is not None:
        return path
    named = str(site.settings.get("service.database", "") or "") if site is not None else ""
    named = named or os.environ.get("BOILOFF_STORE", "")
    if named:
        return Path(named).expanduser()
    base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "boiloff" / "boiloff.db"


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into ours. Raises SourceFailed, or BadInput where the path is at fault."""
    try:
        yield
    except sqlite3.Error as error:
        raise explain(path, error) from error


def explain(path: Path, error: sqlite3.Error) -> Exception:
    """Return the error to raise for one of SQLite's."""
    code = getattr(error, "sqlite_errorname", "") or ""
    text = str(error)
    if code.startswith("SQLITE_NOTADB") or "not a database" in text:
        return BadInput(Problem("store", str(path), "a database of boiloff", "Give --store the right path."))
    if code.startswith("SQLITE_FULL"):
        return SourceFailed(f"store {path}: the disk is full; free some space, nothing that was acknowledged is lost")
    if code.startswith("SQLITE_READONLY"):
        return SourceFailed(f"store {path}: cannot be written; check the rights and whether the disk is read-only")
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return SourceFailed(f"store {path}: another program has held it for {BUSY_S:.0f} s; try again")
    if code.startswith("SQLITE_CANTOPEN"):
        return SourceFailed(f"store {path}: cannot be opened; does the folder exist, and may this user write there?")
    if code in _NOT_WRITTEN:
        return SourceFailed(f"store {path}: cannot be written ({text}); is there a limit, or does the disk fail?")
    if code.startswith(("SQLITE_CORRUPT", "SQLITE_IOERR")):
        return SourceFailed(f"store {path}: damaged or unreadable ({text}); `boiloff restore` brings back a copy")
    return error


def _chain(error: BaseException | None) -> Iterator[sqlite3.Error]:
    """Yield SQLite's errors among this one and those that it was raised from; such a chain may run in a circle."""
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        if isinstance(error, sqlite3.Error):
            yield error
        error = error.__cause__ or error.__context__


def _named(error: sqlite3.Error, *names: str) -> bool:
    return str(getattr(error, "sqlite_errorname", "") or "").startswith(names)


def damage_of(error: BaseException | None) -> str:
    """Return in SQLite's words what is wrong with the file of a database of ours, "" where this error is of no damage.

    Looks at the error and at what it was raised from.
    """
    return next((str(e) for e in _chain(error) if _named(e, "SQLITE_CORRUPT", "SQLITE_NOTADB")), "")


def is_out(error: BaseException | None) -> bool:
    """Return whether SQLite refused for a reason that no other write would escape: disk, rights, damage, a lock."""
    return any(_named(e, *_OUT) for e in _chain(error))


def connect(path: Path, *, readonly: bool) -> sqlite3.Connection:
    """Open a connection in autocommit mode, set for us; the caller begins transactions by hand."""
    if readonly:
        return _reader(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SourceFailed(f"store {path}: its folder cannot be made: {error.strerror}") from error
    connection = _open(str(path))
    try:
        connection.execute(f"PRAGMA page_size = {schema.PAGE_BYTES}")  # of a new file; others keep theirs
        _use_log(connection)
        # FULL: a commit is on the disk before the broker or a person hears that the reading is kept. With a log,
        # NORMAL would lose the last commits at a power cut; they are few enough for one flush each.
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA recursive_triggers = ON")  # else REPLACE would remove a fact unseen
        connection.execute(f"PRAGMA wal_autocheckpoint = {_WAL_TAKEN_IN // schema.PAGE_BYTES}")
        connection.execute(f"PRAGMA journal_size_limit = {_WAL_LIMIT}")
    except BaseException:
        connection.close()
        raise
    return connection


def _open(name: str, *, uri: bool = False) -> sqlite3.Connection:
    """Open, and look whether it is ours before anything of it is changed."""
    connection = sqlite3.connect(name, timeout=BUSY_S, isolation_level=None, check_same_thread=False, uri=uri)
    try:
        if schema.is_foreign(connection):
            hint = "Give --store another path."
            raise BadInput(Problem("store", name, "an empty file or a database of boiloff", hint))
        connection.execute("PRAGMA cache_size = -4000")  # KiB: our indices' inner pages; small for the board
    except BaseException:
        connection.close()
        raise
    return connection


def _use_log(connection: sqlite3.Connection) -> None:
    """Switch to write-ahead logging. While another process does the same SQLite says busy without waiting."""
    end = time.monotonic() + BUSY_S
    while True:
        try:
            mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        except sqlite3.OperationalError as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > end:
                raise
            time.sleep(0.02)
        else:
            if mode != "wal":
                raise SourceFailed("store: its file system does not allow a write-ahead log (shared memory needed)")
            return


def missing(path: Path, hint: str = "") -> SourceFailed:
    """Return the error for a database that is not there yet, in the same words everywhere; `hint` adds a way out."""
    return SourceFailed(f"store {path}: no database there; `boiloff serve` or `boiloff reading` makes it{hint}")


def _reader(path: Path) -> sqlite3.Connection:
    """Open for reading only: not with mode=ro at first, as a reader may have to make the log's shared index."""
    if not path.exists():
        raise missing(path)
    try:
        connection = _open(str(path))
    except sqlite3.OperationalError as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        log = path.with_name(path.name + "-wal")
        if code not in {sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY} or _size(log):
            raise
        # A disk that cannot be written, and nothing in the log: the file alone is the whole database.
        connection = _open(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
    connection.execute("PRAGMA query_only = ON")
    return connection


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def prepare(path: Path, connection: sqlite3.Connection, *, readonly: bool) -> None:
    """Migrate, or refuse a database from a later version."""
    found = schema.version(connection)
    if found > schema.VERSION:
        raise BadInput(
            Problem(
                "store", f"{path} has schema {found}", f"schema {schema.VERSION} or older",
                "It was written by a later version: upgrade boiloff.",
            )
        )  # fmt: skip
    if found == schema.VERSION:
        return
    if not readonly:
        schema.migrate(connection)
    elif found == 0:
        raise SourceFailed(f"store {path}: holds nothing yet")
    else:
        with closing(connect(path, readonly=False)) as writing:
            schema.migrate(writing)
