"""Our outlook in the form of the Homie 5 convention: what the device looks like, and what each property says. Pure."""

from __future__ import annotations

import json
import math
import re
import unicodedata
import zlib
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from monitor.model.outlook import HourOutlook, Outlook
from monitor.model.reading import Level
from monitor.model.site import Site

VERSION = "5.0"


def slug(text: str) -> str:
    """Return an id as Homie allows it: a-z, 0-9 and hyphens."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-") or "x"


def cylinder_ids(site: Site) -> dict[str, str]:
    """Return the node of each cylinder by its name; two names that look alike get a number."""
    found: dict[str, str] = {}
    for cylinder in site.cylinders:
        wanted = f"cylinder-{slug(cylinder.name)}"
        number = 2
        node = wanted
        while node in found.values():
            node, number = f"{wanted}-{number}", number + 1
        found[cylinder.name] = node
    return found


def _property(name: str, datatype: str, unit: str = "", form: str = "") -> dict[str, Any]:
    found: dict[str, Any] = {"name": name, "datatype": datatype}
    if unit:
        found["unit"] = unit
    if form:
        found["format"] = form
    return found


_OUTLOOK = {
    "covered": _property("Full burn covered through the forecast", "boolean", form="short,covered"),
    "shortfall-begins": _property("Next hour in which full burn is not covered", "datetime"),
    "worst-headroom": _property("Least headroom ahead", "float", "W"),
    "capacity-now": _property("Sustained capacity now", "float", "W"),
    "demand": _property("Full-burner demand", "float", "W", "0:"),
    "hold-now": _property("How long full burn holds from now", "float", "min", "0:"),
    "run-out": _property("Fuel ends, even odds", "datetime"),
    "run-out-early": _property("Fuel ends, one chance in ten before", "datetime"),
    "air-now": _property("Air temperature by the forecast", "float", "°C"),
    "made": _property("When the outlook was made", "datetime"),
}
_CYLINDER = {
    "left": _property("Propane left", "float", "kg", "0:"),
    "share": _property("Propane left, of a full cylinder", "float", "%", "0:"),
    "uncertainty": _property("One standard deviation of what is left", "float", "kg", "0:"),
    "read": _property("Newest reading behind it", "datetime"),
}


def description(site: Site) -> dict[str, Any]:
    """Return the device's description. Its version follows from what it says, so it changes when that does."""
    nodes: dict[str, Any] = {"outlook": {"name": "Outlook", "type": "forecast", "properties": _OUTLOOK}}
    for name, node in cylinder_ids(site).items():
        nodes[node] = {"name": name, "type": "cylinder", "properties": _CYLINDER}
    found: dict[str, Any] = {"homie": VERSION, "name": f"boiloff: {site.name}", "nodes": nodes}
    found["version"] = zlib.crc32(json.dumps(found, sort_keys=True).encode())
    return found


def number(value: float | None, decimals: int = 1) -> str:
    """Return a float as Homie writes it, "" (no value) where it is not known: it has no NaN."""
    if value is None or not math.isfinite(value):
        return ""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def moment(value: datetime | None) -> str:
    """Return a time as ISO 8601 in UTC, "" where there is none."""
    return "" if value is None else value.astimezone(UTC).isoformat(timespec="seconds")


def values(outlook: Outlook, site: Site, now: datetime) -> dict[str, str]:
    """Return what each property (`node/property`) says; "" = no value."""
    ahead = [h for h in outlook.hours if h.time.timestamp() > now.timestamp() - 3600.0]
    current = ahead[0] if ahead else None
    judged = [h for h in ahead if h.headroom_w is not None]
    found = {
        "covered": _covered(outlook, ahead, now),
        "shortfall-begins": moment(next((s.start for s in outlook.uncovered if s.end > now), None)),
        "worst-headroom": number(min((h.headroom_w for h in judged if h.headroom_w is not None), default=None), 0),
        "capacity-now": number(current.sustained_w.get(outlook.basis) if current else None, 0),
        "demand": number(outlook.demand_w, 0),
        "hold-now": number(current.hold_s / 60.0 if current and current.hold_s is not None else None, 0),
        "run-out": moment(outlook.run_out.p50 if outlook.run_out else None),
        "run-out-early": moment(outlook.run_out.p10 if outlook.run_out else None),
        "air-now": number(current.air_k - 273.15 if current and current.air_k is not None else None),
        "made": moment(outlook.at),
    }
    said = {f"outlook/{key}": value for key, value in found.items()}
    ids = cylinder_ids(site)
    for level in outlook.levels:
        if level.cylinder in ids:
            said |= {f"{ids[level.cylinder]}/{key}": value for key, value in _level(level, site).items()}
    return said


def _covered(outlook: Outlook, ahead: Iterable[HourOutlook], now: datetime) -> str:
    """Return "true" only where every hour that can burn was judged: what cannot be judged is not covered."""
    if any(s.end > now for s in outlook.uncovered):
        return "false"
    burning = [h for h in ahead if h.may_burn]
    return "true" if burning and all(h.uncovered is False for h in burning) else ""


def _level(level: Level, site: Site) -> Mapping[str, str]:
    if level.reading_time is None:
        return dict.fromkeys(_CYLINDER, "")
    return {
        "left": number(max(level.left_kg, 0.0), 2),
        "share": number(100.0 * max(level.left_kg, 0.0) / site.cylinder(level.cylinder).full_kg),
        "uncertainty": number(level.sd_kg, 2),
        "read": moment(level.reading_time),
    }
