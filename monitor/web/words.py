"""Times and spans as the page says them: in the site's zone, with the offset where a clock change blurs them."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo


def ambiguous(moment: datetime, zone: ZoneInfo) -> bool:
    """Whether the local clock shows this hour twice, or the zone's offset changes within a day of it."""
    around = [(moment + timedelta(hours=h)).astimezone(zone).utcoffset() for h in (-12, 12)]
    return around[0] != around[1]


def clock(moment: datetime, zone: ZoneInfo) -> str:
    """Return e.g. "02:00", with the offset on days when the clock changes."""
    local = moment.astimezone(zone)
    return f"{local:%H:%M}" + (f" (UTC{local:%z})" if ambiguous(moment, zone) else "")


def day_clock(moment: datetime, zone: ZoneInfo) -> str:
    """Return e.g. "Thu 02:00"."""
    return f"{moment.astimezone(zone):%a} {clock(moment, zone)}"


def day_clock_zone(moment: datetime, zone: ZoneInfo) -> str:
    """Return e.g. "Thu 4 Dec 02:00 UTC-07:00"."""
    offset = f"{moment.astimezone(zone):%z}"
    return f"{day(moment, zone)} {moment.astimezone(zone):%H:%M} UTC{offset[:3]}:{offset[3:]}"


def stamp(moment: datetime, zone: ZoneInfo) -> str:
    """Return e.g. "4 Dec 2025 02:00", with the offset on days when the clock changes."""
    local = moment.astimezone(zone)
    return f"{local.day} {local:%b %Y} {clock(moment, zone)}"


def day(moment: datetime, zone: ZoneInfo) -> str:
    """Return e.g. "Thu 4 Dec"."""
    local = moment.astimezone(zone)
    return f"{local:%a} {local.day} {local:%b}"


def span(start: datetime, end: datetime, zone: ZoneInfo) -> str:
    """Return e.g. "Thu 02:00 to 08:00" or "Thu 22:00 to Fri 06:00"."""
    same = start.astimezone(zone).date() == end.astimezone(zone).date()
    return f"{day_clock(start, zone)} to {clock(end, zone) if same else day_clock(end, zone)}"


def whole(text: str) -> str:
    """Keep numbers and their units on one line."""
    return re.sub(r"(\d) (?=°|lb\b|kg\b|Btu|kW|min\b|h\b|%)", "\\1\u00a0", re.sub(r"(?<![\w])-(?=\d)", "\u2212", text))


def percent(share: float) -> str:
    """Return a share as e.g. "68 %", the sign kept on the line of its number."""
    return f"{share:.0%}".replace("%", "\u00a0%")


_CALLED = {
    "broker": "MQTT broker", "radio": "Bluetooth radio", "channel": "channel “{}”", "sensor": "sensor “{}”",
    "store": "the database", "disk": "space on the disk", "clock": "this machine's clock",
    "site": "the site file",
}  # fmt: skip
_LOOPS = {
    "outlook": "the making of the outlook", "inputs": "the listening to sensors", "commands": "the watch for entries",
    "clock": "the watch on the clock", "watch": "the watch on the service's parts", "page": "the page",
    "site file": "the watch on the site file", "service": "the service itself",
}  # fmt: skip


def called(name: str, kind: str) -> str:
    """Return what a source, loop or channel is called on the page."""
    if kind in {"loop", "service"}:
        plain = name.removeprefix("loop ")
        return _LOOPS.get(plain, plain)
    if kind == "forecast":
        return f"forecast from {_WEATHER.get(name, name)}"
    return _CALLED.get(kind, kind + " “{}”").format(name)


_WEATHER = {"open-meteo": "Open-Meteo", "nws": "the US National Weather Service", "met-norway": "MET Norway",
            "file": "a file", "command": "a command of your own"}  # fmt: skip


def age(seconds: float) -> str:
    """Return how old something is: "now", "4 min", "3 h", "2 days"."""
    if seconds < 60:
        return "now"
    if seconds < 3600:
        return f"{seconds / 60:.0f} min"
    if seconds < 48 * 3600:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / 86400:.0f} days"


def ago(seconds: float) -> str:
    """Return how long ago something was: "just now", "4 min ago"."""
    return "just now" if seconds < 60 else f"{age(seconds)} ago"
