"""Numbers in bytes, by declared layout: where a value lies in an advertisement or a characteristic, and in what form.

A layout is described in the site file, never known by make. Keys of a sensor's `layout` table (or beside it):
format, offset, mask, shift, match, length, checksum, unknown.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from monitor.sensors.sent import Refused

_INTEGERS = {f"{s}{8 * n}{e}": (n, s == "s", e) for s in "us" for n in (1, 2, 3, 4, 6, 8) for e in ("le", "be")}
_INTEGERS |= {f"{s}8": (1, s == "s", "le") for s in "us"}
_FLOATS = {"f16le": "<e", "f16be": ">e", "f32le": "<f", "f32be": ">f", "f64le": "<d", "f64be": ">d"}
FORMATS = tuple(sorted({*_INTEGERS, *_FLOATS}))
KEYS = frozenset({"format", "offset", "mask", "shift", "match", "length", "checksum", "unknown"})


def _crc8(data: bytes) -> int:
    """CRC-8 with polynomial 0x07, no reflection (CRC-8/SMBUS)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07) & 0xFF if crc & 0x80 else crc << 1
    return crc


def _crc16(data: bytes) -> int:
    """CRC-16 with polynomial 0x1021, start 0xFFFF, no reflection (CRC-16/IBM-3740)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021) & 0xFFFF if crc & 0x8000 else crc << 1
    return crc


def _xor(data: bytes) -> int:
    found = 0
    for byte in data:
        found ^= byte
    return found


# name -> (bytes at the end, byte order, function of what is before them)
CHECKSUMS: dict[str, tuple[int, str, Callable[[bytes], int]]] = {
    "sum8": (1, "little", lambda data: sum(data) & 0xFF),
    "xor8": (1, "little", _xor),
    "crc8": (1, "little", _crc8),
    "crc16le": (2, "little", _crc16),
    "crc16be": (2, "big", _crc16),
}


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the number lies. `match` is what the data begins with, `length` its whole length where it is fixed."""

    format: str
    offset: int = 0
    mask: int | None = None
    shift: int = 0
    match: bytes = b""
    length: int | None = None
    checksum: str = ""
    unknown: int | None = None

    def read(self, data: bytes) -> float | None:
        """Return the number, None where the sender says that it does not know. Raises Refused."""
        if not self.is_of(data):
            raise Refused(f"does not begin with {self.match.hex()}")
        if self.length is not None and len(data) != self.length:
            raise Refused(f"{len(data)} bytes, not {self.length}")
        if self.checksum:
            self._check(data)
        if self.format in _FLOATS:
            form = _FLOATS[self.format]
            part = data[self.offset : self.offset + struct.calcsize(form)]
            if len(part) < struct.calcsize(form):
                raise Refused(f"cut short: {len(data)} bytes")
            return float(struct.unpack(form, part)[0])
        return self._integer(data)

    def is_of(self, data: bytes) -> bool:
        """Whether the data is of this layout at all."""
        return data.startswith(self.match)

    def _integer(self, data: bytes) -> float | None:
        size, signed, order = _INTEGERS[self.format]
        part = data[self.offset : self.offset + size]
        if len(part) < size:
            raise Refused(f"cut short: {len(data)} bytes")
        number = int.from_bytes(part, "little" if order == "le" else "big", signed=signed and self.mask is None)
        if self.mask is not None:
            number = (number & self.mask) >> self.shift
            if signed:  # the mask's highest bit is the sign
                width = (self.mask >> self.shift).bit_length()
                number -= (1 << width) if number >> (width - 1) & 1 else 0
        else:
            number >>= self.shift
        return None if number == self.unknown else float(number)

    def _check(self, data: bytes) -> None:
        size, order, function = CHECKSUMS[self.checksum]
        if len(data) <= size:
            raise Refused("too short for its checksum")
        told = int.from_bytes(data[-size:], "little" if order == "little" else "big")
        if function(data[:-size]) != told:
            raise Refused(f"checksum {self.checksum} is wrong")


def layout(options: Mapping[str, Any]) -> Layout:
    """Return the layout that a sensor's options declare; raise Refused naming the key that is wrong."""
    table = options.get("layout", {})
    if not isinstance(table, Mapping):
        raise Refused('layout is a table such as { offset = 2, format = "u16le" }')
    told: dict[str, Any] = {k: options[k] for k in ("format",) if k in options} | dict(table)
    for key in told:
        if key not in KEYS:
            raise Refused(f"layout.{key} is no key of a layout: {', '.join(sorted(KEYS))}")
    form = str(told.get("format", ""))
    if form not in _INTEGERS and form not in _FLOATS:
        raise Refused(f'layout.format "{form}" is none of {", ".join(FORMATS)}')
    checksum = str(told.get("checksum", ""))
    if checksum and checksum not in CHECKSUMS:
        raise Refused(f'layout.checksum "{checksum}" is none of {", ".join(CHECKSUMS)}')
    mask = _whole(told, "mask", None)
    if mask is not None and (mask == 0 or form in _FLOATS):
        raise Refused("layout.mask takes bits of an integer, at least one")
    return Layout(
        form,
        _whole(told, "offset", 0) or 0,
        mask,
        _whole(told, "shift", 0) or 0,
        _bytes(told.get("match", "")),
        _whole(told, "length", None),
        checksum,
        _whole(told, "unknown", None, lowest=-(2**63)),
    )


def _whole(told: Mapping[str, Any], key: str, default: int | None, lowest: int = 0) -> int | None:
    value = told.get(key, default)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value < 2**64:
        raise Refused(f"layout.{key} is a whole number such as 2 or 0x0FFF")
    return value


def _bytes(value: object) -> bytes:
    try:
        return bytes.fromhex(str(value))
    except ValueError:
        raise Refused('layout.match is bytes in hexadecimal such as "a1 02"') from None
