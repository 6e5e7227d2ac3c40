"""Between our types and what a column holds: times, arrays, frozen records."""

from __future__ import annotations

import json
import zlib
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

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
    raw = np.ascontiguousarray(values, dtype="<f4").reshape(-1).view(np.uint8).reshape(-1, 4)
    return zlib.compress(np.ascontiguousarray(raw.T).tobytes(), 6)


def unpack_series(blob: bytes | None, shape: tuple[int, ...]) -> Series | None:
    """The inverse of `pack_series`, in double precision."""
    if blob is None:
        return None
    planes = np.frombuffer(zlib.decompress(blob), dtype=np.uint8).reshape(4, -1)
    return np.ascontiguousarray(planes.T).view("<f4").reshape(shape).astype(np.float64)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return {"utc": stamp(value)}
    raise TypeError(f"{type(value).__name__} cannot be kept")


def dumps(value: Any) -> str:
    """JSON with times as {"utc": microseconds}; NaN is refused."""
    return json.dumps(value, default=_plain, allow_nan=False, separators=(",", ":"))


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
