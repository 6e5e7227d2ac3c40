"""The connection and its transactions; what the store holds is in the modules beside this one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Self

from monitor.store.opening import BUSY_S, connect, explain, explained, prepare


class Base:
    """One connection. Not for two threads at a time: the writer thread owns one, each reader opens its own."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._db = connection
        self._depth = 0

    @classmethod
    def open(cls, path: Path, *, readonly: bool = False) -> Self:
        """Open, make or migrate the database at `path`.

        Raises SourceFailed where it cannot be opened or written, BadInput where it is no database of ours or is from
        a later version.
        """
        with explained(path):
            connection = connect(path, readonly=readonly)
            try:
                prepare(path, connection, readonly=readonly)
            except BaseException:
                connection.close()
                raise
        return cls(path, connection)

    def close(self) -> None:
        """Close the connection; what was committed stays."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Join several writes into one transaction. One within another is undone alone where it fails."""
        if self._depth:
            begin, commit, undo = f"SAVEPOINT s{self._depth}", f"RELEASE s{self._depth}", f"ROLLBACK TO s{self._depth}"
        else:
            begin, commit, undo = "BEGIN IMMEDIATE", "COMMIT", "ROLLBACK"
        with explained(self.path):
            self._db.execute(begin)
        self._depth += 1
        try:
            yield
            self._db.execute(commit)
        except BaseException as error:
            self._undo(undo, commit)
            if isinstance(error, sqlite3.Error):
                raise explain(self.path, error) from error
            raise
        finally:
            self._depth -= 1

    @contextmanager
    def look(self) -> Iterator[None]:
        """Join several reads: all see the store as it is at the first of them, whatever is written meanwhile."""
        if self._db.in_transaction:
            yield
            return
        with explained(self.path):
            self._db.execute("BEGIN")
        try:
            yield
        finally:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")

    def _undo(self, undo: str, commit: str) -> None:
        """Take back a transaction, unless SQLite did it itself (disk full, I/O error); the first error stays."""
        with suppress(sqlite3.Error):
            if self._db.in_transaction:
                self._db.execute(undo)
                if commit != "COMMIT":
                    self._db.execute(commit)

    def _rows(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        with explained(self.path):
            return self._db.execute(sql, values).fetchall()

    def _write(self, sql: str, values: Sequence[Any] = ()) -> int:
        """Run one writing statement in a transaction; return the new row's id (or the last one's)."""
        with self.transaction():
            return int(self._db.execute(sql, values).lastrowid or 0)

    @property
    def changes(self) -> int:
        """Rows changed by this connection since it was opened."""
        return self._db.total_changes

    def data_version(self) -> int:
        """Return a number that changes when another connection has written."""
        return int(self._rows("PRAGMA data_version")[0][0])

    def take_in_log(self, patience_s: float = 1.0) -> bool:
        """Take the write-ahead log into the file and cut it; False where a reader was in the way for `patience_s`."""
        try:
            self._rows(f"PRAGMA busy_timeout = {round(patience_s * 1000)}")
            return not self._rows("PRAGMA wal_checkpoint(TRUNCATE)")[0][0]
        finally:
            self._rows(f"PRAGMA busy_timeout = {round(BUSY_S * 1000)}")

    def integrity(self, *, thorough: bool = False) -> list[str]:
        """Return what SQLite finds wrong with the file, [] where nothing is; `thorough` compares the indices too."""
        check = "integrity_check" if thorough else "quick_check"
        found = [str(row[0]) for row in self._rows(f"PRAGMA {check}(20)")]
        return [] if found == ["ok"] else found
