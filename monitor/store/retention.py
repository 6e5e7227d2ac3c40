"""Thinning: the one way by which facts leave the store, said in the transaction that does it. Entries by hand stay.

What is thinned, from which age, is declared in `Retention`. Alerts, notices, the outbox and the record are never
thinned. The room is used again; the file does not shrink.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

from monitor.model.reading import BY_HAND, Quantity
from monitor.store.base import Base
from monitor.store.pack import stamp
from monitor.store.schema import THINNING

HOUR = timedelta(hours=1)
_SLICE = timedelta(days=7)  # of one stream in one transaction: some ten thousand readings at one a minute
# A switch is rare, and every turn of it counts.
_KEPT_WHOLE = (Quantity.VALVE, Quantity.CHANGEOVER, Quantity.GAS_DETECTED)
_DONE = "thinned until "  # a key in `meta` for each stream or table, so that nothing is looked through twice


@dataclass(frozen=True, slots=True)
class Retention:
    """What is kept whole for how long, and how much of it after.

    Of each stream of readings the first good one in each `readings_step` stays; of outlooks and of each source's
    forecasts the first in each step. What was set aside goes after its time.
    """

    readings: timedelta = timedelta(days=1096)
    readings_step: timedelta = HOUR
    outlooks: timedelta = timedelta(days=14)
    outlooks_step: timedelta = 6 * HOUR
    forecasts: timedelta = timedelta(days=90)
    forecasts_step: timedelta = 6 * HOUR
    set_aside: timedelta = timedelta(days=366)
    by_hand: tuple[str, ...] = BY_HAND  # how the sources begin whose readings a person entered


class Thin(Base):
    """Removing by declared rule, in slices, so that no transaction is long and no reader or writer waits."""

    def thin(self, now: datetime, keep: Retention, *, slices: int = 20) -> tuple[int, bool]:
        """Do at most so many slices of work; return how many rows went and whether there is more to do.

        Each slice is a transaction of its own. A clock that is set back does no harm, one far ahead is refused by the
        caller (it would thin what is young).
        """
        gone = 0
        for _ in range(slices):
            done = self._thin_one(now, keep)
            if done is None:
                return gone, False
            gone += done
        return gone, True

    def _thin_one(self, now: datetime, keep: Retention) -> int | None:
        """Do one slice; None where nothing is left to do."""
        for stream, source, quantity in self._rows("SELECT id, source, quantity FROM stream ORDER BY id"):
            if source.startswith(keep.by_hand) or quantity in _KEPT_WHOLE:
                continue
            done = self._slice("reading", "time", stream, now - keep.readings, keep.readings_step, keep)
            if done is not None:
                return done
        for (source,) in self._rows("SELECT DISTINCT source FROM forecast"):
            done = self._slice("forecast", "received", source, now - keep.forecasts, keep.forecasts_step, keep)
            if done is not None:
                return done
        done = self._slice("outlook", "at", None, now - keep.outlooks, keep.outlooks_step, keep)
        if done is not None:
            return done
        return self._slice("set_aside", "received", None, now - keep.set_aside, None, keep)

    def _slice(
        self, table: str, time: str, of: int | str | None, until: datetime, step: timedelta | None, keep: Retention
    ) -> int | None:
        """Thin one slice of one series, from where the last one ended; None where it is up to date."""
        column = {"reading": "stream", "forecast": "source"}.get(table)
        series = f"{column} = ?1" if column else "?1 IS NULL"
        key = f"{_DONE}{table} {of if of is not None else ''}".strip()
        end = _whole(stamp(until), step)
        known = self._rows("SELECT value FROM meta WHERE key = ?", (key,))
        low = int(known[0][0]) if known else -(2**62)
        first = self._rows(
            f"SELECT {time} FROM {table} WHERE {series} AND {time} >= ?2 AND {time} < ?3 ORDER BY {time} LIMIT 1",
            (of, low, end),
        )
        if not first:
            return None
        begin = _whole(int(first[0][0]), step)
        high = min(begin + _SLICE // timedelta(microseconds=1), end)
        with self.transaction():
            self._db.execute("INSERT INTO meta VALUES (?, ?)", (THINNING, json.dumps(asdict(keep), default=str)))
            gone = self._db.execute(
                f"DELETE FROM {table} WHERE {series} AND {time} >= ?2 AND {time} < ?3{_stays(table, time, step)}",
                (of, begin, high),
            ).rowcount
            self._db.execute("DELETE FROM meta WHERE key = ?", (THINNING,))
            self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, str(high)))
        return gone


def _whole(moment: int, step: timedelta | None) -> int:
    width = (step or HOUR) // timedelta(microseconds=1)
    return moment - moment % width


def _stays(table: str, time: str, step: timedelta | None) -> str:
    """Return the condition under which a row of the slice goes all the same: it is not the first of its step."""
    if step is None:
        return ""
    width = step // timedelta(microseconds=1)
    # a bad value must not stand for its step, and nothing may lose the reading that it corrects or is corrected by
    good = "value IS NULL, " if table == "reading" else ""
    linked = (
        " AND corrects IS NULL AND NOT EXISTS (SELECT 1 FROM reading c WHERE c.corrects = reading.id)"
        if table == "reading"
        else ""
    )
    first = f"row_number() OVER (PARTITION BY {time} / {width} ORDER BY {good}{time}, id)"
    series = {"reading": "stream = ?1", "forecast": "source = ?1"}.get(table, "?1 IS NULL")
    inner = f"SELECT id, {first} AS place FROM {table} WHERE {series} AND {time} >= ?2 AND {time} < ?3"
    return f"{linked} AND id IN (SELECT id FROM ({inner}) WHERE place > 1)"
