"""Times as the household reads them: local, short, with the offset where a clock change makes them unclear."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def parse(text: object) -> datetime | None:
    """Return the time that a fact holds as ISO 8601, or None."""
    if not isinstance(text, str):
        return None
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return None
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def iso(time: datetime) -> str:
    """Return `time` as ISO 8601 in UTC, to the second, minutes where that says it all."""
    utc = time.astimezone(UTC)
    return utc.strftime("%Y-%m-%dT%H:%MZ") if utc.second == 0 else utc.strftime("%Y-%m-%dT%H:%M:%SZ")


def _offset(local: datetime) -> str:
    minutes = round((local.utcoffset() or timedelta()).total_seconds() / 60)
    sign = "-" if minutes < 0 else "+"
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{sign}{hours}" + (f":{rest:02d}" if rest else "")


def _unclear(*times: datetime) -> bool:
    """Whether the clocks change within 12 hours of any of the times, or between them."""
    around = [t + timedelta(hours=h) for t in times for h in (-12, 12)]
    offsets = {t.astimezone(UTC).astimezone(times[0].tzinfo).utcoffset() for t in (*around, *times)}
    return len(offsets) > 1


def _day(local: datetime, now: datetime) -> str:
    days = abs((local.date() - now.date()).days)
    name = _DAYS[local.weekday()]
    return name if days < 6 else f"{name} {local.day} {_MONTHS[local.month - 1]}"


def moment(time: datetime, timezone: str, now: datetime) -> str:
    """Return e.g. "Thu 02:00", with the date where it is a week off and the offset where clocks change near it."""
    zone = ZoneInfo(timezone)
    local = time.astimezone(zone)
    text = f"{_day(local, now.astimezone(zone))} {local:%H:%M}"
    return f"{text} ({_offset(local)})" if _unclear(local) else text


def day(time: datetime, timezone: str, now: datetime) -> str:
    """Return e.g. "Thu", with the date where it is a week off."""
    zone = ZoneInfo(timezone)
    return _day(time.astimezone(zone), now.astimezone(zone))


def date(time: datetime, timezone: str) -> str:
    """Return e.g. "5 Jan 2026"."""
    local = time.astimezone(ZoneInfo(timezone))
    return f"{local.day} {_MONTHS[local.month - 1]} {local.year}"


def span(start: datetime, end: datetime, timezone: str, now: datetime) -> str:
    """Return e.g. "Thu 02:00-08:00" or "Thu 22:00-Fri 08:00", with offsets where clocks change near it."""
    zone = ZoneInfo(timezone)
    a, b = start.astimezone(zone), end.astimezone(zone)
    unclear = _unclear(a, b)
    first = f"{_day(a, now.astimezone(zone))} {a:%H:%M}" + (f" ({_offset(a)})" if unclear else "")
    second = f"{b:%H:%M}" if a.date() == b.date() else f"{_day(b, now.astimezone(zone))} {b:%H:%M}"
    return f"{first}-{second}" + (f" ({_offset(b)})" if unclear else "")
