"""The SIG's characteristics and declared layouts: vectors, edges, what is refused."""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sensors import advert, formats, sig
from monitor.sensors.advert import Advert
from monitor.sensors.sent import Refused, Sent
from tests.sensors.scene import AT, spec

ZONE = "America/Denver"


@pytest.mark.parametrize(
    ("uuid", "data", "value", "unit"),
    [
        (sig.WEIGHT, "00 D8 13", 25.400, "kg"),
        (sig.WEIGHT, "01 DF 15", 55.99, "lb"),
        (sig.WEIGHT, "10 D8 13", 25.400, "kg"),  # a reserved bit with a maker's own meaning
        (sig.WEIGHT, "00 FF FF", None, "kg"),
        (sig.WEIGHT, "0C D8 13 01 EA 00 D0 06", 25.400, "kg"),  # user, BMI and height
        (sig.TEMPERATURE, "2E FB", -12.34, "°C"),
        (sig.TEMPERATURE, "00 80", None, "°C"),
        (sig.PRESSURE, "02 76 0F 00", 101_325.0, "Pa"),
        (sig.HUMIDITY, "D7 11", 45.67, "%"),
        (sig.HUMIDITY, "FF FF", None, "%"),
        (sig.LEVEL, "58", 88.0, "%"),
        (sig.USER_WEIGHT, "D8 13", 25.400, "kg"),
    ],
)
def test_characteristics(uuid: str, data: str, value: float | None, unit: str) -> None:
    found = sig.sent(uuid, bytes.fromhex(data), AT, ZONE)
    assert found.value == (None if value is None else pytest.approx(value))
    assert found.unit == unit
    assert found.time is None


@pytest.mark.parametrize(
    ("uuid", "data"),
    [
        (sig.WEIGHT, ""), (sig.WEIGHT, "00 D8"), (sig.WEIGHT, "02 D8 13 EA 07 01"), (sig.WEIGHT, "08 D8 13 01"),
        (sig.TEMPERATURE, "2E"), (sig.PRESSURE, "02 76 0F"), (sig.LEVEL, ""),
        ("0000aaaa-0000-1000-8000-00805f9b34fb", "00"),
    ],
)  # fmt: skip
def test_cut_short_or_unknown(uuid: str, data: str) -> None:
    with pytest.raises(Refused):
        sig.sent(uuid, bytes.fromhex(data), AT, ZONE)


def stamped(year: int, month: int, day: int, hour: int, minute: int) -> Sent:
    data = b"\x02\xd8\x13" + year.to_bytes(2, "little") + bytes([month, day, hour, minute, 0])
    return sig.sent(sig.WEIGHT, data, AT, ZONE)


def test_a_scales_clock_knows_no_time_zone_and_is_believed_where_it_can_be_right() -> None:
    assert stamped(2026, 1, 5, 4, 30).time == datetime(2026, 1, 5, 11, 30, tzinfo=UTC)  # half an hour before, there
    for wrong in (
        stamped(2000, 1, 1, 0, 0),
        stamped(2027, 1, 5, 4, 30),
        stamped(0, 0, 0, 0, 0),
        stamped(2026, 2, 31, 0, 0),
    ):
        assert wrong.time is None
        assert not wrong.age_known
        assert wrong.value == pytest.approx(25.4)


@pytest.mark.parametrize(
    ("written", "full"),
    [
        ("2A9D", sig.WEIGHT), ("0x2a9d", sig.WEIGHT), (0x2A9D, sig.WEIGHT), (sig.WEIGHT.upper(), sig.WEIGHT),
        ("6E400003B5A3F393E0A9E50E24DCCA9E", "6e400003-b5a3-f393-e0a9-e50e24dcca9e"),
    ],
)  # fmt: skip
def test_uuids(written: Any, full: str) -> None:
    assert sig.full_uuid(written) == full


@pytest.mark.parametrize("written", ["", "2A9", "XYZW", True, None, -1, "6e400003-b5a3"])
def test_no_uuid(written: Any) -> None:
    with pytest.raises(Refused):
        sig.full_uuid(written)


LAYOUTS: list[tuple[dict[str, Any], str, float | None]] = [
    ({"format": "u8"}, "fe", 254.0),
    ({"format": "s8"}, "fe", -2.0),
    ({"format": "u16le", "offset": 1}, "00 34 12", 0x1234),
    ({"format": "u16be", "offset": 1}, "00 12 34", 0x1234),
    ({"format": "s16be"}, "fb 2e", -1234.0),
    ({"format": "u24le"}, "01 00 01", 65537.0),
    ({"format": "s24be"}, "ff ff fe", -2.0),
    ({"format": "u32le"}, "01 00 00 80", 2147483649.0),
    ({"format": "s64le"}, "fe ff ff ff ff ff ff ff", -2.0),
    ({"format": "f16le"}, "00 3c", 1.0),
    ({"format": "f32le"}, struct.pack("<f", -12.5).hex(), -12.5),
    ({"format": "f64be"}, struct.pack(">d", 1e-3).hex(), 1e-3),
    ({"format": "u16le", "mask": 0x0FFF}, "23 f1", 0x123),
    ({"format": "u16le", "mask": 0xFFF0, "shift": 4}, "3f 12", 0x123),
    ({"format": "s16le", "mask": 0x0FFF}, "ff 0f", -1.0),
    ({"format": "u16le", "unknown": 0xFFFF}, "ff ff", None),
    ({"format": "u8", "match": "a1 02", "offset": 2, "length": 4, "checksum": "sum8"}, "a1 02 07 aa", 7.0),
    # check values of the catalogue of parametrised CRC algorithms (Cook): "123456789" -> F4 and 29B1
    ({"format": "u8", "checksum": "crc8"}, b"123456789".hex() + "f4", 0x31),
    ({"format": "u8", "checksum": "crc16be"}, b"123456789".hex() + "29b1", 0x31),
    ({"format": "u8", "checksum": "crc16le"}, b"123456789".hex() + "b129", 0x31),
    ({"format": "u8", "checksum": "xor8"}, "05 03 06", 5.0),
]


@pytest.mark.parametrize(("table", "data", "value"), LAYOUTS)
def test_layouts(table: dict[str, Any], data: str, value: float | None) -> None:
    assert formats.layout({"layout": table}).read(bytes.fromhex(data)) == value


@pytest.mark.parametrize(
    ("table", "data"),
    [
        ({"format": "u16le"}, "01"), ({"format": "f32le", "offset": 1}, "00 00 00 00"),
        ({"format": "u8", "match": "a1"}, "a2 00"), ({"format": "u8", "length": 2}, "01"),
        ({"format": "u8", "checksum": "crc8"}, "01"), ({"format": "u8", "checksum": "crc8"}, "01 00"),
        ({"format": "u8"}, ""),
    ],
)  # fmt: skip
def test_data_that_does_not_fit(table: dict[str, Any], data: str) -> None:
    with pytest.raises(Refused):
        formats.layout({"layout": table}).read(bytes.fromhex(data))


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({}, "format"), ({"layout": 3}, "layout"), ({"layout": {"format": "u17"}}, "u17"),
        ({"layout": {"format": "u8", "ofset": 1}}, "ofset"), ({"layout": {"format": "u8", "offset": -1}}, "offset"),
        ({"layout": {"format": "u8", "offset": "1"}}, "offset"), ({"layout": {"format": "u8", "mask": 0}}, "mask"),
        ({"layout": {"format": "f32le", "mask": 1}}, "mask"), ({"layout": {"format": "u8", "match": "xy"}}, "match"),
        ({"layout": {"format": "u8", "checksum": "md5"}}, "checksum"),
    ],
)  # fmt: skip
def test_a_wrong_layout_names_its_key(options: dict[str, Any], key: str) -> None:
    with pytest.raises(Refused, match=key):
        formats.layout(options)


@given(st.sampled_from(LAYOUTS), st.binary(max_size=40))
def test_any_data_gives_a_number_or_a_refusal(row: tuple[dict[str, Any], str, float | None], data: bytes) -> None:
    try:
        found = formats.layout({"layout": row[0]}).read(data)
    except Refused:
        return
    assert found is None or isinstance(found, float)


@pytest.mark.parametrize(
    ("quantity", "options", "why"),
    [
        ("share_of_full", {}, "no BTHome object"),
        ("gross_weight", {"object": "weight"}, "none of BTHome's"),
        ("gross_weight", {"company": 70_000, "format": "u8"}, "company is a number"),
        ("gross_weight", {"company": 1, "service": "ABCD", "format": "u8"}, "either company or service"),
        ("echo_time", {"connect": True}, "no usual characteristic"),
        ("gross_weight", {"characteristic": "FFF1"}, "format"),
        ("gross_weight", {"characteristic": "wrong"}, "no UUID"),
    ],
)
def test_a_description_that_cannot_be_used(quantity: str, options: dict[str, Any], why: str) -> None:
    with pytest.raises(Refused, match=why):
        advert.way(spec(quantity, way="ble", options=options))


def test_the_second_object_of_a_name_and_the_signal() -> None:
    one = advert.way(spec("wall_temperature", way="ble", options={"object": "temperature 2"}))
    from monitor.sensors import bthome

    frame = bthome.parse(bytes.fromhex("40 02 5D 09 02 00 0A"))
    assert advert.from_frame(one, frame) == Sent(25.6, "°C")
    signal = advert.way(spec("signal", way="ble"))
    assert advert.from_advert(signal, Advert("X", -71)) == Sent(-71.0)
    assert advert.from_advert(signal, Advert("X", -127)) is None  # the system does not know it


def test_a_bthome_timestamp_is_the_readings_time() -> None:
    from monitor.sensors import bthome

    stamp = int((AT - timedelta(hours=1)).timestamp()).to_bytes(4, "little")
    frame = bthome.parse(b"\x40\x06\x5e\x0b\x50" + stamp)
    found = advert.from_frame(advert.way(spec(way="ble")), frame)
    assert found is not None
    assert found.time == AT - timedelta(hours=1)


def test_keys(tmp_path: Any) -> None:
    file = tmp_path / "key"
    for text, mode, why in (("00" * 15, 0o600, "15 bytes"), ("zz", 0o600, "key_file"), ("00" * 16, 0o644, "chmod")):
        file.write_text(text)
        file.chmod(mode)
        with pytest.raises(Refused, match=why):
            advert.key_of(spec(options={"key_file": str(file)}))
    file.chmod(0o600)
    assert advert.key_of(spec(options={"key_file": str(file)})) == bytes(16)
    assert advert.key_of(spec()) is None
