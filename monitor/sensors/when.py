"""The time at which a person took a reading, as people write it, in the site's own time zone."""

from __future__ import annotations

import contextlib
import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.model.errors import BadInput, Problem

EXPECTED = 'a time such as "18:30", "yesterday 18:30", "2 h ago" or "2026-01-05 18:30"'
_AGO = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?(s|sec|min|minutes?|h|hours?|d|days?|weeks?) ago", re.IGNORECASE)
_ONE_DIGIT = re.compile(r"^(\d{4}-\d\d-\d\d[T ])(\d:)")  # of the hour: as people write it
_CLOCK = re.compile(r"(?:(today|yesterday),? )?([0-2]?[0-9])[:.]([0-5][0-9])", re.IGNORECASE)
_SECONDS = {"s": 1, "m": 60, "h": 3600, "d": 86_400, "w": 604_800}
EXPECTED_AHEAD = 'a day or time to come, such as "tomorrow", "tomorrow 10:00", "2026-01-05" or "2026-01-05 10:00"'
_PLANNED = re.compile(r"(today|tomorrow|\d{4}-\d\d-\d\d)(?:[T ,] ?(\d{1,2}:\d\d(?::\d\d)?\S{0,8}))?", re.IGNORECASE)
_EVENING = "18:00"
_FARTHEST = timedelta(days=366)
_AHEAD = timedelta(minutes=1)
_YEARS = 1900, 9000  # beyond lies a slip of the hand, or the calendar's end


def when(text: str, now: datetime, zone: str, key: str = "--at") -> datetime:
    """Return the time (UTC) that `text` means for somebody at the site; `now` is aware.

    Raises BadInput: not a time, a local time that does not exist or comes twice, the future.
    """
    plain = " ".join(text.strip().split())
    found = _ago(plain, now) or _clock(plain, now, zone, key) or _written(plain, zone, key)
    if found.year < _YEARS[0]:
        raise BadInput(Problem(key, f'"{plain[:60]}"', EXPECTED, f"that would be in the year {found.year}"))
    if found > now + _AHEAD:
        local = found.astimezone(ZoneInfo(zone))
        raise BadInput(Problem(key, f'"{text}"', "a time that has been", f"{local:%Y-%m-%d %H:%M %Z} is still to come"))
    return min(found, now)


def to_come(text: str, now: datetime, zone: str, key: str = "--at") -> datetime:
    """Return the time (UTC) of something planned; a day without an hour is its evening, 18:00 local.

    Raises BadInput: not a time, a local time that does not exist or comes twice, the past, more than a year ahead.
    """
    plain = " ".join(text.strip().split())
    today = now.astimezone(ZoneInfo(zone)).date()
    days = {"today": today, "tomorrow": today + timedelta(days=1)}
    match = _PLANNED.fullmatch(plain)
    if match is None:
        raise BadInput(Problem(key, f'"{plain[:60]}"' if plain else "nothing", EXPECTED_AHEAD))
    day, clock = days.get(match[1].lower(), match[1]), match[2] or _EVENING
    found = _written(f"{day} {'0' if clock[1] == ':' else ''}{clock}", zone, key)
    if not now < found <= now + _FARTHEST:
        local = found.astimezone(ZoneInfo(zone))
        raise BadInput(
            Problem(key, f'"{plain}"', "a time to come within a year", f"it means {local:%Y-%m-%d %H:%M %Z}")
        )
    return found


def _ago(plain: str, now: datetime) -> datetime | None:
    if plain.lower() == "now":
        return now
    match = _AGO.fullmatch(plain)
    if match is None:
        return None
    with contextlib.suppress(OverflowError):  # further back than the calendar goes: no time
        return now - timedelta(seconds=float(match[1]) * _SECONDS[match[2][0].lower()])
    return None


def _clock(plain: str, now: datetime, zone: str, key: str) -> datetime | None:
    match = _CLOCK.fullmatch(plain)
    if match is None:
        return None
    if int(match[2]) > 23:
        raise BadInput(Problem(key, f'"{plain}"', EXPECTED, "hours run from 00 to 23"))
    day = now.astimezone(ZoneInfo(zone)).date()
    if (match[1] or "").lower() == "yesterday":
        day -= timedelta(days=1)
    naive = datetime(day.year, day.month, day.day, int(match[2]), int(match[3]))  # noqa: DTZ001  placed below
    found = place(naive, zone, key)
    if match[1] is None and found > now + _AHEAD:
        raise BadInput(
            Problem(key, f'"{plain}"', "a time that has been", f'it is not {plain} yet; write "yesterday {plain}"')
        )
    return found


def _written(plain: str, zone: str, key: str) -> datetime:
    try:
        found = datetime.fromisoformat(_ONE_DIGIT.sub(r"\g<1>0\g<2>", plain))
    except ValueError:
        raise BadInput(Problem(key, f'"{plain[:60]}"', EXPECTED)) from None
    if not _YEARS[0] <= found.year <= _YEARS[1]:
        raise BadInput(Problem(key, f'"{plain[:60]}"', EXPECTED, "look at the year"))
    if len(plain) <= 10:
        raise BadInput(Problem(key, f'"{plain}"', EXPECTED, "the hour is missing: levels change within a day"))
    return found.astimezone(UTC) if found.tzinfo is not None else place(found, zone, key)


def place(naive: datetime, zone: str, key: str = "--at") -> datetime:
    """Return a local time of the site as UTC; raise BadInput where the clock change makes it none or two."""
    early, late = (naive.replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC) for fold in (0, 1))
    if early == late:
        return early
    back = early.astimezone(ZoneInfo(zone)).replace(tzinfo=None)
    if back != naive:
        why = f"the clocks went forward over this hour in {zone}"
    else:
        why = f"the hour came twice in {zone}; write {early.astimezone(ZoneInfo(zone)).isoformat()} or the other offset"
    raise BadInput(Problem(key, f'"{naive:%Y-%m-%d %H:%M}"', "a time that the local clock showed once", why))
