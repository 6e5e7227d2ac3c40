"""One service per store: a lock on a small file beside it, which the system lets go when the process ends, however.

Whether the service runs is then one question to the system, and telling it costs no writing.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import time
from pathlib import Path
from types import TracebackType

from monitor.model.errors import BadInput, Problem, SourceFailed

_ROOM = 512  # bytes of the file, all written at the start, so that word can be left on a full disk


def path_of(store: Path) -> Path:
    """Return the lock file's path for a store."""
    return store.with_name(store.name + ".lock")


class Lock:
    """Held while the service runs; the file says which process holds it."""

    def __init__(self, store: Path) -> None:
        self._path = path_of(store)
        self._file: int | None = None

    def take(self) -> None:
        """Take the lock; raise BadInput where another service has the store, SourceFailed where none can."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        except OSError as error:
            raise SourceFailed(
                f"store {self._path.with_suffix('')}: its folder cannot be written ({error.strerror}); "
                "check the rights and whether the disk is full or read-only"
            ) from error
        if not _locked(file):
            holder = _lines(file)[0] or "unknown"
            os.close(file)
            raise BadInput(
                Problem(
                    "store",
                    str(self._path.with_suffix("")),
                    "a store that no other service is using",
                    f"Process {holder} runs on it; end that one, or give --store another path.",
                )
            )
        with contextlib.suppress(OSError):  # a full disk: the lock holds without; what is wrong is told by the store
            os.pwrite(file, f"{os.getpid()}\n".encode().ljust(_ROOM), 0)
        self._file = file

    def release(self) -> None:
        """Let go; the file stays, as removing it would race with the next to come."""
        if self._file is not None:
            with contextlib.suppress(OSError):
                os.pwrite(self._file, b"".ljust(_ROOM), 0)  # its bytes are kept for the next to come
            os.close(self._file)
            self._file = None

    def __enter__(self) -> Lock:
        self.take()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.release()


def leave_word(store: Path, text: str) -> None:
    """Leave word for `boiloff status` of why the store itself cannot take it, "" when it can: no byte more is needed.

    Where not even this can be written, nothing is raised: the log has it.
    """
    said = text.replace("\n", " ").encode()[: _ROOM - 24]
    with contextlib.suppress(OSError):
        file = os.open(path_of(store), os.O_RDWR | os.O_CLOEXEC)
        try:
            os.pwrite(file, (_lines(file)[0] + "\n").encode().ljust(24) + said.ljust(_ROOM - 24), 0)
        finally:
            os.close(file)


def word(store: Path) -> str:
    """Return what the service that runs on the store left word of, "" where nothing."""
    if not holder(store):
        return ""
    try:
        file = os.open(path_of(store), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return ""
    try:
        return _lines(file)[1]
    finally:
        os.close(file)


def _lines(file: int) -> tuple[str, str]:
    """Return the process id and the word that was left."""
    first, _, second = os.pread(file, _ROOM, 0).decode(errors="replace").partition("\n")
    return first.strip(), second.strip()


def _locked(file: int) -> bool:
    # whoever asks `holder` has the lock for a moment: try again before saying no
    for attempt in range(5):
        if attempt:
            time.sleep(0.05)
        with contextlib.suppress(OSError):
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
    return False


def holder(store: Path) -> int | None:
    """Return the process that runs on the store, or None where none does."""
    try:
        file = os.open(path_of(store), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        text = _lines(file)[0]
        return int(text) if text.isdigit() else 0
    finally:
        os.close(file)
    return None
