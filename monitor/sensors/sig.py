"""Characteristics of the Bluetooth SIG's Weight Scale, Environmental Sensing and Battery services.

Layouts: GATT Specification Supplement; everything little-endian. "Not known" values of humidity and weight from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from monitor.model.reading import Quantity
from monitor.sensors.sent import AHEAD_S, OLDEST_DAYS, Refused, Sent

_BASE = "0000{:04x}-0000-1000-8000-00805f9b34fb"
WEIGHT_SCALE, ENVIRONMENT, BATTERY = _BASE.format(0x181D), _BASE.format(0x181A), _BASE.format(0x180F)
WEIGHT, USER_WEIGHT = _BASE.format(0x2A9D), _BASE.format(0x2A98)
TEMPERATURE, HUMIDITY, PRESSURE = _BASE.format(0x2A6E), _BASE.format(0x2A6F), _BASE.format(0x2A6D)
LEVEL = _BASE.format(0x2A19)
SERVICES = {WEIGHT_SCALE: "Weight Scale", ENVIRONMENT: "Environmental Sensing", BATTERY: "Battery"}

# What is read of a device that is connected to, where the site file names no characteristic.
USUAL: dict[Quantity, str] = {
    Quantity.GROSS_WEIGHT: WEIGHT,
    Quantity.AIR_TEMPERATURE: TEMPERATURE,
    Quantity.WALL_TEMPERATURE: TEMPERATURE,
    Quantity.CONTAINER_PRESSURE: PRESSURE,
    Quantity.BATTERY: LEVEL,
}


def full_uuid(value: object) -> str:
    """Return a UUID in its long form, lower case; "2A9D" and 0x2A9D are short forms. Raises Refused."""
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**32:
        return f"{value:08x}-0000-1000-8000-00805f9b34fb"
    text = str(value).strip().lower().removeprefix("0x")
    digits = text.replace("-", "")
    if len(text) in {4, 8} and all(c in "0123456789abcdef" for c in text):
        return f"{int(text, 16):08x}-0000-1000-8000-00805f9b34fb"
    if len(digits) == 32 and all(c in "0123456789abcdef" for c in digits):
        return f"{digits[:8]}-{digits[8:12]}-{digits[12:16]}-{digits[16:20]}-{digits[20:]}"
    raise Refused(f'"{value}" is no UUID, such as "2A9D" or its long form')


@dataclass(frozen=True, slots=True)
class Weight:
    """A weight measurement: `weight` in `unit`, None = unsuccessful. `reserved` flag bits are kept for diagnosis."""

    weight: float | None
    unit: str
    stamp: tuple[int, int, int, int, int, int] | None
    reserved: int


def weight(data: bytes) -> Weight:
    """Return a Weight Measurement (0x2A9D). Raises Refused where it is cut short."""
    _at_least(data, 3)
    flags, raw = data[0], int.from_bytes(data[1:3], "little")
    imperial = bool(flags & 0x01)
    stamp = None
    if flags & 0x02:
        _at_least(data, 10)
        stamp = (int.from_bytes(data[3:5], "little"), *data[5:10])
    _at_least(data, 3 + (7 if flags & 0x02 else 0) + (1 if flags & 0x04 else 0) + (4 if flags & 0x08 else 0))
    value = None if raw == 0xFFFF else raw * (0.01 if imperial else 0.005)
    return Weight(value, "lb" if imperial else "kg", stamp, flags & 0xF0)


def sent(uuid: str, data: bytes, received: datetime, zone: str) -> Sent:
    """Return what a known characteristic says. `zone` places a scale's clock, which knows no time zone."""
    reader = _READERS.get(uuid)
    if reader is not None:
        return reader(data)
    if uuid != WEIGHT:
        raise Refused(f"characteristic {uuid} is none that is known; declare its format")
    found = weight(data)
    time, known = _place(found.stamp, received, zone)
    return Sent(found.weight, found.unit, time, age_known=known)


def is_known(uuid: str) -> bool:
    """Whether the format of a characteristic is known without being declared."""
    return uuid == WEIGHT or uuid in _READERS


def _place(
    stamp: tuple[int, int, int, int, int, int] | None, received: datetime, zone: str
) -> tuple[datetime | None, bool]:
    """Return (time, whether the age is known): a stored weight may be sent late, and many clocks were never set."""
    if stamp is None:
        return None, True
    try:
        time = datetime(*stamp, tzinfo=ZoneInfo(zone)).astimezone(UTC)
    except ValueError:
        return None, False
    off_s = (received - time).total_seconds()
    if -AHEAD_S <= off_s <= OLDEST_DAYS * 86_400:
        return time, True
    return None, False


def _at_least(data: bytes, size: int) -> None:
    if len(data) < size:
        raise Refused(f"cut short: {len(data)} of {size} bytes")


def _number(size: int, signed: bool, factor: float, unit: str, unknown: int | None) -> Callable[[bytes], Sent]:
    def read(data: bytes) -> Sent:
        _at_least(data, size)
        raw = int.from_bytes(data[:size], "little", signed=signed)
        return Sent(None if raw == unknown else raw * factor, unit)

    return read


_READERS: dict[str, Callable[[bytes], Sent]] = {
    LEVEL: _number(1, False, 1.0, "%", None),
    TEMPERATURE: _number(2, True, 0.01, "°C", -0x8000),
    HUMIDITY: _number(2, False, 0.01, "%", 0xFFFF),
    PRESSURE: _number(4, False, 0.1, "Pa", None),
    USER_WEIGHT: _number(2, False, 0.005, "kg", None),
}
