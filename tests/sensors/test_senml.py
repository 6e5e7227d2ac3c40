"""SenML: the examples of RFC 8428 and every trap of its rules."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.reading import Reading, SetAside
from monitor.sensors import payload, senml
from monitor.sensors.sent import Refused
from tests.sensors.scene import AT, site, spec
from tests.sensors.test_decode import VALUES, check

MAC = "urn:dev:ow:10e2073a01080063"


def test_a_single_value_of_section_5_1_1() -> None:
    found = senml.resolve([{"n": MAC, "u": "Cel", "v": 23.1}], AT)
    assert found == [senml.Record(MAC, "Cel", 23.1, None)]


def test_several_values_of_section_5_1_2() -> None:
    pack = [{"bn": MAC + ":", "n": "voltage", "u": "V", "v": 120.1}, {"n": "current", "u": "A", "v": 1.2}]
    assert [(r.name, r.value) for r in senml.resolve(pack, AT)] == [(MAC + ":voltage", 120.1), (MAC + ":current", 1.2)]


def test_base_time_unit_and_relative_times_of_section_5_1_2() -> None:
    pack = [
        {"bn": MAC + ":", "bt": 1.276020076001e9, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "t": -4, "v": 1.3},
    ]
    found = senml.resolve(pack, AT)
    base = datetime.fromtimestamp(1.276020076001e9, UTC)
    assert [r.time for r in found] == [base, base - timedelta(seconds=5), base - timedelta(seconds=4)]
    assert [r.unit for r in found] == ["V", "A", "A"]


def one(*records: dict[str, Any], name: str = "") -> Any:
    return senml.sent(list(records), name, AT)


def test_base_value_sum_and_update_time() -> None:
    found = one({"bn": "a", "bv": 10.0, "v": 2.5, "u": "kg"})
    assert (found[0].value, found[0].unit) == (12.5, "kg")
    assert one({"n": "a", "s": 4.0}) == []  # a sum is no reading
    assert senml.resolve([{"n": "a", "v": 1, "ut": 60}], AT)[0].update_s == 60.0


def test_base_fields_hold_until_replaced() -> None:
    pack = [{"bn": "a/", "bu": "kg", "n": "x", "v": 1}, {"n": "y", "v": 2}, {"bn": "b/", "bu": "Cel", "n": "x", "v": 3}]
    assert [(r.name, r.unit) for r in senml.resolve(pack, AT)] == [("a/x", "kg"), ("a/y", "kg"), ("b/x", "Cel")]


@pytest.mark.parametrize(
    ("t", "time"),
    [
        (0, None), (-60, AT - timedelta(minutes=1)), (2**28 - 1, AT + timedelta(seconds=2**28 - 1)),
        (2**28, datetime.fromtimestamp(2**28, UTC)), (AT.timestamp(), AT),
    ],
)  # fmt: skip
def test_times_below_2_to_the_28_are_relative(t: float, time: datetime | None) -> None:
    assert one({"n": "a", "v": 1, "t": t})[0].time == time


@pytest.mark.parametrize(
    ("unit", "ours", "si"),
    [
        ("kg", 20.0, 20.0), ("g", 20_000.0, 20.0), ("Cel", -5.0, 268.15), ("K", 268.15, 268.15), ("%", 0.5, 0.5),
        ("/", 0.5, 0.5), ("%EL", 50.0, 0.5), ("/100", 50.0, 0.5), ("Pa", 4e5, 4e5), ("hPa", 4e3, 4e5),
        ("l", 20.0, 0.02),        ("mm", 300.0, 0.3), ("cm", 30.0, 0.3), ("m3", 0.02, 0.02), ("ms", 0.6, 6e-4),
    ],
)  # fmt: skip
def test_units(unit: str, ours: float, si: float) -> None:
    quantity = {
        "kg": "gross_weight", "g": "gross_weight", "Cel": "air_temperature", "K": "air_temperature",
        "%": "share_of_full", "/": "share_of_full", "%EL": "battery", "/100": "share_of_full",
        "Pa": "container_pressure", "hPa": "container_pressure", "l": "liquid_volume", "m3": "liquid_volume",
        "mm": "liquid_height", "cm": "liquid_height", "ms": "echo_time",
    }[unit]  # fmt: skip
    # The unit in the payload goes before that of the site file; "%" is a ratio in SenML, never per cent.
    sensor = spec(quantity, unit="%" if quantity == "share_of_full" else "", options={"format": "senml"})
    data = json.dumps([{"n": "a", "u": unit, "v": ours}]).encode()
    found = payload.readings(sensor, site(), data, AT)[0]
    assert isinstance(found, Reading), found
    assert found.value == pytest.approx(si)


@pytest.mark.parametrize(
    ("pack", "why"),
    [
        ({}, "no SenML"), ([], "no SenML"), ([1], "no object"), ([{"v": 1}], "no SenML name"),
        ([{"n": "_a", "v": 1}], "no SenML name"), ([{"n": "a b", "v": 1}], "no SenML name"),
        ([{"n": "a", "v": 1, "vs": "x"}], "more than one value"), ([{"n": "a"}], "neither a value nor a sum"),
        ([{"n": "a", "v": 1, "new_": 1}], "must be understood"), ([{"n": "a", "v": 1, "bver": 11}], "version 11"),
        ([{"n": "a", "v": 1, "bver": True}], "no version"), ([{"n": "a", "v": "1"}], "v is no number"),
        ([{"n": "a", "v": True}], "v is no number"), ([{"n": "a", "vb": 1}], "no truth value"),
        ([{"n": "a", "v": 1, "t": "now"}], "t is no number"), ([{"n": "a", "v": 1, "t": 1e30}], "is no time"),
        ([{"n": "a", "vs": 1}], "no text"), ([{"n": "a", "u": "lb", "v": 1}], "another unit"),
        ([{"n": "a", "v": 1}, {"n": "b", "v": 2}], "several names"),
        ([{"n": "a", "v": 1, "bver": 5}, {"n": "a", "v": 1, "bver": 10}], "different versions"),
        ([{"n": "a", "v": 1}] * 1001, "1,001 records"),
    ],
)  # fmt: skip
def test_a_faulty_pack_fails_as_a_whole(pack: Any, why: str) -> None:
    with pytest.raises(Refused, match=why):
        senml.sent(pack, "", AT)


def test_unknown_labels_are_ignored_unless_they_must_be_understood() -> None:
    assert one({"n": "a", "v": 1, "hello": 2})[0].value == 1.0


def test_nan_and_infinity_are_no_json_numbers_here() -> None:
    for text in ("NaN", "Infinity", "-Infinity", "1e999"):
        sensor = spec(options={"format": "senml"})
        found = payload.readings(sensor, site(), f'[{{"n":"a","v":{text}}}]'.encode(), AT)
        assert isinstance(found[0], SetAside)


def test_the_named_record_is_taken_and_a_pack_without_it_says_nothing() -> None:
    sensor = spec(options={"senml_name": "yard:w"})
    pack = [
        {"bn": "yard:", "n": "t", "u": "Cel", "v": -3},
        {"n": "w", "u": "kg", "v": 20.0},
        {"n": "w", "u": "kg", "v": 21.0, "t": -60},
    ]
    found = payload.readings(sensor, site(), json.dumps(pack).encode(), AT)
    assert [r.value for r in found if isinstance(r, Reading)] == [21.0, 20.0]  # oldest first
    assert payload.readings(sensor, site(), json.dumps(pack[:1]).encode(), AT) == []


RECORD = st.dictionaries(
    st.sampled_from(["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x", "y_"]),
    VALUES,
    max_size=6,
)


@given(st.lists(RECORD, max_size=4) | VALUES)
def test_any_document_gives_true_readings_or_a_reason(document: Any) -> None:
    for found in payload.readings(spec(options={"format": "senml"}), site(), json.dumps(document).encode(), AT):
        check(found)
