"""From what was sent to SI or to a reason: every quantity, units, calibration, switches, limits, times."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.reading import SI_UNIT, Quantity, Reading, SetAside
from monitor.model.site import SensorSpec
from monitor.sensors import decode, payload, plausible
from monitor.sensors.sent import Refused, Sent, parse_time, shorten
from tests.sensors.scene import AT, A, site, spec

SITE = site()


def read(spec: SensorSpec, sent: Any, *, unit: str = "", time: datetime | None = None) -> Reading:
    found = decode.to_reading(spec, SITE, Sent(sent, unit, time), AT)
    assert isinstance(found, Reading), found
    return found


def refused(spec: SensorSpec, sent: Any, *, unit: str = "", time: datetime | None = None) -> str:
    found = decode.to_reading(spec, SITE, Sent(sent, unit, time), AT)
    assert isinstance(found, SetAside), found
    return found.reason


# quantity, unit, as sent, SI. Factors: exact by definition (NIST SP 811, appendix B).
EACH = [
    ("gross_weight", "lb", 50.0, 22.6796185),
    ("propane_left", "kg", 9.0, 9.0),
    ("share_of_full", "%", 45.0, 0.45),
    ("gauge_percent", "%", 60.0, 0.60),
    ("liquid_height", "in", 10.0, 0.254),
    ("height_from_top", "mm", 300.0, 0.3),
    ("echo_time", "us", 620.0, 620e-6),
    ("liquid_volume", "gal", 5.0, 0.018927059),
    ("container_pressure", "psi", 60.0, 413_685.4),
    ("air_temperature", "°F", 5.0, 258.15),
    ("wall_temperature", "°C", -12.5, 260.65),
    ("valve", "", 1.0, 1.0),
    ("changeover", "", 0.0, 0.0),
    ("gas_detected", "", 0.0, 0.0),
    ("battery", "%", 88.0, 0.88),
    ("signal", "dBm", -71.0, -71.0),
]


def test_every_quantity_is_in_the_table() -> None:
    assert {q for q, *_ in EACH} == {q.value for q in Quantity} == {q.value for q in SI_UNIT}


@pytest.mark.parametrize(("quantity", "unit", "sent", "si"), EACH)
def test_each_quantity_from_its_unit(quantity: str, unit: str, sent: float, si: float) -> None:
    assert read(spec(quantity, unit=unit), sent).value == pytest.approx(si, rel=1e-6)
    assert read(spec(quantity), str(sent), unit=unit).value == pytest.approx(si, rel=1e-6)


def test_calibration_goes_table_scale_offset_unit_allowance() -> None:
    table = ((100.0, 0.0), (300.0, 20.0), (700.0, 100.0))
    one = spec(unit="lb", table=table, scale=0.5, offset=3.0, options={"allowance_kg": 0.5})
    assert read(one, 500.0).value == pytest.approx((60.0 * 0.5 + 3.0) * 0.45359237 - 0.5)
    below = spec(unit="lb", table=table, scale=0.5, offset=60.0, options={"allowance_kg": 0.5})
    assert read(below, 90.0).value == pytest.approx((-1.0 * 0.5 + 60.0) * 0.45359237 - 0.5)
    assert "outside the calibration table" in refused(one, 60.0)
    assert "outside the calibration table" in refused(one, 731.0)


@pytest.mark.parametrize(
    ("word", "state"), [("open", 1), ("SHUT", 0), ("on", 1), ("0", 0), (True, 1), (False, 0), (1.0, 1), ("1.0", 1)]
)
def test_switches_in_words(word: Any, state: int) -> None:
    assert read(spec("valve"), word).value == state


def test_a_sender_that_does_not_know_gives_none() -> None:
    for word in (None, "unknown", "Unavailable", " null "):
        assert read(spec(), word).value is None


@pytest.mark.parametrize(
    ("quantity", "unit", "sent", "why"),
    [
        ("gross_weight", "kg", -0.01, "negative"),
        ("gross_weight", "kg", A.tare_kg + 1.06 * A.full_kg, "heavier than full plus 5 %"),
        ("propane_left", "kg", 1.06 * A.full_kg, "heavier than full plus 5 %"),
        ("share_of_full", "%", 106.0, "heavier than full plus 5 %"),
        ("gauge_percent", "", 60.0, 'needs unit = "%"'),
        ("liquid_height", "m", 1.2, "more than there can be"),
        ("echo_time", "ms", 5.0, "more than there can be"),
        ("liquid_volume", "L", 46.0, "more than there can be"),
        ("container_pressure", "bar", 31.0, "more than there can be"),
        ("air_temperature", "°C", -81.0, "below"),
        ("air_temperature", "°C", 61.0, "more than there can be"),
        ("valve", "", 0.5, "neither 0 nor 1"),
        ("battery", "", 88.0, 'needs unit = "%"'),
        ("gross_weight", "psi", 20.0, "another unit"),
        ("valve", "kg", 1.0, "another unit"),
        ("signal", "kg", -70.0, "another unit"),
        ("gross_weight", "kg", math.inf, "no finite number"),
        ("gross_weight", "kg", "-inf", "no finite number"),
        ("gross_weight", "kg", "1e999", "no finite number"),
        ("gross_weight", "kg", "1_0", "no finite number"),
        ("gross_weight", "kg", "12,345", "not a number"),
        ("gross_weight", "kg", "", "not a number"),
        ("gross_weight", "kg", "9" * 101, "text of 101 characters"),
        ("gross_weight", "kg", True, "truth value"),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(quantity: str, unit: str, sent: Any, why: str) -> None:
    assert why in refused(spec(quantity, unit=unit), sent)


def test_limits_hold_the_shells_own_measures() -> None:
    # Inside height of the vertical 95.2-lb-water-capacity shell, by the closed form of 2:1 ellipsoidal heads
    # (two heads hold pi D^3 / 12): about 0.66 m; a horizontal one is as high as it is wide.
    inside = A.outside_diameter_m - 2 * A.wall_m
    straight = (A.water_capacity_kg / 999 - math.pi * inside**3 / 12) / (math.pi * inside**2 / 4)
    assert plausible.limits(Quantity.LIQUID_HEIGHT, SITE, "A")[1] == pytest.approx(1.02 * (straight + inside / 2))
    assert plausible.limits(Quantity.LIQUID_HEIGHT, SITE, "B")[1] == pytest.approx(1.02 * inside)


def test_a_unit_beside_the_number_goes_before_the_site_files() -> None:
    assert read(spec(unit="lb"), "20 kg").value == 20.0
    assert read(spec(unit="lb"), 20.0, unit="kg").value == 20.0


def test_times() -> None:
    hour = AT - timedelta(hours=1)
    assert read(spec(), 20.0, time=hour).time == hour
    assert read(spec(), 20.0).time == AT
    assert read(spec(), 20.0, time=AT + timedelta(seconds=200)).time == AT  # a clock a little fast
    assert "future" in refused(spec(), 20.0, time=AT + timedelta(days=365))
    assert "365" not in refused(spec(), 20.0, time=AT - timedelta(days=365))


@pytest.mark.parametrize(
    "written",
    [
        "2026-01-05T12:00:00Z", "2026-01-05T05:00:00-07:00", AT.timestamp(), int(AT.timestamp()) * 1000,
        str(AT.timestamp()), AT.timestamp() * 1e6,
    ],
)  # fmt: skip
def test_a_time_is_read_in_each_form(written: Any) -> None:
    assert parse_time(written) == AT


@pytest.mark.parametrize("written", ["2026-01-05T12:00:00", "yesterday", "", None, True, [], math.nan, 1e300, "9" * 80])
def test_what_is_no_time_is_refused(written: Any) -> None:
    with pytest.raises(Refused):
        parse_time(written)


# RFC 6901, section 5
DOCUMENT = {"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6),
        ("/ ", 7), ("/m~0n", 8),
    ],
)  # fmt: skip
def test_json_pointer_of_rfc_6901(pointer: str, value: object) -> None:
    from monitor.sensors.pointer import find

    assert find(DOCUMENT, pointer) == value
    assert find(DOCUMENT, "") is DOCUMENT


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/-1", "/nothing", "foo"])
def test_a_pointer_to_nothing_is_refused(pointer: str) -> None:
    from monitor.sensors.pointer import find

    with pytest.raises(Refused):
        find(DOCUMENT, pointer)


def test_an_empty_payload_says_nothing() -> None:
    assert payload.readings(spec(), SITE, b"", AT) == []


def test_what_is_kept_is_short_and_printable() -> None:
    assert shorten(b"\x00\xff" * 500).isprintable()
    assert len(shorten("x" * 10_000)) == 200
    assert "10,000 characters" in shorten("x" * 10_000)


DEEP = json.loads("[" * 400 + "]" * 400)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["v", "t", "u", "x"]), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(VALUES, st.sampled_from([q.value for q in Quantity]))
def test_any_json_gives_a_true_reading_or_a_reason(document: Any, quantity: str) -> None:
    one = spec(quantity, pointer="/v", time_pointer="/t", unit_pointer="/u")
    for sensor in (one, spec(quantity, pointer="/v"), spec(quantity, options={"format": "json"})):
        for found in payload.readings(sensor, SITE, json.dumps(document).encode(), AT):
            check(found)


@given(st.binary(max_size=64) | st.text(max_size=40).map(str.encode), st.sampled_from([q.value for q in Quantity]))
def test_any_bytes_give_a_true_reading_or_a_reason(data: bytes, quantity: str) -> None:
    for found in payload.readings(spec(quantity), SITE, data, AT):
        check(found)


def check(found: Reading | SetAside) -> None:
    """Nothing that is not finite, out of its limits or of the future may be called a reading."""
    if isinstance(found, SetAside):
        assert found.reason
        return
    assert found.time <= AT
    if found.value is not None:
        low, high = plausible.limits(found.quantity, SITE, found.subject)
        assert low <= found.value <= high


def test_a_document_nested_beyond_reason_is_refused() -> None:
    found = payload.readings(spec(pointer="/v"), SITE, b"[" * 60_000, AT)
    assert isinstance(found[0], SetAside)
    assert "not JSON" in found[0].reason
    assert isinstance(payload.readings(spec(pointer="/v"), SITE, b"9" * 60_000, AT)[0], SetAside)


def test_times_come_back_in_utc() -> None:
    assert parse_time("2026-01-05T05:00:00-07:00").tzinfo is UTC


def test_a_weight_far_below_the_tare_is_no_empty_cylinder() -> None:
    assert read(spec(), 12.3).value == 12.3  # its tare is 13.15 kg: stamps and scales err by a tenth
    assert "far below the empty cylinder's weight (28.99 lb)" in refused(spec(), 11.0)
    assert "far below" in refused(spec(), 0.0)  # nothing stands on the scale
