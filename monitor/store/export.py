"""Everything in the store as CSV files, for a spreadsheet or another program. SI units in the names, times in UTC.

Loads sqlite-utils, and with it pandas where that is installed (0.5 s and 45 MB more, measured): only `boiloff export`
does so, never the service.
"""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

import numpy as np
from sqlite_utils import Database

from monitor.model.alert import AlertState
from monitor.model.entry import Entry
from monitor.model.errors import BadInput, Problem, SourceFailed
from monitor.model.health import SourceHealth
from monitor.model.reading import SI_UNIT, Quantity
from monitor.store.facts import to_forecast
from monitor.store.opening import explained
from monitor.store.pack import loads, moment, stamp, unpack_json

Row = Mapping[str, Any]
ZERO_C_K = 273.15
FORMULA = ("=", "+", "-", "@", "\t", "\r")
_TIMES = frozenset(
    {"time", "received", "issued", "at", "entered", "created", "next_at", "deadline", "tried_at", "done_at", "start"}
)
_READINGS = """
    SELECT r.id AS number, r.time, r.received, s.subject, s.quantity, r.value, '' AS unit, s.source, r.noise,
    r.age_known, r.corrects, (SELECT c.id FROM reading c WHERE c.corrects = r.id) AS corrected_by, r.note
    FROM reading r JOIN stream s ON s.id = r.stream"""
# file -> (SQL, the column by which --since and --until choose)
_PLAIN: dict[str, tuple[str, str]] = {
    "readings": (_READINGS, "r.time"),
    "set_aside": ("SELECT id AS number, received, source, subject, quantity, raw, reason FROM set_aside", "received"),
    "record": ("SELECT id AS number, kind, subject, time, entered, payload, undoes FROM event", "time"),
    "transitions": ("SELECT id AS number, key, occurrence, at, before, after, reason, facts FROM transition", "at"),
    "notices": ("SELECT * FROM notice", "at"),
    "outbox": ("SELECT * FROM outbox", "created"),
}
_FORECAST = (
    "SELECT id, source, issued, received, start, members, hours, air, wind, cloud, humidity, spread, credit, "
    "elevation, notes FROM forecast WHERE received >= :low AND received < :high ORDER BY received, id"
)
_STATES = {"alerts": ("alert_state", "state"), "health": ("health", "health")}
# file -> the list in each outlook that it holds a row of for each item
_OUTLOOK = {"outlooks": "hours", "levels": "levels", "nights": "nights", "run_outs": "fuel", "shortfalls": "uncovered"}
_BANDS = frozenset({"dry", "usable", "coldest_c", "capacity_w"})  # 10, 50 and 90 %; none at all where unknown
_NESTED = _BANDS | {"sustained_w", "level_needed"}
_ENTRY = ("number", "kind", "subject", "time")
FILES = (*_PLAIN, "entries", "alerts", "health", "forecasts", *_OUTLOOK)


def export(
    store: Path,
    folder: Path,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    members: bool = False,
    only: Iterable[str] = FILES,
    overwrite: bool = False,
    on_file: Callable[[str, int], None] = lambda _name, _rows: None,
) -> dict[str, int]:
    """Write one CSV file for each of `only` into `folder`; return how many rows each holds.

    A forecast is one row an hour with the 10, 50 and 90 % of its members, or with `members` one row for each. Text
    that a spreadsheet would run as a formula gets an apostrophe before it. Raises BadInput where a file is there
    already (without `overwrite`), SourceFailed where one cannot be written.
    """
    from monitor.store import Store

    wanted = list(only)
    taken = [str(folder / f"{name}.csv") for name in wanted if (folder / f"{name}.csv").exists()]
    if taken and not overwrite:
        hint = "Choose another folder, or --overwrite."
        raise BadInput([Problem("folder", path, "no file of that name yet", hint) for path in taken])
    counts = {}
    with Store.open(store, readonly=True) as opened, explained(store):
        db = Database(opened._db, execute_plugins=False)  # noqa: SLF001  one connection, set for reading only
        opened._db.execute("BEGIN")  # noqa: SLF001  all files show the same moment
        for name in wanted:
            if name == "entries":
                columns, rows = _entries(opened.entries(), since, until)
            else:
                columns, rows = _columns(db, name), _rows(db, name, since, until, members=members)
            counts[name] = _write(folder / f"{name}.csv", columns, rows)
            on_file(name, counts[name])
    return counts


def _rows(db: Database, name: str, since: datetime | None, until: datetime | None, *, members: bool) -> Iterator[Row]:
    span = {"low": stamp(since) if since else -(2**62), "high": stamp(until) if until else 2**62}
    if name in _PLAIN:
        sql, column = _PLAIN[name]
        rows = db.query(f"{sql} WHERE {column} >= :low AND {column} < :high ORDER BY {column}", span)
        return (_reading(row) for row in rows) if name == "readings" else iter(rows)
    if name in _STATES:
        table, column = _STATES[name]
        return (_flat(loads(row[column])) for row in db.query(f"SELECT {column} FROM {table}"))
    if name == "forecasts":
        return _forecasts(db, span, members=members)
    return _outlooks(db, span, _OUTLOOK[name])


def _entries(every: list[Entry], since: datetime | None, until: datetime | None) -> tuple[list[str], Iterator[Row]]:
    """The record as it is in force, what was said in columns of its own: for sums in a spreadsheet."""
    mine = [e for e in every if (since is None or e.time >= since) and (until is None or e.time < until)]
    said = sorted({key for e in every for key in e.payload} - set(_ENTRY))
    rows = ({"number": e.id, "kind": e.kind, "subject": e.subject, "time": e.time, **e.payload} for e in mine)
    return [*_ENTRY, *said], rows


def _reading(row: dict[str, Any]) -> Row:
    return {**row, "unit": SI_UNIT[Quantity(row["quantity"])]}


def _columns(db: Database, name: str) -> list[str]:
    """The head of a file that may turn out to have no rows; [] where only a row can tell."""
    if name in _PLAIN:
        return [str(column[0]) for column in db.execute(f"{_PLAIN[name][0]} LIMIT 0").description]
    if name in _OUTLOOK:  # what one outlook says, an older one may not have said yet
        found: dict[str, None] = {}
        for order in ("DESC", "ASC"):
            for packed in db.query(f"SELECT at, payload FROM outlook ORDER BY at {order}, id {order} LIMIT 1"):
                found |= dict.fromkeys(next(_of_outlook(packed, _OUTLOOK[name]), {}))
        return list(found)
    return [f.name for f in fields({"alerts": AlertState, "health": SourceHealth}[name])] if name in _STATES else []


def _flat(record: Mapping[str, Any]) -> Row:
    """Nested values as `outer_inner` columns."""
    out: dict[str, Any] = {}
    for key, value in record.items():
        if isinstance(value, Mapping) and value and key in _NESTED:
            out.update({f"{key}_{inner}": v for inner, v in value.items()})
        elif value is None and key in _BANDS:
            out.update({f"{key}_{inner}": None for inner in ("p10", "p50", "p90")})
        else:
            out[key] = value
    return out


def _forecasts(db: Database, span: Mapping[str, int], *, members: bool) -> Iterator[Row]:
    for packed in db.query(_FORECAST, dict(span)):
        f = to_forecast(tuple(packed.values()))
        air_c = f.air_k - ZERO_C_K
        with np.errstate(invalid="ignore"):
            low, middle, high = (_quantile(air_c, q) for q in (0.1, 0.5, 0.9))
        for k, time in enumerate(f.times()):
            head = {"number": f.id, "source": f.source, "issued": f.issued, "received": f.received, "time": time}
            rest = {
                "wind_speed_m_s": _at(f.wind_m_s, k),
                "cloud_cover_pct": _at(f.cloud, k, 100.0),
                "relative_humidity_pct": _at(f.humidity, k, 100.0),
                "spread_k": _at(f.spread_k, k),
            }
            if members:
                for m in range(air_c.shape[0]):
                    yield {**head, "member": m, "air_temperature_c": _at(air_c[m], k), **rest}
            else:
                yield {
                    **head, "members": air_c.shape[0], "air_temperature_c": _at(middle, k), "air_p10_c": _at(low, k),
                    "air_p90_c": _at(high, k), **rest,
                }  # fmt: skip


def _quantile(values: np.ndarray[Any, Any], share: float) -> np.ndarray[Any, Any]:
    """The quantile over members; NaN in a member is NaN for the hour, as a gap stays a gap."""
    return np.asarray(np.quantile(values, share, axis=0))


def _at(series: np.ndarray[Any, Any] | None, k: int, scale: float = 1.0) -> float | None:
    if series is None or not np.isfinite(series[k]):
        return None
    return round(float(series[k]) * scale, 4)


def _outlooks(db: Database, span: Mapping[str, int], part: str) -> Iterator[Row]:
    for packed in db.query(
        "SELECT at, payload FROM outlook WHERE at >= :low AND at < :high ORDER BY at, id", dict(span)
    ):
        yield from _of_outlook(packed, part)


def _of_outlook(packed: Mapping[str, Any], part: str) -> Iterator[Row]:
    payload = unpack_json(packed["payload"])
    head: dict[str, Any] = {"made": moment(packed["at"])}
    if part == "hours":
        head |= {"basis": payload.get("basis"), "demand_w": payload.get("demand_w")}
    for item in payload.get(part) or []:
        yield {**head, **_flat(item)}


def _cell(key: str, value: Any) -> Any:
    if isinstance(value, int) and not isinstance(value, bool) and key in _TIMES:
        value = moment(value)
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, (dict, list, tuple)):
        return json.dumps(value, ensure_ascii=False, default=str)
    if isinstance(value, str) and value.startswith(FORMULA):
        return "'" + value
    return value


def _write(path: Path, columns: list[str], rows: Iterator[Row]) -> int:
    """Write under another name first: a file that is there is whole."""
    part = path.with_suffix(".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("w", encoding="utf-8", newline="") as file:
            count = _fill(file, columns, rows)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise SourceFailed(f"export {path}: cannot be written: {error.strerror}") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return count


def _fill(file: TextIO, columns: list[str], rows: Iterator[Row]) -> int:
    writer, count = csv.writer(file), 0
    if columns:
        writer.writerow(columns)
    for row in rows:
        if not columns:
            columns = list(row)
            writer.writerow(columns)
        writer.writerow([_cell(key, row.get(key)) for key in columns])
        count += 1
    return count
