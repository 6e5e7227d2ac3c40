"""Facts of an export into an empty database, under their own numbers: readings and the record, exactly as they were.

What was derived from them (outlooks, alerts, notices) is made again or was of its time, and stays in the export.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from monitor.model.errors import BadInput, Problem, SourceFailed
from monitor.model.reading import Quantity
from monitor.store import Store
from monitor.store.export import FORMULA
from monitor.store.pack import stamp

Row = Mapping[str, str]
READING = (
    "number", "time", "received", "subject", "quantity", "value", "source", "noise", "age_known", "corrects", "note",
)  # fmt: skip
ENTRY = ("number", "kind", "subject", "time", "entered", "payload", "undoes")


def bring_back(store: Store, folder: Path) -> dict[str, int]:
    """Take in readings.csv and record.csv of `folder`, all or nothing; return how many rows of each.

    Raises BadInput where the database holds a reading or an entry already, or a cell is not what an export writes;
    SourceFailed where a file cannot be read.
    """
    if store.newest_number() or store.newest_entry():
        hint = "Name a new one with --store; to put a copy of the database itself back there is boiloff restore."
        raise BadInput(Problem("--store", str(store.path), "a database without readings and entries", hint))
    db, streams = store._db, dict[tuple[str, str, str], int]()  # noqa: SLF001  numbers are kept, which no other way does
    counts = {"readings": 0, "record": 0}
    with store.transaction():
        db.execute("PRAGMA defer_foreign_keys = ON")  # by time, a correction may come before what it corrects
        for row in _rows(folder / "readings.csv", READING, _reading):
            key = (row["source"], row["subject"], row["quantity"])
            if key not in streams:
                made = db.execute("INSERT INTO stream (source, subject, quantity) VALUES (?, ?, ?)", key)
                streams[key] = int(made.lastrowid or 0)
            db.execute(
                "INSERT INTO reading (id, stream, time, received, value, noise, age_known, corrects, note) "
                "VALUES (:number, :stream, :time, :received, :value, :noise, :age_known, :corrects, :note)",
                {**row, "stream": streams[key]},
            )
            counts["readings"] += 1
        for row in _rows(folder / "record.csv", ENTRY, _entry):
            db.execute(
                "INSERT INTO event (id, kind, subject, time, entered, payload, undoes) "
                "VALUES (:number, :kind, :subject, :time, :entered, :payload, :undoes)",
                row,
            )
            counts["record"] += 1
    return counts


def _rows(path: Path, columns: tuple[str, ...], of: Callable[[Row], dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Yield each row as it goes into the table. Raises BadInput naming the line, SourceFailed."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            lacking = [c for c in columns if c not in (reader.fieldnames or ())]
            if lacking:
                raise BadInput(Problem(path.name, f"no column {', '.join(lacking)}", "a file of boiloff export"))
            for row in reader:
                try:
                    yield of({key: _plain(value) for key, value in row.items() if key in columns})
                except (ValueError, TypeError, AttributeError) as error:
                    where = f"{path.name}, line {reader.line_num}"
                    raise BadInput(Problem(where, str(error)[:120], "a row as boiloff export writes it")) from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SourceFailed(f"import {path}: cannot be read: {error}") from error


def _plain(text: str) -> str:
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA) else text


def _time(text: str) -> int:
    time = datetime.fromisoformat(text)
    if time.tzinfo is None:
        raise ValueError(f"{text} has no offset")
    return stamp(time)


def _reading(row: Row) -> dict[str, Any]:
    return {
        **row,
        "number": int(row["number"]), "time": _time(row["time"]), "received": _time(row["received"]),
        "quantity": Quantity(row["quantity"]).value, "value": float(row["value"]) if row["value"] else None,
        "noise": float(row["noise"]) if row["noise"] else None, "age_known": int(row["age_known"]),
        "corrects": int(row["corrects"]) if row["corrects"] else None,
    }  # fmt: skip


def _entry(row: Row) -> dict[str, Any]:
    json.loads(row["payload"])
    return {
        **row,
        "number": int(row["number"]), "time": _time(row["time"]), "entered": _time(row["entered"]),
        "undoes": int(row["undoes"]) if row["undoes"] else None,
    }  # fmt: skip
