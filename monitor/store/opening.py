"""Opening the database: where it is, how it is set, and what may be wrong with it, so that a person can mend it."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.model.errors import BadInput, Problem, SourceFailed
from monitor.model.site import Site
from monitor.store import schema

BUSY_S = 10.0


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
    if code.startswith(("SQLITE_CORRUPT", "SQLITE_IOERR")):
        return SourceFailed(f"store {path}: damaged or unreadable ({text}); `boiloff restore` brings back a copy")
    return error


def connect(path: Path, *, readonly: bool) -> sqlite3.Connection:
    """Open a connection in autocommit mode, set for us; the caller begins transactions by hand."""
    if readonly:
        if not path.exists():
            raise SourceFailed(f"store {path}: is not there yet; `boiloff serve` or `boiloff reading` makes it")
        # Not mode=ro: a reader of a WAL database may have to make the -shm file.
        connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        connection.execute("PRAGMA query_only = ON")
    else:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise SourceFailed(f"store {path}: its folder cannot be made: {error.strerror}") from error
        connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        connection.execute("PRAGMA journal_mode = WAL")
        # FULL: a commit is on the disk before the broker or a person hears that the reading is kept.
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA cache_size = -4000")
    return connection


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
    if readonly:
        if found == 0:
            raise SourceFailed(f"store {path}: holds nothing yet")
        return
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    if found == 0 and tables:
        raise BadInput(
            Problem("store", str(path), "an empty file or a database of boiloff", "Give --store another path.")
        )
    schema.migrate(connection)
