"""SenML (RFC 8428) in its JSON form: base fields, relative times, must-understand labels, units.

A pack is resolved as RFC 8428 section 4.6 says; one fault anywhere fails the whole pack. Units are the names of
RFC 8428 section 12.1 and the secondary ones of RFC 8798 (from memory, those that this program can use).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from monitor.sensors.sent import Refused, Sent

CONTENT_TYPES = frozenset({"application/senml+json", "application/sensml+json"})
_VERSION = 10  # RFC 8428 section 4.4
_RELATIVE_BELOW = 2.0**28  # section 4.5.3
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_RECORDS = 1000

# SenML's name of a unit -> the name our parser reads, "" = a bare ratio. Left out: what no quantity of ours has.
# "%" is a ratio of 0 to 1 in SenML, not a percentage; "%EL" and "%RH" are percentages.
UNITS: dict[str, str] = {
    "kg": "kg", "g": "g", "m": "m", "s": "s", "Pa": "Pa", "K": "K", "Cel": "°C", "m3": "m3", "l": "L",
    "/": "", "%": "", "%EL": "%", "count": "", "dBm": "dBm",
    "ms": "ms", "min": "min", "h": "h", "mm": "mm", "cm": "cm", "km": "km", "hPa": "hPa", "kPa": "kPa", "/100": "%",
    "dm": "dm", "ml": "mL",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Record:
    """One resolved record (section 4.6): full name, unit as SenML names it, value or None, absolute time.

    `time` is None where the pack gave none: the record is then of about now. `update_s` is "ut", the most that may
    pass until the next one.
    """

    name: str
    unit: str
    value: float | bool | str | None
    time: datetime | None
    update_s: float | None = None


def sent(document: Any, name: str, received: datetime) -> list[Sent]:
    """Return the records called `name` (every record that has a value, where `name` is ""), oldest first.

    Raises Refused where the pack is faulty or has a unit that no quantity here can have. A pack that does not speak
    of `name` gives an empty list.
    """
    found = [r for r in resolve(document, received) if (not name or r.name == name) and r.value is not None]
    found.sort(key=lambda r: r.time or received)
    if not name and len({r.name for r in found}) > 1:
        raise Refused("a pack of several names; the key senml_name says which is meant")
    return [Sent(r.value, _unit(r.unit), r.time) for r in found]


def _unit(unit: str) -> str:
    if not unit:
        return ""
    if unit not in UNITS:
        raise Refused(f'another unit: "{unit[:40]}" is none of SenML\'s that is read here')
    return UNITS[unit] or "1"


def resolve(document: Any, received: datetime) -> list[Record]:
    """Return the records of a pack, base fields applied; raise Refused with the reason where it breaks RFC 8428."""
    if not isinstance(document, list) or not document:
        raise Refused("no SenML: a pack is a JSON array with at least one record")
    if len(document) > _RECORDS:
        raise Refused(f"a pack of {len(document):,} records; at most {_RECORDS:,} are read")
    base: dict[str, Any] = {}
    version: Any = None
    records = []
    for place, fields in enumerate(document, 1):
        if not isinstance(fields, dict):
            raise Refused(f"record {place} is no object")
        _check_labels(fields, place)
        if "bver" in fields:
            if version is not None and fields["bver"] != version:
                raise Refused("records of different versions in one pack")
            version = _check_version(fields["bver"])
        base.update({k: v for k, v in fields.items() if k in {"bn", "bt", "bu", "bv", "bs"}})
        if set(fields) & {"n", "v", "vs", "vb", "vd", "s", "u", "t", "ut"}:
            records.append(_record(fields, base, place, received))
    return records


def _check_labels(fields: Mapping[str, Any], place: int) -> None:
    known = {"bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}
    for label in fields:
        if label not in known and label.endswith("_"):
            raise Refused(f'record {place} has "{label[:40]}", which must be understood and is not')


def _check_version(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise Refused("bver is no version")
    if value > _VERSION:
        raise Refused(f"SenML version {value}; up to {_VERSION} is read")
    return value


def _record(fields: Mapping[str, Any], base: Mapping[str, Any], place: int, received: datetime) -> Record:
    name = _text(base.get("bn", ""), "bn") + _text(fields.get("n", ""), "n")
    if not _NAME.fullmatch(name) or len(name) > 512:
        raise Refused(f'record {place}: "{name[:40]}" is no SenML name')
    values = [label for label in ("v", "vs", "vb", "vd") if label in fields]
    if len(values) > 1:
        raise Refused(f"record {place} has more than one value")
    if not values and "s" not in fields and "bs" not in base and "bv" not in base:
        raise Refused(f"record {place} has neither a value nor a sum")
    if "s" in fields:
        _number(fields["s"], "s")
    update = fields.get("ut")
    unit = _text(fields["u"], "u") if "u" in fields else _text(base.get("bu", ""), "bu")
    return Record(
        name,
        unit,
        _value(fields, base, values[0] if values else ""),
        _time(fields, base, received),
        None if update is None else _number(update, "ut"),
    )


def _value(fields: Mapping[str, Any], base: Mapping[str, Any], label: str) -> float | bool | str | None:
    if label in {"", "v"}:
        if not label and "bv" not in base:
            return None
        return _number(base.get("bv", 0), "bv") + _number(fields.get("v", 0), "v")
    value = fields[label]
    if label == "vb" and not isinstance(value, bool):
        raise Refused("vb is no truth value")
    if label in {"vs", "vd"}:
        _text(value, label)
    return None if label == "vd" else value  # data has no place among readings


def _time(fields: Mapping[str, Any], base: Mapping[str, Any], received: datetime) -> datetime | None:
    if "t" not in fields and "bt" not in base:
        return None
    total = _number(base.get("bt", 0), "bt") + _number(fields.get("t", 0), "t")
    if total == 0.0:
        return None
    try:
        if total < _RELATIVE_BELOW:
            return received + timedelta(seconds=total)
        return datetime.fromtimestamp(total, UTC)
    except (ValueError, OverflowError, OSError):
        raise Refused(f"time {total:g} is no time") from None


def _number(value: Any, label: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise Refused(f"{label} is no number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise Refused(f"{label} is no finite number")
    return number


def _text(value: Any, label: str) -> str:
    if not isinstance(value, str):
        raise Refused(f"{label} is no text")
    return value
