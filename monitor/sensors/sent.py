"""What a sensor sent, taken apart but not yet believed; and what makes us set something aside."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

RAW_LIMIT = 200  # characters of what came that are kept beside the reason
OLDEST_DAYS = 31.0  # a persistent session queues for days; a clock wrong by more than this tells nothing
AHEAD_S = 300.0  # clocks of sensors and of this machine may differ by so much


class Refused(Exception):
    """What came cannot be used; the text is the reason, in words, with how to mend it where that is known.

    `over_kg`: by how much the cylinder is filled above its limit, if what came is true and can be; else 0.
    """

    def __init__(self, reason: str, over_kg: float = 0.0) -> None:
        super().__init__(reason)
        self.over_kg = over_kg


@dataclass(frozen=True, slots=True)
class Sent:
    """One value as sent. `value` None = the sender says that it does not know.

    `unit` is what the payload names, "" where it names none. `time` is the sender's own, None where it has none.
    `age_known` is False where what came may have waited somewhere for nobody knows how long.
    """

    value: float | bool | str | None
    unit: str = ""
    time: datetime | None = None
    age_known: bool = True


def printable(text: str) -> str:
    """Return `text` with what cannot be printed or encoded written as escapes."""
    return text if text.isprintable() else "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def shorten(raw: bytes | str, size: int | None = None) -> str:
    """Return at most 200 characters of what came, printable, with its full size where it was cut.

    `size` is the full size where `raw` is no more than its beginning.
    """
    whole = max(len(raw), size or 0)
    text = raw[: 4 * RAW_LIMIT].decode("utf-8", "backslashreplace") if isinstance(raw, bytes) else raw[: 4 * RAW_LIMIT]
    plain = printable(text)
    if len(plain) <= RAW_LIMIT and whole <= 4 * RAW_LIMIT:
        return plain
    tail = f"… ({whole:,} {'bytes' if isinstance(raw, bytes) else 'characters'})"
    return plain[: RAW_LIMIT - len(tail)] + tail


def parse_time(value: object) -> datetime:
    """Return the time (UTC) that a payload carries: ISO 8601 with an offset, or Unix time in s, ms or µs.

    Raises Refused. Without an offset a time cannot be placed: an hour in autumn comes twice.
    """
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise Refused(f"time {shorten(repr(value))} is neither text nor a number")
    try:
        if isinstance(value, str):
            text = value.strip()
            if len(text) > 64:
                raise Refused("time is too long to be one")
            if text[4:5] == "-":
                return _from_iso(text)
            try:
                number = float(text)
            except ValueError:
                return _from_iso(text)
        else:
            number = float(value)
        size = abs(number)
        factor = 1.0 if size < 1e11 else 1e-3 if size < 1e14 else 1e-6
        return datetime.fromtimestamp(number * factor, UTC)
    except (ValueError, OverflowError, OSError):
        raise Refused(f"time {shorten(repr(value))} is no time; ISO 8601 with an offset or Unix time is read") from None


def _from_iso(text: str) -> datetime:
    time = datetime.fromisoformat(text)
    if time.tzinfo is None:
        raise Refused(f'time "{text}" has no offset from UTC; leave time_pointer out to use the time of arrival')
    return time.astimezone(UTC)
