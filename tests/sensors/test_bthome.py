"""BTHome v2 against the vectors of the format's page and against bthome-ble, the reference parser (test only)."""

from __future__ import annotations

import contextlib
import random
import time
from collections.abc import Iterator
from typing import Any

import pytest
from bleak.backends.device import BLEDevice
from bluetooth_data_tools import monotonic_time_coarse
from bthome_ble.const import MEAS_TYPES
from bthome_ble.parser import BTHomeBluetoothDeviceData
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from habluetooth import BluetoothServiceInfoBleak

from monitor.sensors import bthome
from monitor.sensors.sent import Refused

MAC = "54:48:E6:8F:80:A5"
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")


def told(data: str, key: bytes | None = None) -> list[tuple[str, int, float]]:
    frame = bthome.parse(bytes.fromhex(data), key, MAC)
    return [(o.name, o.nth, round(o.value, 6)) for o in frame.objects]


@pytest.mark.parametrize(
    ("data", "objects"),
    [
        ("40 00 09 01 5D 02 5D 09 03 B7 18",
         [("packet id", 1, 9), ("battery", 1, 93), ("temperature", 1, 23.97), ("humidity", 1, 63.27)]),
        ("40 06 5E 1F", [("mass", 1, 80.30)]),
        ("40 07 3E 1D", [("mass", 1, 74.86)]),
        ("40 40 0C 00", [("distance", 1, 12)]),
        ("40 41 4E 00", [("distance", 1, 7.8)]),
        ("40 0C 02 0C", [("voltage", 1, 3.074)]),
        ("40 04 13 8A 01", [("pressure", 1, 1008.83)]),
        ("40 47 87 56", [("volume", 1, 2215.1)]),
        ("40 48 DC 87", [("volume", 1, 34780)]),
        ("40 14 02 0C", [("moisture", 1, 30.74)]),
        ("40 FE CA 09", []),
        ("40 01 5D FE 5D 09 02 00 00", [("battery", 1, 93)]),
        ("40 02 5D 09 02 00 0A 06 5E", [("temperature", 1, 23.97), ("temperature", 2, 25.60)]),
        ("40 53 03 61 62 63 57 EA", [("temperature", 1, -22)]),
        ("40 53 09 61", []),
        ("40 03 B7 18 2E 23", [("humidity", 1, 63.27), ("humidity", 2, 35)]),
        ("42 A5 80 8F E6 48 54 01 5D", [("battery", 1, 93)]),
    ],
)  # fmt: skip
def test_vectors(data: str, objects: list[tuple[str, int, float]]) -> None:
    assert told(data) == objects


def test_encrypted_vectors() -> None:
    assert told("41 E445F3C9962B 33221100 6C7C4519", KEY) == [("temperature", 1, 25.06), ("humidity", 1, 50.55)]
    assert told("41 0531B165DAFBD9F1D963 01000000 163F8181", KEY) == [
        ("packet id", 1, 9), ("battery", 1, 93), ("temperature", 1, 23.97), ("mass", 1, 80.30),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("data", "key", "why"),
    [
        ("", None, "no data"),
        ("E1 00", None, "version 7"),
        ("20 01 5D", None, "version 1"),
        ("41 6C7C4519", KEY, "too short"),
        ("41 E445F3C9962B 33221100 6C7C4519", None, "no key_file"),
        ("41 E445F3C9962B 33221100 6C7C4518", KEY, "cannot be decrypted"),
        ("40 01 5D", KEY, "plain data from a device that has a key"),
        ("42 A5 80", None, "too short for the address"),
    ],
)
def test_refused(data: str, key: bytes | None, why: str) -> None:
    with pytest.raises(Refused, match=why):
        bthome.parse(bytes.fromhex(data), key, MAC)


def test_doubles_by_packet_id() -> None:
    device = bthome.Device(MAC)

    def send(packet: int, at_s: float) -> bool:
        return device.take(bytes([0x40, 0x00, packet, 0x01, 50]), at_s) is not None

    assert send(250, 100.0)
    assert not send(250, 101.0)  # the same within 4 s
    assert send(251, 101.0)
    assert send(5, 102.0)  # 10 ahead, past 255
    assert not send(2, 103.0)  # behind: an old packet
    assert send(68, 103.0)  # 63 ahead
    assert not send(132, 104.0)  # 64 ahead
    assert send(2, 110.0)  # whatever the number after 4 s
    assert device.take(bytes.fromhex("40 01 32"), 110.1) is not None  # without a number nothing is a double


def sealed(counter: int, plain: bytes = b"\x01\x32") -> bytes:
    count = counter.to_bytes(4, "little")
    nonce = bytes.fromhex(MAC.replace(":", "")) + b"\xd2\xfc\x41" + count
    text = AESCCM(KEY, tag_length=4).encrypt(nonce, plain, None)
    return b"\x41" + text[:-4] + count + text[-4:]


def test_replay_rule_of_the_counter() -> None:
    device = bthome.Device(MAC, KEY)
    assert device.take(sealed(5000), 1.0) is not None
    assert device.take(sealed(5000), 9.0) is None
    with pytest.raises(Refused, match="replayed"):
        device.take(sealed(4999), 10.0)
    assert device.take(sealed(5001), 11.0) is not None
    assert device.take(sealed(99), 12.0) is not None  # a new battery
    with pytest.raises(Refused):
        device.take(b"\x40\x01\x32", 13.0)
    assert device.failures == 1


def test_lengths_signs_and_factors_of_every_object_are_those_of_the_reference() -> None:
    for number, theirs in MEAS_TYPES.items():
        if number in {0x53, 0x54, 0x3B}:  # text, raw, command: length in the packet
            continue
        kind = bthome.KINDS.get(number)
        size = kind.size if kind is not None else bthome._SKIPPED[number]
        assert size == theirs.data_length, hex(number)
        if kind is not None:
            assert kind.signed == (theirs.data_format == "signed_integer"), hex(number)
            assert kind.factor == theirs.factor, hex(number)


def reference(data: bytes, key: bytes | None = None) -> dict[str, float]:
    info = BluetoothServiceInfoBleak(
        name="x", address=MAC, rssi=-60, manufacturer_data={}, service_data={bthome.UUID: data},
        service_uuids=[], source="", device=BLEDevice(MAC, "x", None), advertisement=None, connectable=False,
        time=monotonic_time_coarse(), tx_power=0,
    )  # fmt: skip
    parser = BTHomeBluetoothDeviceData(bindkey=key)
    parser.supported(info)
    update = parser.update(info)
    return {
        k.key: float(v.native_value)
        for k, v in update.entity_values.items()
        if isinstance(v.native_value, (int, float)) and k.key != "signal_strength"
    }


# Name in the reference's keys of what is measured here too.
SAME = {
    "battery": "battery", "temperature": "temperature", "humidity": "humidity", "pressure": "pressure", "mass": "mass",
    "distance": "distance", "duration": "duration", "volume": "volume", "volume storage": "volume_storage",
    "voltage": "voltage", "count": "count", "moisture": "moisture", "dew point": "dew_point", "packet id": "packet_id",
    "gas volume": "gas",
}  # fmt: skip


def packets(count: int) -> Iterator[bytes]:
    draw = random.Random(5)
    numbers = sorted(n for n in MEAS_TYPES if n != 0x3B)
    for _ in range(count):
        body = b""
        for number in sorted(draw.sample(numbers, draw.randint(1, 5))):
            size = MEAS_TYPES[number].data_length
            body += bytes([number])
            if number in {0x53, 0x54}:
                text = bytes(draw.choices(b"abcdef", k=draw.randint(0, 4)))
                body += bytes([len(text)]) + text
            elif number == 0x3A:
                body += bytes([draw.randint(0, 6)])
            else:
                body += bytes(draw.randint(0, 255) for _ in range(size))
        yield body


def compare(body: bytes, data: bytes, key: bytes | None) -> int:
    theirs = reference(data, key)
    ours = bthome.parse(data, key, MAC).objects
    seen = 0
    for one in ours:
        if one.name not in SAME or sum(o.name == one.name for o in ours) > 1:
            continue
        value = theirs.get(SAME[one.name])
        assert value is not None, (body.hex(), one)
        rounded = 0.051 if one.id == 0x58 else 0.0051  # the reference rounds to the decimals of the factor
        assert value == pytest.approx(one.value, abs=rounded, rel=1e-6), body.hex()
        seen += 1
    return seen


@pytest.mark.filterwarnings("ignore")
def test_random_packets_say_what_the_reference_reads() -> None:
    assert sum(compare(body, b"\x40" + body, None) for body in packets(400)) > 300


@pytest.mark.filterwarnings("ignore")
def test_random_encrypted_packets_say_what_the_reference_reads() -> None:
    seen = sum(compare(body, sealed(1000 + k, body), KEY) for k, body in enumerate(packets(100)))
    assert seen > 70


def test_no_bytes_whatever_raise_anything_but_a_refusal() -> None:
    draw = random.Random(7)
    begun = time.process_time()  # of this process: what others do does not count
    devices: list[Any] = [bthome.Device(MAC), bthome.Device(MAC, KEY)]
    for k in range(20_000):
        data = draw.randbytes(draw.randint(0, 31))
        if k % 2:
            data = bytes([draw.choice((0x40, 0x41, 0x42, 0x43, 0x44))]) + data
        with contextlib.suppress(Refused):
            devices[k % 2].take(data, float(k))
    assert time.process_time() - begun < 20
