"""BTHome v2 (bthome.io/format): objects out of the service data of UUID 0xFCD2, plain and encrypted.

Everything foreign is in the table. `Device` adds what one sender needs between its advertisements: doubles by packet
id, the replay rule of the counter, and that a device with a key never speaks plainly.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

from monitor.sensors.sent import Refused

UUID = "0000fcd2-0000-1000-8000-00805f9b34fb"
_VERSION = 2
_SAME_FRAME_S = 4.0  # a packet id that comes again within this time is the same packet
_AHEAD = 64  # ... unless it is 1 to 63 ahead, modulo 256
_STARTED_ANEW = 100  # a counter below this is a new battery, not a replay


@dataclass(frozen=True, slots=True)
class Kind:
    """One row of the format: what an object id means."""

    name: str
    size: int
    signed: bool = False
    factor: float = 1.0
    unit: str = ""  # as our parser of units reads it


def _row(
    ids: str, name: str, size: int, factor: float = 1.0, unit: str = "", *, signed: bool = False
) -> dict[int, Kind]:
    return {int(i, 16): Kind(name, size, signed, factor, unit) for i in ids.split()}


KINDS: dict[int, Kind] = {
    **_row("00", "packet id", 1),
    **_row("01", "battery", 1, unit="%"),
    **_row("02", "temperature", 2, 0.01, "°C", signed=True),
    **_row("45", "temperature", 2, 0.1, "°C", signed=True),
    **_row("57", "temperature", 1, 1.0, "°C", signed=True),
    **_row("58", "temperature", 1, 0.35, "°C", signed=True),
    **_row("03", "humidity", 2, 0.01, "%"),
    **_row("2E", "humidity", 1, 1.0, "%"),
    **_row("04", "pressure", 3, 0.01, "hPa"),
    **_row("06", "mass", 2, 0.01, "kg"),
    **_row("07", "mass", 2, 0.01, "lb"),
    **_row("08", "dew point", 2, 0.01, "°C", signed=True),
    **_row("09", "count", 1),
    **_row("3D", "count", 2),
    **_row("3E", "count", 4),
    **_row("59", "count", 1, signed=True),
    **_row("5A", "count", 2, signed=True),
    **_row("5B", "count", 4, signed=True),
    **_row("0C", "voltage", 2, 0.001, "V"),
    **_row("4A", "voltage", 2, 0.1, "V"),
    **_row("14", "moisture", 2, 0.01, "%"),
    **_row("2F", "moisture", 1, 1.0, "%"),
    **_row("40", "distance", 2, 1.0, "mm"),
    **_row("41", "distance", 2, 0.1, "m"),
    **_row("42", "duration", 3, 0.001, "s"),
    **_row("47", "volume", 2, 0.1, "L"),
    **_row("48", "volume", 2, 1.0, "mL"),
    **_row("4E", "volume", 4, 0.001, "L"),
    **_row("49", "volume flow rate", 2, 0.001),
    **_row("4B", "gas volume", 3, 0.001, "m3"),
    **_row("4C", "gas volume", 4, 0.001, "m3"),
    **_row("55", "volume storage", 4, 0.001, "L"),
    **_row("50", "timestamp", 4),
    **_row("60", "channel", 1),
    **_row("0F", "generic boolean", 1),
    **_row("10", "power on", 1),
    **_row("11", "opening", 1),
    **_row("15", "low battery", 1),
    **_row("18", "cold", 1),
    **_row("1C", "gas detected", 1),
    **_row("26", "problem", 1),
    **_row("28", "safety", 1),
    **_row("2B", "tamper", 1),
    **_row("3A", "button", 1),
}
_TEXTS = frozenset({0x53, 0x54})  # their length is in their first byte
# What has no use here, but a known length that must be skipped to read on.
_SKIPPED: dict[int, int] = {
    **{i: 1 for i in range(0x15, 0x2E) if i not in KINDS},
    **dict.fromkeys((0x46, 0x64, 0x65), 1),
    **dict.fromkeys(
        (0x0D, 0x0E, 0x12, 0x13, 0x3C, 0x3F, 0x43, 0x44, 0x51, 0x52, 0x56, 0x5D, 0x5E, 0x5F, 0x61, 0xF0), 2
    ),
    **dict.fromkeys((0x05, 0x0A, 0x0B, 0xF2), 3),
    **dict.fromkeys((0x4D, 0x4F, 0x5C, 0x62, 0x63, 0xF1), 4),
}


@dataclass(frozen=True, slots=True)
class Object:
    """One measurement. `nth` counts those of the same name in a packet from 1."""

    name: str
    nth: int
    value: float
    unit: str
    id: int


@dataclass(frozen=True, slots=True)
class Frame:
    """One packet. `sleepy` is True where the device sends only when something happens."""

    objects: tuple[Object, ...]
    encrypted: bool
    sleepy: bool
    counter: int | None = None

    @property
    def packet_id(self) -> int | None:
        """Packet id, None where the packet has none."""
        found = [o.value for o in self.objects if o.name == "packet id"]
        return int(found[0]) if found else None

    @property
    def time(self) -> datetime | None:
        """The sender's own time (UTC), None where it gives none."""
        found = [o.value for o in self.objects if o.name == "timestamp"]
        return datetime.fromtimestamp(found[0], UTC) if found else None

    def find(self, name: str, nth: int = 1) -> Object | None:
        """Return the `nth` object called `name`."""
        return next((o for o in self.objects if (o.name, o.nth) == (name, nth)), None)


def parse(data: bytes, key: bytes | None = None, address: str = "") -> Frame:
    """Return the packet in service data (without the UUID); `key` and `address` ("AA:BB:…") where it is encrypted.

    Raises Refused with the reason. Without a key an encrypted packet is refused, with one a plain packet is.
    """
    if not data:
        raise Refused("no data")
    info = data[0]
    if info >> 5 != _VERSION:
        raise Refused(f"BTHome version {info >> 5}; version {_VERSION} is read")
    body, mac = data[1:], _mac(address)
    if info & 0x02:
        if len(body) < 6:
            raise Refused("too short for the address that it announces")
        mac, body = body[:6][::-1], body[6:]
    if not info & 0x01:
        if key is not None:
            raise Refused("plain data from a device that has a key: forged, or its key was taken out")
        return Frame(_objects(body), encrypted=False, sleepy=bool(info & 0x04))
    if key is None:
        raise Refused("encrypted, and the sensor has no key_file")
    plain, counter = _decrypt(info, body, key, mac)
    return Frame(_objects(plain), encrypted=True, sleepy=bool(info & 0x04), counter=counter)


def is_encrypted(data: bytes) -> bool:
    """Whether service data says that it is encrypted."""
    return bool(data) and data[0] >> 5 == _VERSION and bool(data[0] & 0x01)


def _mac(address: str) -> bytes:
    try:
        return bytes.fromhex(address.replace(":", ""))
    except ValueError:
        return b""


@lru_cache(maxsize=32)
def _cipher(key: bytes) -> object:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM  # late: most sites have no encrypted sensor

    return AESCCM(key, tag_length=4)


def _decrypt(info: int, body: bytes, key: bytes, mac: bytes) -> tuple[bytes, int]:
    if len(body) < 8:
        raise Refused("too short to be encrypted")
    if len(mac) != 6:
        raise Refused("the address that the encryption needs is not known")
    from cryptography.exceptions import InvalidTag

    sealed, counter, tag = body[:-8], body[-8:-4], body[-4:]
    nonce = mac + b"\xd2\xfc" + bytes([info]) + counter
    try:
        plain = _cipher(key).decrypt(nonce, sealed + tag, None)  # type: ignore[attr-defined]
    except (InvalidTag, ValueError):
        raise Refused("cannot be decrypted: is the key right?") from None
    return bytes(plain), int.from_bytes(counter, "little")


def _objects(body: bytes) -> tuple[Object, ...]:
    """Return the objects up to the first whose length is not known, or that is cut short."""
    found: list[Object] = []
    count: dict[str, int] = {}
    at = 0
    while at < len(body):
        number = body[at]
        at += 1
        if number in _TEXTS:
            at += 1 + (body[at] if at < len(body) else 0)
            continue
        if number in _SKIPPED:
            at += _SKIPPED[number]
            continue
        kind = KINDS.get(number)
        if kind is None or at + kind.size > len(body):
            break
        raw = int.from_bytes(body[at : at + kind.size], "little", signed=kind.signed)
        at += kind.size
        count[kind.name] = count.get(kind.name, 0) + 1
        found.append(Object(kind.name, count[kind.name], raw * kind.factor, kind.unit, number))
    return tuple(found)


class Device:
    """What must be remembered of one sender between its packets."""

    def __init__(self, address: str, key: bytes | None = None) -> None:
        self.address = address
        self._key = key
        self._counter: int | None = None
        self._packet: int | None = None
        self._heard_s = 0.0
        self.failures = 0  # packets in a row that could not be decrypted

    def take(self, data: bytes, now_s: float) -> Frame | None:
        """Return the packet, None where it is a double of the one before. Raises Refused (bad, forged, replayed)."""
        try:
            frame = parse(data, self._key, self.address)
        except Refused:
            self.failures += 1
            raise
        self.failures = 0
        if frame.counter is not None:
            if frame.counter == self._counter:
                return None  # the same packet again: radios send each several times
            if self._counter is not None and frame.counter < self._counter and frame.counter >= _STARTED_ANEW:
                raise Refused(f"replayed: its counter {frame.counter} lies behind {self._counter}")
            self._counter = frame.counter
        if self._is_double(frame.packet_id, now_s):
            return None
        return frame

    def _is_double(self, packet: int | None, now_s: float) -> bool:
        if packet is None:
            return False
        last, heard_s = self._packet, self._heard_s
        ahead = 1 if last is None else (packet - last) % 256
        if 0 < ahead < _AHEAD or now_s - heard_s > _SAME_FRAME_S:
            self._packet, self._heard_s = packet, now_s
            return False
        return True
