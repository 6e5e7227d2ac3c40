"""Whether a sensor's description in the site file can be used at all: told when the file is read, not when it fails."""

from __future__ import annotations

from monitor.model.site import SensorSpec
from monitor.sensors.sent import Refused


def problem(spec: SensorSpec) -> str:
    """Return what is wrong with the options of a sensor's way in, "" where nothing is. Secrets are not looked at."""
    if spec.way == "mqtt":
        return _mqtt(spec)
    if spec.way != "ble":
        return ""
    from monitor.sensors import advert

    try:
        advert.way(spec)
    except Refused as refused:
        return str(refused)
    return ""


def _mqtt(spec: SensorSpec) -> str:
    pointer = spec.pointer or spec.time_pointer or spec.unit_pointer
    if pointer and spec.options.get("format") == "number":
        return f'format "number" has no use for the pointer {pointer}'
    return ""
