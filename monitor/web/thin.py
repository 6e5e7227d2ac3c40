"""Long series, thinned where they lie: a few index look-ups for each point of the picture, never the whole table."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.store.opening import connect
from monitor.store.pack import stamp

PER_POINT = 3  # readings looked up for one point: their median leaves out a stray one
_LOOK = """
WITH RECURSIVE step(k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM step WHERE k + 1 < :n),
found AS (SELECT k, (
    SELECT x.value FROM reading x WHERE x.stream = :stream AND x.time >= :start + k * :width
    AND x.time < :start + (k + 1) * :width {in_force}
    ORDER BY x.time LIMIT 1) AS value FROM step)
SELECT k, value FROM found WHERE value IS NOT NULL
"""
_IN_FORCE = "AND NOT EXISTS (SELECT 1 FROM reading c WHERE c.corrects = x.id)"
_ALL, _CORRECTED = _LOOK.format(in_force=""), _LOOK.format(in_force=_IN_FORCE)
_ANY = "SELECT EXISTS (SELECT 1 FROM reading WHERE corrects IS NOT NULL)"


@dataclass(frozen=True, slots=True)
class Stream:
    """One source's readings of one quantity of one thing."""

    number: int
    source: str
    subject: str
    quantity: str


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time cut into `points` equal steps."""

    start: datetime
    end: datetime
    points: int

    @property
    def step(self) -> timedelta:
        """Length of one step."""
        return (self.end - self.start) / self.points

    def middle(self, k: int) -> datetime:
        """Return the middle of step `k`."""
        return self.start + self.step * (k + 0.5)


class Series:
    """A reading connection for thinned series; for one thread."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        self._look = _CORRECTED if connection.execute(_ANY).fetchone()[0] else _ALL

    def streams(self) -> list[Stream]:
        """Return every stream that has readings."""
        rows = self._db.execute("SELECT id, source, subject, quantity FROM stream ORDER BY subject, quantity, source")
        return [Stream(*row) for row in rows]

    def sample(self, stream: Stream, span: Span) -> NDArray[np.float64]:
        """Return the median value of each step, NaN where none was read; shape (points,)."""
        number = span.points * PER_POINT
        start, end = stamp(span.start), stamp(span.end)
        width = max(1, (end - start) // number)
        values = {"n": number, "stream": stream.number, "start": start, "width": width}
        found = np.full(number, np.nan)
        for k, value in self._db.execute(self._look, values):
            found[k] = value
        return middle(found.reshape(span.points, PER_POINT))


def middle(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median along the last axis, NaN left out; NaN where there is nothing else."""
    ordered = np.sort(rows, axis=-1)  # NaN goes last
    count = np.isfinite(ordered).sum(axis=-1)
    low = np.take_along_axis(ordered, np.maximum((count - 1) // 2, 0)[..., None], -1)[..., 0]
    high = np.take_along_axis(ordered, np.maximum(count // 2, 0).clip(max=rows.shape[-1] - 1)[..., None], -1)[..., 0]
    return np.where(count > 0, (low + high) / 2, np.nan)


@contextmanager
def opened(path: Path) -> Iterator[Series]:
    """Open the store for thinned reading. Raises SourceFailed where it is not there."""
    with closing(connect(path, readonly=True)) as connection:
        yield Series(connection)
