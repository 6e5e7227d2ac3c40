"""Whatever a sender sends, it is a reading, set aside with a reason, or refused by our own error: nothing else."""

from __future__ import annotations

import math
from datetime import UTC, timedelta
from typing import Any

import pytest
from hypothesis import strategies as st

from monitor.model.errors import BadInput
from monitor.model.reading import Quantity, Reading, SetAside
from monitor.sensors import advert, bthome, csvfile, decode, formats, payload, sig
from monitor.sensors.advert import Advert
from monitor.sensors.sent import Refused, Sent
from tests.sensors import scene
from tests.support.fuzzing import JSON, LEAVES, NUMBERS, TEXTS, fuzz, garbled, lengths, mutated, written

SITE = scene.site()
UNITS = {"gross_weight": "lb", "air_temperature": "°F", "gauge_percent": "%", "container_pressure": "psi",
         "liquid_height": "in", "echo_time": "us", "liquid_volume": "L"}  # fmt: skip
QUANTITIES = st.sampled_from([q.value for q in Quantity])
KEY = bytes(range(16))


def sound(found: Any, received: Any = scene.AT) -> None:
    """Judge what came out: a finite value in SI at a time that may be, or the reason beside what was sent."""
    if isinstance(found, SetAside):
        assert found.reason
        assert len(found.raw) <= 400
        found.raw.encode()  # it goes into the store
        found.reason.encode()
        return
    assert isinstance(found, Reading)
    assert found.value is None or math.isfinite(found.value)
    assert found.time.tzinfo is UTC
    assert received - timedelta(days=32) <= found.time <= received


def reason(error: Refused | BadInput) -> None:
    """Our own errors say what is wrong."""
    assert str(error)


def sensor(quantity: str, **more: Any) -> Any:
    of = "site" if quantity == "air_temperature" else "A"
    return scene.spec(quantity, subject=of, unit=UNITS.get(quantity, ""), **more)


@lengths
def test_fuzz_numbers(long: bool) -> None:
    def check(drawn: tuple[str, bytes, str, bool]) -> None:
        quantity, data, content, fresh = drawn
        table = ((0.0, 0.0), (100.0, 90.0)) if quantity == "gauge_percent" else ()
        for found in payload.readings(
            sensor(quantity, table=table), SITE, data, scene.AT, content_type=content, fresh=fresh
        ):
            sound(found)

    texts = st.one_of(TEXTS, NUMBERS.map(_text)).map(lambda t: t.encode("utf-8", "surrogatepass"))
    content = st.sampled_from(["", "text/plain", "application/senml+json", "application/json; charset=x"])
    fuzz(st.tuples(QUANTITIES, st.one_of(texts, st.binary(max_size=40)), content, st.booleans()), check, long=long)


def _text(number: float) -> str:
    return f"{number:.0f}" if isinstance(number, int) and abs(number) < 10**300 else repr(float("inf"))


@lengths
def test_fuzz_json(long: bool) -> None:
    spec = sensor("gross_weight", pointer="/scale/0/v", time_pointer="/at", unit_pointer="/scale/0/u")
    good = {"scale": [{"v": 25.5, "u": "kg"}], "at": "2026-01-05T11:59:00Z"}

    def check(data: bytes) -> None:
        for found in payload.readings(spec, SITE, data, scene.AT):
            sound(found)

    documents = st.one_of(JSON, mutated(good)).map(lambda d: written(d).encode())
    fuzz(st.one_of(documents, garbled(written(good).encode())), check, long=long)


@lengths
def test_fuzz_senml(long: bool) -> None:
    spec = sensor("gross_weight", options={"senml_name": "urn:x:scale"})
    good = [{"bn": "urn:x:", "bt": 1.7676e9, "bu": "kg", "bver": 10, "n": "scale", "v": 25.5, "t": -3},
            {"n": "other", "vs": "x"}, {"n": "scale", "bv": 1, "s": 4, "ut": 3}]  # fmt: skip
    labels = st.sampled_from(
        ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x_"]
    )
    packs = st.lists(st.dictionaries(labels, LEAVES, max_size=5), max_size=4)

    def check(data: bytes) -> None:
        for found in payload.readings(spec, SITE, data, scene.AT):
            sound(found)

    fuzz(st.one_of(packs, mutated(good)).map(lambda d: written(d).encode()), check, long=long)


@pytest.mark.parametrize(
    "data", [b"[" * 60_000, b'{"a":' * 10_000, b"9" * 60_000, b"1e" + b"9" * 50_000, b"\xff" * 70_000]
)
def test_what_is_nested_or_long_beyond_reason_is_set_aside(data: bytes) -> None:
    for more in ({}, {"pointer": "/a"}, {"options": {"senml_name": "x"}}):
        (found,) = payload.readings(sensor("gross_weight", **more), SITE, data, scene.AT)
        assert isinstance(found, SetAside)


def _frame(of: advert.Way, data: bytes, key: bytes | None) -> None:
    frame = bthome.parse(data, key, "C0:FF:EE:00:00:01")
    told = advert.from_frame(of, frame)
    if told is not None:
        sound(decode.to_reading(of.spec, SITE, told, scene.AT, data))


@lengths
def test_fuzz_bthome(long: bool) -> None:
    ways = [advert.way(sensor(q, way="ble", address="C0:FF:EE:00:00:01")) for q in
            ("gross_weight", "air_temperature", "battery", "valve", "echo_time", "container_pressure")]  # fmt: skip
    numbers = st.sampled_from([*bthome.KINDS, 0x53, 0x54, 0xF0, 0xFF]).map(lambda n: bytes([n]))
    objects = st.lists(st.tuples(numbers, st.binary(max_size=4)).map(b"".join), max_size=6).map(b"".join)
    packets = st.tuples(st.sampled_from([b"\x40", b"\x44", b"\x42", b"\x41", b"\x45", b"\x00", b""]), objects).map(
        b"".join
    )

    def check(drawn: tuple[bytes, bool]) -> None:
        data, keyed = drawn
        for one in ways:
            try:
                _frame(one, data, KEY if keyed else None)
            except Refused as refused:
                reason(refused)
        device = bthome.Device("C0:FF:EE:00:00:01", KEY if keyed else None)
        for late in (0.0, 1.0, 100.0):
            try:
                device.take(data, late)
            except Refused as refused:
                reason(refused)

    fuzz(st.tuples(st.one_of(packets, st.binary(max_size=31)), st.booleans()), check, long=long)


@lengths
def test_fuzz_characteristics(long: bool) -> None:
    uuids = [sig.full_uuid(n) for n in (0x2A9D, 0x2A98, 0x2A19, 0x2A6E, 0x2A6D, 0x2A6F, 0x1234)]
    zones = st.sampled_from(["America/Denver", "UTC", "Pacific/Apia", "Asia/Kathmandu"])

    def check(drawn: tuple[str, bytes, str, str]) -> None:
        uuid, data, zone, quantity = drawn
        try:
            told = sig.sent(uuid, data, scene.AT, zone)
        except Refused as refused:
            reason(refused)
            return
        sound(decode.to_reading(sensor(quantity), SITE, told, scene.AT, data))

    # half of the weights carry a time stamp: the clocks of scales are never set
    data = st.one_of(st.binary(max_size=20), st.binary(min_size=12, max_size=16).map(lambda b: b"\x02" + b))
    fuzz(st.tuples(st.sampled_from(uuids), data, zones, QUANTITIES), check, long=long)


@lengths
def test_fuzz_advertisements(long: bool) -> None:
    whole = st.one_of(st.integers(-3, 40), NUMBERS, TEXTS, st.none(), st.booleans())
    keys = {"offset": whole, "mask": whole, "shift": whole, "length": whole, "unknown": whole,
            "match": st.one_of(st.sampled_from(["", "a1", "a1 02", "zz"]), TEXTS),
            "checksum": st.one_of(st.sampled_from([*formats.CHECKSUMS]), TEXTS)}  # fmt: skip
    layouts = st.fixed_dictionaries({"format": st.sampled_from([*formats.FORMATS, "x"])}, optional=keys)
    options = st.fixed_dictionaries(
        {"layout": st.one_of(layouts, layouts, LEAVES)},
        optional={"company": st.one_of(st.just(0xFFFF), LEAVES), "service": st.one_of(st.just("ABCD"), LEAVES),
                  "object": st.one_of(st.sampled_from(["mass", "temperature 2"]), TEXTS), "connect": st.booleans(),
                  "characteristic": st.one_of(st.just("2A9D"), LEAVES)},
    )  # fmt: skip
    long_uuid = sig.full_uuid(0xABCD)

    def check(drawn: tuple[str, dict[str, Any], bytes, int]) -> None:
        quantity, told, data, rssi = drawn
        heard = Advert("C0:FF:EE:00:00:01", rssi, "x", {0xFFFF: data}, {long_uuid: data})
        assert heard.raw
        try:
            one = advert.way(sensor(quantity, way="ble", address="C0:FF:EE:00:00:01", options=told))
            found = advert.from_advert(one, heard)
        except Refused as refused:
            reason(refused)
            return
        if found is not None:
            sound(decode.to_reading(one.spec, SITE, found, scene.AT, data))

    fuzz(st.tuples(QUANTITIES, options, st.binary(max_size=31), st.integers(-200, 100)), check, long=long)


@lengths
def test_fuzz_what_was_sent(long: bool) -> None:
    """Past every parser: any value, unit and factors for any quantity."""
    units = st.one_of(
        TEXTS, st.sampled_from(["kg", "lb", "%", "°C", "K", "psi", "bar", "m", "in", "s", "L", "1", "dBm"])
    )
    values = st.one_of(st.none(), st.booleans(), st.floats(), TEXTS)
    factors = st.floats(allow_nan=False, allow_infinity=False)

    def check(drawn: tuple[str, Any, str, float, float]) -> None:
        quantity, value, unit, scale, offset = drawn
        spec = sensor(quantity, scale=scale, offset=offset)
        sound(decode.to_reading(spec, SITE, Sent(value, unit), scene.AT))

    fuzz(st.tuples(QUANTITIES, values, units, factors, factors), check, long=long)


@lengths
def test_fuzz_import(long: bool) -> None:
    good = "time,cylinder,gross_weight_lb,air_temperature_c\n2026-01-05T08:00,A,61.2,-3\n2026-01-04T20:00Z,B,57,\n"
    names = st.sampled_from(["time", "cylinder", "gross_weight_kg", "quantity", "value", "unit"])
    heads = st.lists(st.one_of(names, TEXTS), min_size=1, max_size=5)
    cells = st.one_of(
        TEXTS, NUMBERS.map(_text), st.sampled_from(["A", "B", "2026-01-05 08:00", "61.2", "gross_weight"])
    )
    tables = st.tuples(heads, st.lists(st.lists(cells, max_size=5), max_size=4)).map(
        lambda t: "\n".join(",".join(row) for row in [t[0], *t[1]])
    )
    garbled_text = garbled(good.encode()).map(lambda b: b.decode("utf-8", "surrogateescape"))

    def check(text: str) -> None:
        try:
            found = csvfile.parse(text, SITE, scene.AT)
        except BadInput as error:
            reason(error)
            return
        assert found.problems or found.readings or not found.more_problems
        for reading in found.readings:
            assert reading.value is None or math.isfinite(reading.value)
            assert reading.time <= scene.AT + timedelta(minutes=10)

    fuzz(st.one_of(tables, garbled_text), check, long=long)


def test_the_fuzz_would_see_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    """A parser made to break on one kind of value is found by the short form."""

    whole = payload.load

    def breaks(text: str) -> Any:
        value = whole(text)
        return value["scale"] and value if isinstance(value, dict) else value  # trusts that the key is there

    monkeypatch.setattr(payload, "load", breaks)
    with pytest.raises(KeyError):
        test_fuzz_json(long=False)
