"""Between our types and what a column holds: times, arrays, frozen records."""

from __future__ import annotations

import json
import math
import zlib
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import Any

from monitor.model.alert import AlertState
from monitor.model.forecast import Series
from monitor.model.health import SourceHealth

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def stamp(moment: datetime) -> int:
    """Microseconds since 1970 of an aware time. Raises ValueError for a naive one."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()}: a time without its offset cannot be kept")
    return (moment - _EPOCH) // _MICROSECOND


def moment(value: int) -> datetime:
    """The UTC time of a stamp."""
    return _EPOCH + timedelta(microseconds=value)


def moment_or_none(value: int | None) -> datetime | None:
    """The UTC time of a stamp, None for NULL."""
    return None if value is None else moment(value)


def stamp_or_none(value: datetime | None) -> int | None:
    """The stamp of a time, NULL for None."""
    return None if value is None else stamp(value)


def pack_series(values: Series | None) -> bytes | None:
    """Single precision (0.00003 K at 300 K), byte planes apart so that they shrink, then zlib. NaN stays NaN."""
    if values is None:
        return None
    import numpy as np  # late: most commands neither write nor read a forecast

    raw = np.ascontiguousarray(values, dtype="<f4").reshape(-1).view(np.uint8).reshape(-1, 4)
    return zlib.compress(np.ascontiguousarray(raw.T).tobytes(), 6)


def unpack_series(blob: bytes | None, shape: tuple[int, ...]) -> Series | None:
    """The inverse of `pack_series`, in double precision."""
    if blob is None:
        return None
    import numpy as np

    planes = np.frombuffer(zlib.decompress(blob), dtype=np.uint8).reshape(4, -1)
    return np.ascontiguousarray(planes.T).view("<f4").reshape(shape).astype(np.float64)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return {"utc": stamp(value)}
    raise TypeError(f"{type(value).__name__} cannot be kept")


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    return [_finite(v) for v in value] if isinstance(value, (list, tuple)) else value


def dumps(value: Any) -> str:
    """JSON with times as {"utc": microseconds}. NaN becomes null: an alert must not be lost for one bad number."""
    try:
        return json.dumps(value, default=_plain, allow_nan=False, separators=(",", ":"))
    except ValueError:
        return json.dumps(_finite(value), default=_plain, allow_nan=False, separators=(",", ":"))


def _revive(found: dict[str, Any]) -> Any:
    return moment(found["utc"]) if found.keys() == {"utc"} else found


def loads(text: str) -> Any:
    """The inverse of `dumps`."""
    return json.loads(text, object_hook=_revive)


def pack_state(state: AlertState) -> str:
    """An alert's state as text."""
    return dumps(asdict(state))


def unpack_state(text: str) -> AlertState:
    """The inverse of `pack_state`; fields of a later version are left out."""
    known = AlertState.__dataclass_fields__
    return AlertState(**{k: v for k, v in loads(text).items() if k in known})


def pack_health(health: SourceHealth) -> str:
    """A source's health as text."""
    return dumps(asdict(health))


def unpack_health(text: str) -> SourceHealth:
    """The inverse of `pack_health`; fields of a later version are left out."""
    known = SourceHealth.__dataclass_fields__
    return SourceHealth(**{k: v for k, v in loads(text).items() if k in known})


_COLUMNS = "\u0000columns"  # no key of ours begins with a zero


def _turned(value: Any) -> Any:
    """Lists of alike objects as columns: the keys are said once, and like numbers lie together."""
    if isinstance(value, list):
        alike = len(value) > 1 and all(isinstance(row, dict) and row.keys() == value[0].keys() for row in value)
        if alike and value[0]:
            return {_COLUMNS: {key: _turned([row[key] for row in value]) for key in value[0]}}
        return [_turned(v) for v in value]
    return {k: _turned(v) for k, v in value.items()} if isinstance(value, dict) else value


def _turned_back(value: Any) -> Any:
    if isinstance(value, dict):
        if value.keys() == {_COLUMNS}:
            columns = {k: _turned_back(v) for k, v in value[_COLUMNS].items()}
            return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
        return {k: _turned_back(v) for k, v in value.items()}
    return [_turned_back(v) for v in value] if isinstance(value, list) else value


def pack_json(value: Any) -> bytes:
    """A JSON value, small: a week's outlook takes 13 kB, against 17.5 kB as plain JSON in zlib (measured)."""
    text = json.dumps(_turned(value), allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    return zlib.compress(text.encode(), 9)


def unpack_json(blob: bytes) -> Any:
    """The inverse of `pack_json`."""
    return _turned_back(json.loads(zlib.decompress(blob)))
