"""Readings, what was set aside, forecasts as issued, outlooks as made, in the order they came."""

from __future__ import annotations

import json
import logging
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, TypeVar

from monitor.model.errors import BadInput, Problem
from monitor.model.forecast import Forecast
from monitor.model.reading import Quantity, Reading, SetAside
from monitor.store.base import Base
from monitor.store.opening import explained
from monitor.store.pack import moment, pack_json, pack_series, stamp, unpack_json, unpack_series

log = logging.getLogger(__name__)
T = TypeVar("T")

_ROW = "SELECT r.time, r.received, r.value, r.noise, r.age_known, r.corrects, r.note, r.id FROM reading r "
_FULL = (
    "SELECT r.time, r.received, r.value, r.noise, r.age_known, r.corrects, r.note, r.id, s.subject, s.quantity, "
    "s.source FROM reading r JOIN stream s ON s.id = r.stream "
)
_AT_ONCE = 100  # rows in one statement: a third less work than one by one (measured), and the interpreter is left alone
_COLUMNS = "(id, stream, time, received, value, noise, age_known, corrects, note)"
_PLACES = "(?, ?, ?, ?, ?, ?, ?, ?, ?)"
_INSERT_ONE = f"INSERT INTO reading {_COLUMNS} VALUES {_PLACES}"
_INSERT_MANY = f"INSERT INTO reading {_COLUMNS} VALUES {', '.join([_PLACES] * _AT_ONCE)}"
# A correction without a value takes a reading back; it is no reading itself.
_IN_FORCE = (
    "AND NOT EXISTS (SELECT 1 FROM reading c WHERE c.corrects = r.id) AND (r.corrects IS NULL OR r.value IS NOT NULL) "
)
_EVER = 2**62
_FORECAST = (
    "SELECT id, source, issued, received, start, members, hours, air, wind, cloud, humidity, spread, credit, "
    "elevation, notes FROM forecast "
)
RAW_LENGTH = 200
_TRIES = 3  # packed rows looked at for the newest sound one


def _reading(row: tuple[Any, ...], of: tuple[str, Quantity, str]) -> Reading:
    """A reading of a row of the table (`_ROW`) and what its stream says: subject, quantity, source."""
    time, received, value, noise, age_known, corrects, note, number = row
    subject, quantity, source = of
    return Reading(
        moment(time), moment(received), subject, quantity, value, source, noise, age_known == 1, corrects, note, number
    )


def to_forecast(row: tuple[Any, ...]) -> Forecast:
    """The forecast of a row of the table, in the order of its columns. Raises zlib.error where a series is spoilt."""
    members, hours = row[5], row[6]
    air = unpack_series(row[7], (members, hours))
    if air is None:  # the schema says NOT NULL
        raise ValueError("a forecast without air temperature")
    wind, cloud, humidity, spread = (unpack_series(blob, (hours,)) for blob in row[8:12])
    return Forecast(
        source=row[1], issued=moment(row[2]), received=moment(row[3]), start=moment(row[4]), air_k=air,
        wind_m_s=wind, cloud=cloud, humidity=humidity, spread_k=spread, credit=row[12], elevation_m=row[13],
        notes=tuple(json.loads(row[14])), id=row[0],
    )  # fmt: skip


def _outlook(row: tuple[Any, ...]) -> dict[str, Any]:
    return dict(unpack_json(row[0]))


def _sound(rows: Sequence[tuple[Any, ...]], unpack: Callable[[tuple[Any, ...]], T]) -> Iterator[T]:
    """Unpack; leave out what the card has spoilt (each packed column has a checksum), so that the rest is of use."""
    for row in rows:
        try:
            yield unpack(row)
        except (zlib.error, ValueError) as error:
            log.error("a packed row of the store is damaged and left out: %s", error)


@dataclass(slots=True)
class _Stream:
    """One series, and the time of its newest reading: what is younger cannot be there yet."""

    id: int
    newest: int
    said: dict[tuple[int, float | None], int] = field(default_factory=dict)  # what the same call has of it already,
    looked: int = 0  # gathered from so many of its rows, when first asked for


class Facts(Base):
    """Append-only facts."""

    def _stream(self, source: str, subject: str, quantity: str) -> _Stream:
        series = (str(subject), str(quantity), str(source))
        found = self._db.execute(
            "SELECT id, (SELECT max(time) FROM reading WHERE stream = stream.id) FROM stream "
            "WHERE subject = ? AND quantity = ? AND source = ?",
            series,
        ).fetchone()
        if found is not None:
            return _Stream(int(found[0]), -_EVER if found[1] is None else int(found[1]))
        made = self._db.execute("INSERT INTO stream (subject, quantity, source) VALUES (?, ?, ?)", series)
        return _Stream(int(made.lastrowid or 0), -_EVER)

    def add_readings(self, readings: Sequence[Reading]) -> list[int]:
        """Keep readings in one transaction; return their numbers. Raises BadInput where a corrected one is not there.

        A reading that carries the sender's own time and is there already (a broker sends again what it was not told
        is durable) is the same fact: it is not kept twice, and the number is that of the first.
        """
        numbers: list[int] = []
        rows: list[tuple[Any, ...]] = []
        streams: dict[tuple[str, str, str], _Stream] = {}
        with self.transaction():
            first = int(self._db.execute("SELECT coalesce(max(id), 0) + 1 FROM reading").fetchone()[0])
            for r in readings:
                key = (r.source, r.subject, r.quantity)
                stream = streams.get(key)
                if stream is None:
                    stream = streams[key] = self._stream(*key)
                number, time, received = first + len(rows), stamp(r.time), stamp(r.received)
                if r.corrects is not None:
                    if not first <= r.corrects < number:
                        self._must_be_there(r.corrects)
                elif time > stream.newest:
                    stream.newest = time
                elif time != received and (known := self._known(stream, time, r.value, rows)):
                    numbers.append(known)
                    continue
                numbers.append(number)
                rows.append((number, stream.id, time, received, r.value, r.noise, r.age_known, r.corrects, r.note))
            whole = len(rows) - len(rows) % _AT_ONCE
            for k in range(0, whole, _AT_ONCE):
                self._db.execute(_INSERT_MANY, [value for row in rows[k : k + _AT_ONCE] for value in row])
            self._db.executemany(_INSERT_ONE, rows[whole:])
        return numbers

    def _known(self, stream: _Stream, time: int, value: float | None, rows: list[tuple[Any, ...]]) -> int | None:
        """Return the number of the reading that says the same, in the store or among the `rows` to come."""
        found = self._db.execute(
            "SELECT id FROM reading WHERE stream = ? AND time = ? AND value IS ? AND corrects IS NULL LIMIT 1",
            (stream.id, time, value),
        ).fetchone()
        if found is not None:
            return int(found[0])
        for row in rows[stream.looked :]:  # each is looked at once
            if row[1] == stream.id and row[7] is None:
                stream.said.setdefault((row[2], row[4]), row[0])
        stream.looked = len(rows)
        return stream.said.get((time, value))

    def _must_be_there(self, number: int) -> None:
        if not self._db.execute("SELECT 1 FROM reading WHERE id = ?", (number,)).fetchone():
            hint = "See `boiloff reading --list`."
            raise BadInput(Problem("corrects", str(number), "the number of a reading", hint))

    def readings(
        self,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        subject: str | None = None,
        quantity: Quantity | str | None = None,
        source: str | None = None,
        include_corrected: bool = False,
        limit: int | None = None,
        every: timedelta | None = None,
    ) -> list[Reading]:
        """Return readings by time, oldest first; with `limit` the newest so many. `until` is not included.

        With `every` only the first of each source in each such span comes, and its newest: as fast over years of
        minute readings as over a day (a chart of a thousand points looks a thousand times into the index).
        """
        low = stamp(since) if since is not None else -_EVER
        high = stamp(until) if until is not None else _EVER
        valid = "" if include_corrected else _IN_FORCE
        found: list[Reading] = []
        for stream, of in self._streams(subject, quantity, source):  # one range of the index each, never the whole
            if every is None:
                sql = f"{_ROW}WHERE r.stream = ? AND r.time >= ? AND r.time < ? {valid}ORDER BY r.time DESC, r.id DESC"
                rows = self._rows(f"{sql} LIMIT ?", (stream, low, high, -1 if limit is None else limit))
            else:
                rows = self._thinned(stream, low, high, valid, every)
            found += [_reading(row, of) for row in rows]
        found.sort(key=lambda r: (r.time, r.id))
        return found if limit is None else found[max(0, len(found) - limit) :]

    def _streams(
        self, subject: str | None, quantity: Quantity | str | None, source: str | None
    ) -> list[tuple[int, tuple[str, Quantity, str]]]:
        rows = self._rows(
            "SELECT id, subject, quantity, source FROM stream WHERE (?1 IS NULL OR subject = ?1) "
            "AND (?2 IS NULL OR quantity = ?2) AND (?3 IS NULL OR source = ?3) ORDER BY subject, quantity, source",
            (subject, None if quantity is None else str(quantity), source),
        )
        return [(row[0], (row[1], Quantity(row[2]), row[3])) for row in rows]

    def _thinned(self, stream: int, low: int, high: int, valid: str, every: timedelta) -> list[tuple[Any, ...]]:
        width = every // timedelta(microseconds=1)
        rows: list[tuple[Any, ...]] = []
        where = f"{_ROW}WHERE r.stream = ? AND r.time >= ? AND r.time < ? {valid}ORDER BY r.time"
        with explained(self.path):
            while row := self._db.execute(f"{where}, r.id LIMIT 1", (stream, low, high)).fetchone():
                rows.append(row)
                low = (row[0] // width + 1) * width  # stretches without readings are skipped
            if rows:
                last = self._db.execute(f"{where} DESC, r.id DESC LIMIT 1", (stream, rows[-1][0], high)).fetchone()
                rows += [last] if last is not None and last != rows[-1] else []
        return rows

    def reading(self, number: int) -> Reading | None:
        """Return one reading by its number, corrected or not; None where there is none."""
        rows = self._rows(f"{_FULL}WHERE r.id = ?", (number,))
        return _reading(rows[0][:8], (rows[0][8], Quantity(rows[0][9]), rows[0][10])) if rows else None

    def corrections(self, number: int) -> list[Reading]:
        """Return a reading and what corrected it, one after the other; nothing where there is no such reading."""
        found: list[Reading] = []
        while (one := self.reading(number)) is not None:
            found.append(one)
            rows = self._rows("SELECT max(id) FROM reading WHERE corrects = ?", (number,))
            if rows[0][0] is None:
                break
            number = int(rows[0][0])
        return found

    def readings_after(self, number: int) -> list[Reading]:
        """Return readings whose number is above `number`, in the order in which they were kept."""
        rows = self._rows(f"{_FULL}WHERE r.id > ? ORDER BY r.id", (number,))
        return [_reading(row[:8], (row[8], Quantity(row[9]), row[10])) for row in rows]

    def newest_number(self) -> int:
        """Return the number of the reading kept last, 0 where there is none."""
        return int(self._rows("SELECT coalesce(max(id), 0) FROM reading")[0][0])

    def rewritten(self, number: int, before: datetime) -> bool:
        """Whether a reading above `number` corrects one, or was read `before`: the past is no longer what it was."""
        sql = "SELECT 1 FROM reading WHERE id > ? AND (corrects IS NOT NULL OR time < ?) LIMIT 1"
        return bool(self._rows(sql, (number, stamp(before))))

    def latest_readings(self, until: datetime | None = None) -> list[Reading]:
        """Return the newest reading of each source, subject and quantity, corrected ones left out.

        `until` is not included: what was read while the clock was ahead must not stand for the newest until that time
        has come. Only of gas the word that was kept last counts, whatever time the clock showed.
        """
        high = stamp(until) if until is not None else _EVER
        sql = f"{_ROW}WHERE r.stream = ? AND r.time < ? {_IN_FORCE}ORDER BY r.time DESC, r.id DESC LIMIT 1"
        kept_last = f"{_ROW}WHERE r.stream = ? {_IN_FORCE}ORDER BY r.id DESC LIMIT 1"
        found = []
        for stream, of in self._streams(None, None, None):
            gas = of[1] is Quantity.GAS_DETECTED
            rows = self._rows(kept_last, (stream,)) if gas else self._rows(sql, (stream, high))
            found += [_reading(row, of) for row in rows]
        return found

    def add_set_aside(self, item: SetAside) -> int:
        """Keep what could not be used, with the reason; half a surrogate pair, which is no UTF-8, is escaped."""
        texts = (item.source, item.subject, item.quantity, item.raw[:RAW_LENGTH], item.reason)
        return self._write(
            "INSERT INTO set_aside (received, source, subject, quantity, raw, reason) VALUES (?, ?, ?, ?, ?, ?)",
            (stamp(item.received), *(t.encode("utf-8", "backslashreplace").decode() for t in texts)),
        )

    def set_asides(self, limit: int = 100) -> list[SetAside]:
        """Return what was set aside, newest first."""
        rows = self._rows(
            "SELECT received, source, subject, quantity, raw, reason, id FROM set_aside ORDER BY id DESC LIMIT ?",
            (limit,),
        )
        return [SetAside(moment(r[0]), *r[1:]) for r in rows]

    def add_forecast(self, forecast: Forecast) -> int:
        """Keep a forecast as it was issued; return its id."""
        f = forecast
        series = [pack_series(v) for v in (f.air_k, f.wind_m_s, f.cloud, f.humidity, f.spread_k)]
        return self._write(
            "INSERT INTO forecast (source, issued, received, start, members, hours, air, wind, cloud, humidity, "
            "spread, credit, elevation, notes) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (f.source, stamp(f.issued), stamp(f.received), stamp(f.start), *f.air_k.shape, *series, f.credit,
             f.elevation_m, json.dumps(f.notes)),
        )  # fmt: skip

    def latest_forecast(self, source: str | None = None, until: datetime | None = None) -> Forecast | None:
        """Return the forecast that came in last, of one source or of any; `until` is not included."""
        where, values = ("", ()) if source is None else ("source = ? AND ", (source,))
        high = stamp(until) if until is not None else _EVER
        rows = self._rows(
            f"{_FORECAST}WHERE {where}received < ? ORDER BY received DESC, id DESC LIMIT {_TRIES}", (*values, high)
        )
        return next(_sound(rows, to_forecast), None)

    def forecasts(
        self, *, since: datetime | None = None, until: datetime | None = None, source: str | None = None
    ) -> list[Forecast]:
        """Return forecasts by when they came in, oldest first; `until` is not included."""
        rows = self._rows(
            f"{_FORECAST}WHERE received >= ? AND received < ? AND (?3 IS NULL OR source = ?3) ORDER BY received, id",
            (stamp(since) if since else -_EVER, stamp(until) if until else _EVER, source),
        )
        return list(_sound(rows, to_forecast))

    def add_outlook(self, at: datetime, payload: Mapping[str, Any]) -> int:
        """Keep an outlook as it was made, in its JSON form."""
        return self._write("INSERT INTO outlook (at, payload) VALUES (?, ?)", (stamp(at), pack_json(dict(payload))))

    def latest_outlook(self) -> dict[str, Any] | None:
        """Return the outlook made last in its JSON form."""
        rows = self._rows(f"SELECT payload FROM outlook ORDER BY id DESC LIMIT {_TRIES}")
        return next(_sound(rows, _outlook), None)

    def outlooks(self, *, since: datetime, until: datetime) -> list[dict[str, Any]]:
        """Return the outlooks made in a span in their JSON form, oldest first; `until` is not included."""
        rows = self._rows(
            "SELECT payload FROM outlook WHERE at >= ? AND at < ? ORDER BY at, id", (stamp(since), stamp(until))
        )
        return list(_sound(rows, _outlook))
