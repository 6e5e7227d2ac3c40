"""Readings from a CSV file, as people keep them: one row a time, a column a quantity with its unit in the name.

Columns: time (needed), cylinder (needed where the site has several), note, and any of VALUES; or quantity, value and
unit, one reading a row. A file with decimal commas has semicolons between its columns.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from monitor.model.errors import BadInput, Problem
from monitor.model.reading import SI_UNIT, Quantity, Reading
from monitor.model.site import SensorSpec, Site
from monitor.sensors import decode, when
from monitor.sensors.sent import Refused, Sent
from monitor.sensors.sent import parse_time as parse_utc
from monitor.site.numerals import NumeralError, leading, tidy

SOURCE = "import"
LARGEST = 64 * 2**20  # bytes: a minute's readings of a year are some 20 MB
MOST_PROBLEMS = 50

# Column -> (quantity, unit). A name says its unit, so that no value can be taken in another.
VALUES: dict[str, tuple[Quantity, str]] = {
    "weighs_lb": (Quantity.GROSS_WEIGHT, "lb"),
    "weighs_kg": (Quantity.GROSS_WEIGHT, "kg"),
    "left_lb": (Quantity.PROPANE_LEFT, "lb"),
    "left_kg": (Quantity.PROPANE_LEFT, "kg"),
    "share_percent": (Quantity.SHARE_OF_FULL, "%"),
    "gauge_percent": (Quantity.GAUGE_PERCENT, "%"),
    "height_in": (Quantity.LIQUID_HEIGHT, "in"),
    "height_mm": (Quantity.LIQUID_HEIGHT, "mm"),
    "from_top_in": (Quantity.HEIGHT_FROM_TOP, "in"),
    "from_top_mm": (Quantity.HEIGHT_FROM_TOP, "mm"),
    "echo_us": (Quantity.ECHO_TIME, "us"),
    "volume_gal": (Quantity.LIQUID_VOLUME, "gal"),
    "volume_l": (Quantity.LIQUID_VOLUME, "L"),
    "pressure_psi": (Quantity.CONTAINER_PRESSURE, "psi"),
    "pressure_bar": (Quantity.CONTAINER_PRESSURE, "bar"),
    "air_f": (Quantity.AIR_TEMPERATURE, "°F"),
    "air_c": (Quantity.AIR_TEMPERATURE, "°C"),
    "wall_f": (Quantity.WALL_TEMPERATURE, "°F"),
    "wall_c": (Quantity.WALL_TEMPERATURE, "°C"),
    "valve_open": (Quantity.VALVE, ""),
}
_OTHER = frozenset({"time", "cylinder", "note", "quantity", "value", "unit"})
_WITH_UNIT = frozenset(q for q, si in SI_UNIT.items() if si != "1")
_OF_SITE = frozenset({Quantity.AIR_TEMPERATURE, Quantity.CHANGEOVER})


@dataclass(frozen=True, slots=True)
class Read:
    """What a file holds: readings in its order, and what is wrong, by line."""

    readings: tuple[Reading, ...]
    problems: tuple[Problem, ...]
    more_problems: int = 0


def read(path: Path, site: Site, received: datetime) -> Read:
    """Read a file. Raises BadInput where it is none that can be read at all; faulty rows are problems in the result."""
    try:
        size = path.stat().st_size
        if size > LARGEST:
            raise BadInput(Problem(str(path), f"{size:,} bytes", f"at most {LARGEST:,} bytes", "split it by year"))
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise BadInput(Problem(str(path), error.strerror or "unreadable", "a CSV file")) from None
    except UnicodeDecodeError:
        raise BadInput(Problem(str(path), "other than UTF-8", "a CSV file in UTF-8", "save it as UTF-8")) from None
    return parse(text, site, received, str(path))


def parse(text: str, site: Site, received: datetime, name: str = "file") -> Read:
    """Read the text of a file; `name` is for the messages."""
    head = text.split("\n", 1)[0]
    delimiter = ";" if ";" in head else "\t" if "\t" in head else ","
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        columns = [c.strip().lower() for c in next(rows, [])]
        _check_columns(columns, site, name)
        found: list[Reading] = []
        problems: list[Problem] = []
        more = 0
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            line = rows.line_num
            if len(row) != len(columns):
                wrong = [Problem("row", f"{len(row)} cells", f"{len(columns)} as in the first line", line=line)]
            else:
                cells = {c: cell.strip() for c, cell in zip(columns, row, strict=True)}
                wrong = _row(cells, site, received, line, found)
            more += max(0, len(problems) + len(wrong) - MOST_PROBLEMS)
            problems += wrong[: MOST_PROBLEMS - len(problems)]
    except csv.Error as error:
        raise BadInput(Problem(name, str(error), "a CSV file", line=rows.line_num)) from None
    return Read(tuple(found), tuple(problems), more)


def _check_columns(columns: list[str], site: Site, name: str) -> None:
    """Raise BadInput with every column that is missing, unknown or there twice."""
    known = ", ".join(sorted({*VALUES, *_OTHER}))
    strange = [c for c in columns if c not in VALUES and c not in _OTHER]
    wrong = [Problem(name, f'column "{column}"', f"one of {known}", line=1) for column in strange]
    twice = sorted({c for c in columns if columns.count(c) > 1})
    wrong += [Problem(name, f'column "{column}" twice', "each column once", line=1) for column in twice]
    if "time" not in columns:
        wrong.append(Problem(name, "no column time", "a column time", 'such as "2026-01-05 18:30"', line=1))
    long = {"quantity", "value"} <= set(columns)
    if not long and not set(columns) & set(VALUES):
        wrong.append(Problem(name, "no column with a value", f"one of {', '.join(VALUES)}", line=1))
    of_cylinder = long or any(VALUES[c][0] not in _OF_SITE for c in columns if c in VALUES)
    if of_cylinder and "cylinder" not in columns and len(site.cylinders) > 1:
        names = ", ".join(c.name for c in site.cylinders)
        wrong.append(Problem(name, "no column cylinder", "a column cylinder", f"the site has {names}", line=1))
    if wrong:
        raise BadInput(wrong)


def _row(cells: Mapping[str, str], site: Site, received: datetime, line: int, found: list[Reading]) -> list[Problem]:
    """Append the readings of one row to `found`; return what is wrong with it."""
    try:
        time = _time(cells["time"], received, site)
    except BadInput as error:
        return [Problem(p.key, p.value, p.expected, p.hint, line) for p in error.problems]
    problems = []
    for column, text, quantity, unit in _values(cells):
        try:
            if quantity is None:
                raise Refused(f"none of {', '.join(q.value for q in Quantity)}")
            subject = _subject(cells, site, quantity)
            if not unit and column == "value" and quantity in _WITH_UNIT:
                raise Refused(f'no unit: write it in the column unit, such as "{SI_UNIT[quantity]}"')
            value = _value(text, quantity, unit, subject, site, received)
            found.append(Reading(time, received, subject, quantity, value, SOURCE, note=cells.get("note", "")))
        except Refused as refused:
            problems.append(Problem(column, f'"{text[:60]}"', "a value that can be used", str(refused), line))
    return problems


def _values(cells: Mapping[str, str]) -> Iterator[tuple[str, str, Quantity | None, str]]:
    """Yield (column, text, quantity or None where there is no such, unit) for each value in a row."""
    for column, (quantity, unit) in VALUES.items():
        if cells.get(column):
            yield column, cells[column], quantity, unit
    if cells.get("value"):
        named = cells.get("quantity", "").lower().replace(" ", "_")
        if named in {q.value for q in Quantity}:
            yield "value", cells["value"], Quantity(named), cells.get("unit", "")
        else:
            yield "quantity", cells.get("quantity", ""), None, ""


def _time(text: str, received: datetime, site: Site) -> datetime:
    """Return a row's time (UTC): ISO 8601 or Unix time; without an offset by the site's clock. Raises BadInput."""
    if text.replace(".", "", 1).isdigit() and len(text) > 8:
        try:
            time = parse_utc(text)
        except Refused as refused:
            raise BadInput(Problem("time", f'"{text}"', when.EXPECTED, str(refused))) from None
        if time > received:
            raise BadInput(Problem("time", f'"{text}"', "a time that has been", f"{time:%Y-%m-%d %H:%M} UTC"))
        return time
    try:
        datetime.fromisoformat(text)
    except ValueError:
        expected = "a time such as 2026-01-05 18:30 or 2026-01-05T18:30:00-06:00"
        raise BadInput(Problem("time", f'"{text[:60]}"', expected)) from None
    return when.when(text, received.astimezone(UTC), site.timezone, "time")


def _subject(cells: Mapping[str, str], site: Site, quantity: Quantity) -> str:
    if quantity in _OF_SITE:
        return "site"
    names = {c.name.casefold(): c.name for c in site.cylinders}
    named = cells.get("cylinder", "")
    if not named and len(site.cylinders) == 1:
        return site.cylinders[0].name
    if named.casefold() not in names:
        raise Refused(f'no cylinder "{named}"; one of {", ".join(names.values())}')
    return names[named.casefold()]


def _value(text: str, quantity: Quantity, unit: str, subject: str, site: Site, received: datetime) -> float | None:
    """Return the value in SI by the same decoding as any sensor's. Raises Refused."""
    plain = tidy(text)
    try:
        number, named = leading(plain)
    except NumeralError as error:
        raise Refused(f"{error.why}; {error.hint}") from None
    if named:
        raise Refused(f'"{named}" beside the number: the column says the unit')
    spec = SensorSpec(SOURCE, "simulated", subject, quantity.value, "", unit=unit)
    found = decode.to_reading(spec, site, Sent(number), received)
    if not isinstance(found, Reading):
        raise Refused(found.reason)
    return found.value
