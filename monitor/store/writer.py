"""The one writer thread: it owns the writing connection, commits readings in groups, and says when they are durable."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any, TypeVar

from monitor.model.reading import Reading
from monitor.store import Store

log = logging.getLogger(__name__)
T = TypeVar("T")
OnDurable = Callable[[], None]

BATCH = 1000  # readings in one transaction at most
WAITING = 20_000  # jobs waiting at most; then whoever adds one waits
_RETRY_S = 5.0


class _Job:
    """Something to run on the store, and the future of its result."""

    def __init__(self, function: Callable[[Store], Any], *, commit: bool) -> None:
        self.function = function
        self.commit = commit
        self.future: Future[Any] = Future()


class Writer:
    """Start with the path; `close` commits what is there. Safe to use from any thread.

    Readings wait up to `commit_every_s` so that a card is not worn out by one commit each; a job, a reading marked
    `at_once`, or `flush` commits them too, in order. Where the store cannot be written (disk full, locked), readings
    stay in memory and are tried again, and nothing is said to be durable before it is.
    """

    def __init__(
        self, path: Path, *, commit_every_s: float = 0.0, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._path = path
        self._every_s = commit_every_s
        self._monotonic = monotonic
        self._queue: queue.Queue[_Job | tuple[Reading, OnDurable | None, bool] | None] = queue.Queue(WAITING)
        self._pending: list[tuple[Reading, OnDurable | None]] = []
        self._oldest = 0.0
        self._closed = threading.Event()
        self._store = Store.open(path)  # here, so that a bad path is refused at once
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)
        self._thread.start()

    def submit(self, function: Callable[[Store], T]) -> Future[T]:
        """Run `function` on the store in the writer's thread, after everything handed in before it is committed."""
        job = _Job(function, commit=True)
        self._put(job)
        return job.future

    def peek(self, function: Callable[[Store], T]) -> Future[T]:
        """Run `function`, which only reads, in the writer's thread; readings that wait go on waiting."""
        job = _Job(function, commit=False)
        self._put(job)
        return job.future

    def submit_reading(self, reading: Reading, on_durable: OnDurable | None = None, *, at_once: bool = False) -> None:
        """Hand in a reading; `on_durable` is called from the writer's thread when it is committed."""
        self._put((reading, on_durable, at_once))

    def flush(self) -> Future[None]:
        """Commit what waits; the future is done when it is durable."""
        return self.submit(lambda _store: None)

    def close(self, timeout_s: float = 10.0) -> None:
        """Commit what waits and end the thread. More than once does no harm."""
        if not self._closed.is_set():
            self._closed.set()
            self._queue.put(None)
        self._thread.join(timeout_s)

    def _put(self, item: _Job | tuple[Reading, OnDurable | None, bool]) -> None:
        if self._closed.is_set():
            raise RuntimeError("the writer is closed")
        self._queue.put(item)

    def _run(self) -> None:
        while True:
            try:
                item = self._queue.get(timeout=self._patience())
            except queue.Empty:
                if self._is_due():
                    self._commit()
                continue
            if item is None:
                self._commit()
                self._store.close()
                return
            if isinstance(item, _Job):
                if item.commit or self._is_due():
                    self._commit()
                self._do(item)
                continue
            reading, on_durable, at_once = item
            if not self._pending:
                self._oldest = self._monotonic()
            self._pending.append((reading, on_durable))
            full = len(self._pending) >= BATCH
            late = self._is_due() and self._queue.empty()
            if at_once or full or late:
                self._commit()

    def _is_due(self) -> bool:
        return bool(self._pending) and self._monotonic() - self._oldest >= self._every_s

    def _patience(self) -> float | None:
        """How long to wait for the next item: for ever, or until the oldest reading is due (real seconds)."""
        if not self._pending:
            return None
        return min(max(0.0, self._oldest + self._every_s - self._monotonic()), 1.0)

    def _do(self, job: _Job) -> None:
        if not job.future.set_running_or_notify_cancel():
            return
        try:
            result = job.function(self._store)
        except BaseException as error:  # noqa: BLE001  handed to whoever waits for the result
            job.future.set_exception(error)
        else:
            job.future.set_result(result)

    def _commit(self) -> None:
        """Commit the pending readings; where the store refuses them all, keep them and try again later."""
        if not self._pending:
            return
        batch, self._pending = self._pending, []
        try:
            self._store.add_readings([reading for reading, _ in batch])
        except Exception as error:
            log.exception("readings could not be written and are kept in memory: %s", error)
            self._one_by_one(batch)
            return
        self._tell(batch)

    def _one_by_one(self, batch: list[tuple[Reading, OnDurable | None]]) -> None:
        """After a failed group: one bad reading must not hold up the others; a store that is out keeps them all."""
        for number, entry in enumerate(batch):
            try:
                self._store.add_readings([entry[0]])
            except (ValueError, TypeError) as error:
                log.error("a reading of %s was dropped, it can never be written: %s", entry[0].source, error)
            except Exception:  # noqa: BLE001  the store itself is out: wait, and try them all again
                self._pending = batch[number:] + self._pending
                self._oldest = self._monotonic()
                if not self._closed.is_set():
                    time.sleep(min(_RETRY_S, 0.1))
                return
            else:
                self._tell([entry])

    def _tell(self, batch: list[tuple[Reading, OnDurable | None]]) -> None:
        for _, on_durable in batch:
            if on_durable is not None:
                try:
                    on_durable()
                except Exception:
                    log.exception("what waited for a reading to be durable failed")
