"""The one writer thread: it owns the writing connection, commits readings in groups, and says when they are durable."""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

from monitor.model.errors import BadInput, SourceFailed
from monitor.model.reading import Reading, SetAside
from monitor.store import Store
from monitor.store.opening import damage_of, is_out

log = logging.getLogger(__name__)
T = TypeVar("T")
OnDurable = Callable[[], None]
_Entry = tuple[Reading, OnDurable | None]

BATCH = 1000  # readings in one transaction at most; below what a broker may send ahead of our acknowledgement
WAITING = 20_000  # readings waiting at most; then whoever hands one in waits, and with it the broker
JOBS = 10_000  # jobs waiting at most; further ones fail at once
_RETRY_S, _RETRY_LONGEST_S = 0.1, 10.0
_PATIENCE_S = 30.0  # a job waits this long for a store that is out, then it fails


class _Job:
    """Something to run on the store, and the future of its result."""

    def __init__(self, function: Callable[[Store], Any], *, commit: bool, at: float) -> None:
        self.function = function
        self.commit = commit
        self.at = at
        self.future: Future[Any] = Future()


class Writer:
    """Start with the path; `close` commits what is there. Safe to use from any thread.

    Readings wait up to `commit_every_s` so that a card is not worn out by one commit each. They are committed earlier
    where `batch` of them wait, one is marked `at_once` or a job is submitted. Where the store cannot be written (disk
    full, locked), readings stay in memory and are tried again; nothing is said to be durable before it is. A reading
    that can never be written is set aside with the reason.
    """

    def __init__(
        self,
        path: Path,
        *,
        commit_every_s: float = 0.0,
        batch: int = BATCH,
        waiting: int = WAITING,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._every_s, self._batch, self._limit = commit_every_s, batch, waiting
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._work = threading.Condition(self._lock)  # something came in
        self._room = threading.Condition(self._lock)  # readings went out
        self._readings: deque[_Entry] = deque()
        self._jobs: deque[_Job] = deque()
        self._oldest = 0.0  # when the first of the waiting readings came
        self._urgent = False
        self._closed = False
        self._failures = 0
        self._retry_at = 0.0  # real monotonic time before which a failed commit is not tried again
        self._error: Exception | None = None
        self.damage = ""  # what was found wrong with the database's file; it does not go away by itself
        self._store = Store.open(path)  # here, so that a bad path is refused at once
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        self._thread.start()

    @property
    def error(self) -> str:
        """Why readings cannot be written now, in words; "" while they can."""
        if isinstance(self._error, MemoryError):
            return "no memory is left"
        return "" if self._error is None else str(self._error) or type(self._error).__name__

    def alive(self) -> bool:
        """Return whether the thread runs, or was asked to end."""
        return self._closed or self._thread.is_alive()

    @property
    def waiting(self) -> int:
        """How many readings were handed in and are not durable yet."""
        return len(self._readings)

    def submit(self, function: Callable[[Store], T]) -> Future[T]:
        """Run `function` on the store in the writer's thread, after everything handed in before it is committed."""
        return self._add(function, commit=True)

    def peek(self, function: Callable[[Store], T]) -> Future[T]:
        """Run `function`, which only reads, in the writer's thread; readings that wait go on waiting."""
        return self._add(function, commit=False)

    def flush(self) -> Future[None]:
        """Commit what waits; the future is done when it is durable."""
        return self.submit(lambda _store: None)

    def submit_reading(
        self,
        reading: Reading,
        on_durable: OnDurable | None = None,
        *,
        at_once: bool = False,
        wait_s: float | None = None,
    ) -> bool:
        """Hand in a reading; `on_durable` is called from the writer's thread when it is committed.

        Where too many wait, this waits `wait_s` for room (None: as long as it takes) and returns False where none came.
        """
        with self._lock:
            waiting = len(self._readings)
            if self._closed or waiting >= self._limit:
                self._room.wait_for(lambda: self._closed or len(self._readings) < self._limit, wait_s)
                self._refuse_closed()
                waiting = len(self._readings)
                if waiting >= self._limit:
                    return False
            if not waiting:
                self._oldest = self._monotonic()
            self._readings.append((reading, on_durable))
            self._urgent |= at_once
            # the thread sleeps through those that only join a group
            if at_once or not waiting or (waiting + 1) % self._batch == 0:
                self._work.notify()
        return True

    def close(self, timeout_s: float = 10.0) -> None:
        """Commit what waits and end the thread. More than once does no harm."""
        with self._lock:
            self._closed = True
            self._work.notify_all()
            self._room.notify_all()
        self._thread.join(timeout_s)

    def _refuse_closed(self) -> None:
        if self._closed:
            raise RuntimeError("the writer is closed")

    def _add(self, function: Callable[[Store], T], *, commit: bool) -> Future[T]:
        job = _Job(function, commit=commit, at=time.monotonic())
        with self._lock:
            self._refuse_closed()
            if len(self._jobs) < JOBS:
                self._jobs.append(job)
                self._work.notify()
                return job.future
        job.future.set_exception(SourceFailed(f"store: {JOBS} writes wait already ({self.error or 'it is slow'})"))
        return job.future

    # The writer's thread ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self._work_off()
        finally:  # a thread that dies leaves no connection behind
            self._store.close()

    def _work_off(self) -> None:
        while True:
            job, last = self._next()
            if job is None:
                self._commit()
                if last:
                    break
                continue
            failed = self._commit() if job.commit else None
            self._do(job, failed)
        if self._readings:
            log.error("%d readings could not be written before the end: %s", len(self._readings), self.error)

    def _next(self) -> tuple[_Job | None, bool]:
        """Wait for a job, or for readings to be due (None), or for the end (None, True)."""
        with self._lock:
            while True:
                job = self._next_job()
                if job is not None:
                    return job, False
                if self._closed and not self._jobs:
                    return None, True
                wait_s = self._due_in()
                if wait_s is not None and wait_s <= 0:
                    return None, False
                self._work.wait(wait_s)

    def _next_job(self) -> _Job | None:
        """Take the next job. While the store is out, looks go first and the others have patience."""
        if not self._jobs:
            return None
        now = time.monotonic()
        if self._closed or now >= self._retry_at or now - self._jobs[0].at >= _PATIENCE_S:
            return self._jobs.popleft()
        for job in self._jobs:
            if not job.commit:
                self._jobs.remove(job)
                return job
        return None

    def _due_in(self) -> float | None:
        """Real seconds until there may be something to do; None = until something comes in."""
        out_s = self._retry_at - time.monotonic()
        if out_s > 0:
            return out_s if self._readings or self._jobs else None
        if not self._readings:
            return None
        if self._urgent or self._failures or len(self._readings) >= self._batch:
            return 0.0
        left_s = self._oldest + self._every_s - self._monotonic()
        return min(left_s, 1.0)  # not for long at once: the clock that was given may run faster than the real one

    def _do(self, job: _Job, failed: Exception | None) -> None:
        if not job.future.set_running_or_notify_cancel():
            return
        try:
            if failed is not None:
                raise failed
            before = self._store.changes
            result = job.function(self._store)
        except BaseException as error:  # noqa: BLE001  handed to whoever waits for the result
            if failed is None and isinstance(error, Exception) and is_out(error):
                self._out(error, job)
            job.future.set_exception(error)
        else:
            if job.commit and self._store.changes != before:
                self._works()
            job.future.set_result(result)

    def _commit(self) -> Exception | None:
        """Commit the readings that are there now; return why where it cannot be done, and keep them."""
        with self._lock:
            self._urgent = False
            left = len(self._readings)
            now = self._monotonic()
        while left > 0:
            with self._lock:
                batch = list(islice(self._readings, min(left, self._batch)))
            try:
                self._write(batch)
            except Exception as error:  # noqa: BLE001  the store itself is out: wait, and try them all again
                self._fails(error)
                return error
            left -= len(batch)
            with self._lock:
                for _ in batch:
                    self._readings.popleft()
                self._oldest = now  # what is left came since
                self._room.notify_all()
            self._works()
            _tell(batch)
        return None

    def _write(self, batch: list[_Entry]) -> None:
        try:
            self._store.add_readings([reading for reading, _ in batch])
        except (ValueError, TypeError, AttributeError, OverflowError, BadInput, sqlite3.IntegrityError) as error:
            log.warning("a reading that cannot be written (%s) is looked for among %d", error, len(batch))
            with self._store.transaction():
                for reading, _ in batch:
                    self._one(reading)

    def _one(self, reading: Reading) -> None:
        """Write one reading of a group that failed, or set it aside with the reason: it must not hold up the rest."""
        try:
            self._store.add_readings([reading])
        except (ValueError, TypeError, AttributeError, OverflowError, BadInput, sqlite3.IntegrityError) as error:
            log.error("a reading of %s is set aside, it can never be written: %s", reading.source, error)
            received = reading.received
            if not isinstance(received, datetime) or received.tzinfo is None:
                received = datetime.now(UTC)
            self._store.add_set_aside(
                SetAside(
                    received, str(reading.source), str(reading.subject), str(reading.quantity),
                    raw=repr(reading.value), reason=f"cannot be kept: {error}",
                )
            )  # fmt: skip

    def _out(self, error: Exception, job: _Job) -> None:
        """A job found that the store is out: readings would find the same; without any nobody else finds it."""
        self.damage = self.damage or damage_of(error)
        if job.commit:
            self._fails(error)

    def _fails(self, error: Exception) -> None:
        self.damage = self.damage or damage_of(error)
        if self._error is None or str(self._error) != str(error):
            log.error("readings cannot be written and are kept in memory: %s", error)
        self._error = error
        self._retry_at = time.monotonic() + min(_RETRY_S * 2**self._failures, _RETRY_LONGEST_S)
        self._failures = min(self._failures + 1, 10)

    def _works(self) -> None:
        if self._error is not None:
            log.warning("readings can be written again")
        self._error, self._failures, self._retry_at = None, 0, 0.0


def _tell(batch: list[_Entry]) -> None:
    for _, on_durable in batch:
        if on_durable is not None:
            try:
                on_durable()
            except Exception:
                log.exception("what waited for a reading to be durable failed")
