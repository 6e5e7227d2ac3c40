"""A message's payload taken apart: a plain number (with or without a unit), JSON by pointer, or SenML.

Where the site file names no format, the content type decides, then whether the sensor has a pointer.
"""

from __future__ import annotations

import json
import math
from datetime import datetime
from typing import Any

from monitor.model.reading import Reading, SetAside
from monitor.model.site import SensorSpec, Site
from monitor.sensors import decode, senml
from monitor.sensors.pointer import find
from monitor.sensors.sent import Refused, Sent, parse_time

LIMIT = 65_536  # bytes; a reading is some dozen


def readings(
    spec: SensorSpec,
    site: Site,
    payload: bytes,
    received: datetime,
    *,
    content_type: str = "",
    fresh: bool = True,
    size: int = 0,
) -> list[Reading | SetAside]:
    """Return what `payload` holds for the sensor `spec`. `fresh` False = it may have waited at the broker.
    `size` is that of the whole payload where `payload` is only its beginning.

    Never raises: what cannot be used comes back set aside, with the reason. An empty payload (a retained message
    being removed) and a document that does not speak of this sensor give an empty list.
    """
    if not payload:
        return []
    try:
        size = max(size, len(payload))
        if size > LIMIT:
            raise Refused(f"too large: {size:,} bytes, at most {LIMIT:,} are read")
        sent = _take_apart(spec, payload, received, content_type)
    except Refused as refused:
        return [decode.set_aside(spec, received, payload, str(refused), size)]
    found = []
    for one in sent:
        known = one if fresh or one.time is not None else Sent(one.value, one.unit, None, age_known=False)
        found.append(decode.to_reading(spec, site, known, received, payload))
    return found


def format_of(spec: SensorSpec, content_type: str = "") -> str:
    """Return "number", "json" or "senml" for a sensor and the content type that a message names."""
    if not spec.options and not content_type:
        return "json" if spec.pointer or spec.time_pointer or spec.unit_pointer else "number"
    named = str(spec.options.get("format", "")).lower()
    if named:
        return named
    if "senml_name" in spec.options or content_type.split(";", maxsplit=1)[0].strip() in senml.CONTENT_TYPES:
        return "senml"
    return "json" if spec.pointer or spec.time_pointer or spec.unit_pointer else "number"


def _take_apart(spec: SensorSpec, payload: bytes, received: datetime, content_type: str) -> list[Sent]:
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        raise Refused("not UTF-8 text") from None
    form = format_of(spec, content_type)
    if form == "senml":
        return senml.sent(load(text), str(spec.options.get("senml_name", "")), received)
    if form == "json":
        return [_from_json(spec, load(text))]
    if form == "number":
        return [Sent(text.strip())]
    raise Refused(f'format "{form}" is none that is read: number, json or senml')


def _from_json(spec: SensorSpec, document: Any) -> Sent:
    value = find(document, spec.pointer)
    if isinstance(value, (dict, list)):
        where = f"at {spec.pointer}" if spec.pointer else "in the payload; the key pointer says where the number is"
        raise Refused(f"a {'list' if isinstance(value, list) else 'table'} {where}, not a number")
    unit = ""
    if spec.unit_pointer:
        named = find(document, spec.unit_pointer)
        if named is not None and not isinstance(named, str):
            raise Refused(f"the unit at {spec.unit_pointer} is no text")
        unit = (named or "").strip()
    time = parse_time(find(document, spec.time_pointer)) if spec.time_pointer else None
    return Sent(plain(value), unit, time)


def plain(value: Any) -> float | bool | str | None:
    """Return a JSON value as what a sensor may send; an integer beyond any float becomes infinite."""
    if isinstance(value, int) and not isinstance(value, bool):
        try:
            return float(value)
        except OverflowError:
            return math.inf
    if value is None or isinstance(value, (bool, float, str)):
        return value
    raise Refused("neither a number nor text")


def load(text: str) -> Any:
    """Return a JSON document; raise Refused where it is none, or is nested beyond reason."""
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise Refused(f"not JSON: {error}") from None
