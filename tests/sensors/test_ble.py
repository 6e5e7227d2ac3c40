"""Bluetooth through bleak against our own org.bluez on a private bus: heard, fetched, refused; and the ladder."""

from __future__ import annotations

import gc
import random
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.model.reading import Reading
from monitor.model.site import SensorSpec
from monitor.sensors import plausible, sig
from monitor.sensors.advert import Advert
from monitor.sensors.ble import BleSource
from monitor.sensors.bthome import UUID
from monitor.service.clock import RealClock, SteppedClock
from tests.sensors import scene
from tests.sensors.scene import Caught, spec
from tests.support.bluez import Bluez, Peripheral
from tests.support.broker import wait_for
from tests.support.stalls import running

ONE, TWO = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02"
COMPANY = 0xFFFF  # set aside by the SIG for tests


def ble(quantity: str = "gross_weight", name: str = "s", address: str = ONE, **more: Any) -> SensorSpec:
    return spec(quantity, name, way="ble", address=address, **more)


@pytest.fixture
def bluez(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bluez]:
    fake = Bluez()
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", fake.address)
    yield fake
    fake.close()


@contextmanager
def listening(*sensors: SensorSpec, **more: Any) -> Iterator[tuple[BleSource, Caught]]:
    caught = Caught()
    settings: dict[str, Any] = {"pace": 0.05, "quiet_s": 60.0, **more}
    source = BleSource(scene.site(*sensors), caught.reading, caught.set_aside, caught.tell, RealClock(), **settings)
    source.start()
    try:
        yield source, caught
    finally:
        with running() as took:
            source.stop()
            assert took.s < 1.0


def tell(bluez: Bluez, until: Any, address: str = ONE, seconds: float = 30.0, **what: Any) -> None:
    """Advertise again and again, as radios do, until something came of it."""

    def once() -> bool:
        bluez.advertise(address, **what)
        time.sleep(0.005)
        return bool(until())

    wait_for(once, seconds)


def test_bthome_layouts_and_signal_strength_arrive_in_si(bluez: Bluez) -> None:
    layout = {"format": "u16be", "offset": 2, "match": "a1", "checksum": "xor8", "length": 5}
    sensors = (
        ble(name="scale"),
        ble("battery", "battery"),
        ble("signal", "signal"),
        ble("air_temperature", "yard", TWO, subject="site", unit="°C", scale=0.1, offset=-40.0,
            options={"company": COMPANY, "layout": layout}),
        ble("container_pressure", "pressure", TWO, unit="kPa",
            options={"service": "ABCD", "format": "f32le", "layout": {"offset": 1}}),
    )  # fmt: skip
    data = bytes.fromhex("a100012c")
    with listening(*sensors, pace=1.0) as (
        _,
        caught,
    ):  # at this pace no call is given up: they are counted
        tell(bluez, lambda: len(caught.readings) >= 3, service={UUID: bytes.fromhex("40 01 58 06 5E 0B")})
        tell(
            bluez,
            lambda: len(caught.readings) >= 5,
            TWO,
            manufacturer={COMPANY: data + bytes([0xA1 ^ 0x01 ^ 0x2C])},
            service={"0000abcd-0000-1000-8000-00805f9b34fb": bytes.fromhex("00 00 00 c8 43")},
        )
        wait_for(lambda: (h := caught.last("bluetooth")) and h.working)
    by = {r.source: r.value for r in caught.readings}
    assert by["scale"] == pytest.approx(29.10)
    assert by["battery"] == pytest.approx(0.88)
    assert by["signal"] == -60.0
    assert by["yard"] == pytest.approx(300 * 0.1 - 40.0 + 273.15)
    assert by["pressure"] == pytest.approx(400e3)
    assert bluez.calls.get("RegisterMonitor", 0) == 1  # passive, where the system allows it
    assert "StartDiscovery" not in bluez.calls


def test_active_where_passive_is_not_allowed(bluez: Bluez) -> None:
    bluez.behave["RegisterMonitor"] = "unknown"
    with listening(ble(), pace=1.0) as (_, caught):
        tell(bluez, lambda: caught.readings, service={UUID: bytes.fromhex("40 06 5E 0B")})
    assert bluez.calls["StartDiscovery"] == 1


def test_encrypted_forged_replayed_and_doubled(bluez: Bluez, tmp_path: Path) -> None:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

    key = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
    file = tmp_path / "key"
    file.write_text(key.hex() + "\n")
    file.chmod(0o600)

    def sealed(counter: int, kg: float, with_key: bytes = key) -> bytes:
        plain = b"\x06" + round(kg * 100).to_bytes(2, "little")
        count = counter.to_bytes(4, "little")
        nonce = bytes.fromhex(ONE.replace(":", "")) + b"\xd2\xfc\x41" + count
        text = AESCCM(with_key, tag_length=4).encrypt(nonce, plain, None)
        return b"\x41" + text[:-4] + count + text[-4:]

    with listening(ble(options={"key_file": str(file)})) as (_, caught):
        tell(bluez, lambda: caught.values() == [20.0], service={UUID: sealed(1000, 20.0)})
        for wrong, words in (
            (bytes.fromhex("40 06 5E 0B"), "plain data from a device that has a key"),
            (sealed(990, 25.0), "replayed"),
            (sealed(1001, 25.0, bytes(16)), "cannot be decrypted"),
            (b"\x41\x00\x01\x02", "too short to be encrypted"),
        ):
            tell(bluez, lambda words=words: any(words in a.reason for a in caught.aside), service={UUID: wrong})
        assert caught.values() == [20.0]
        tell(bluez, lambda: caught.values() == [20.0, 21.0], service={UUID: sealed(1001, 21.0)})
        for _ in range(20):
            bluez.advertise(ONE, service={UUID: sealed(1001, 21.0)})
        tell(bluez, lambda: caught.values() == [20.0, 21.0, 22.0], service={UUID: sealed(3, 22.0)})  # a new battery


def test_what_cannot_be_used_is_set_aside(bluez: Bluez) -> None:
    lay = {
        "company": COMPANY,
        "layout": {"format": "u16le", "match": "a1", "length": 4, "offset": 1, "checksum": "sum8"},
    }
    with listening(ble(name="b"), ble(name="l", address=TWO, options=lay)) as (_, caught):
        for data, words in (("40 06 FF FF", "heavier than full"), ("60 06 5E 0B", "version 3"), ("", "")):
            if data:
                tell(
                    bluez,
                    lambda words=words: any(words in a.reason for a in caught.aside),
                    service={UUID: bytes.fromhex(data)},
                )
        for data, words in (("a1 02", "bytes, not 4"), ("a1 01 02 00", "checksum")):
            tell(
                bluez,
                lambda words=words: any(words in a.reason for a in caught.aside),
                TWO,
                manufacturer={COMPANY: bytes.fromhex(data)},
            )
        assert not caught.readings


def test_a_wrong_description_is_said_and_does_no_harm(bluez: Bluez) -> None:
    wrong = ble(name="wrong", options={"layout": {"format": "u17"}, "company": 1})
    with listening(wrong, ble(name="right")) as (_, caught):
        tell(bluez, lambda: caught.readings, service={UUID: bytes.fromhex("40 06 5E 0B")})
    health = caught.last("wrong")
    assert health is not None
    assert health.permanent
    assert "u17" in health.error


def test_values_are_fetched_over_a_connection(bluez: Bluez) -> None:
    own = "6e400003-b5a3-f393-e0a9-e50e24dcca9e"[:-4] + "0001"
    bluez.peripherals[ONE] = Peripheral(
        {
            sig.WEIGHT_SCALE: {sig.WEIGHT: (["indicate"], [bytes.fromhex("00 D8 13")])},
            sig.ENVIRONMENT: {
                sig.TEMPERATURE: (["read"], [bytes.fromhex("2E FB")]),
                sig.PRESSURE: (["read"], [bytes.fromhex("02 76 0F 00")]),
            },
            sig.BATTERY: {sig.LEVEL: (["read", "notify"], [b"\x58"])},
            "0000fff0-0000-1000-8000-00805f9b34fb": {own: (["read"], [bytes.fromhex("00 01 90")])},
        }
    )
    sensors = (
        ble(name="weight", options={"connect": True}),
        ble("wall_temperature", "wall", options={"connect": True}),
        ble("container_pressure", "pressure", options={"connect": True}),
        ble("battery", "battery", options={"connect": True}),
        ble(
            "liquid_height",
            "height",
            unit="mm",
            options={"characteristic": own, "format": "u16be", "layout": {"offset": 1}},
        ),
    )
    with listening(*sensors, pace=1.0) as (_, caught):
        tell(bluez, lambda: len(caught.readings) >= 5)
        wait_for(lambda: bluez.calls["Connect"] == bluez.calls.get("Disconnect"))
    by = {r.source: r.value for r in caught.readings}
    assert by["weight"] == pytest.approx(25.4)
    assert by["wall"] == pytest.approx(-12.34 + 273.15)
    assert by["pressure"] == pytest.approx(101_325.0)
    assert by["battery"] == pytest.approx(0.88)
    assert by["height"] == pytest.approx(0.4)
    assert bluez.calls["Connect"] == bluez.calls["Disconnect"]


def test_a_connection_that_hangs_is_left_behind_and_tried_again(bluez: Bluez) -> None:
    bluez.peripherals[ONE] = Peripheral({sig.BATTERY: {sig.LEVEL: (["read"], [b"\x58"])}})
    bluez.behave["Connect"] = "hang"
    bluez.behave["Disconnect"] = "hang"
    with listening(ble("battery", options={"connect": True}), ble(name="other", address=TWO)) as (_, caught):
        tell(bluez, lambda: (h := caught.last("s")) and "no answer within" in h.error)
        tell(bluez, lambda: caught.values("other"), TWO, service={UUID: bytes.fromhex("40 06 5E 0B")})
        bluez.behave.clear()
        tell(bluez, lambda: caught.values("s") == [pytest.approx(0.88)])


def test_in_progress_for_ever_climbs_the_ladder_and_says_so(bluez: Bluez) -> None:
    bluez.behave["RegisterMonitor"] = "in-progress"
    bluez.behave["StartDiscovery"] = "in-progress"
    with listening(ble(), pace=0.01) as (_, caught):
        wait_for(lambda: (h := caught.last("bluetooth")) and "tried everything" in h.error and "InProgress" in h.error)
        wait_for(lambda: bluez.calls["Set"] >= 4)  # off and on, twice at least
        bluez.behave.clear()
        tell(
            bluez,
            lambda: caught.readings and (h := caught.last("bluetooth")) and h.working,
            service={UUID: bytes.fromhex("40 06 5E 0B")},
        )


def test_a_service_that_never_answers_is_given_up_and_found_again(bluez: Bluez) -> None:
    for member in ("RegisterMonitor", "StartDiscovery", "Set", "Get"):
        bluez.behave[member] = "hang"
    with listening(ble(), pace=0.01) as (_, caught):
        wait_for(lambda: (h := caught.last("bluetooth")) and "no answer" in h.error)
        bluez.behave.clear()
        tell(bluez, lambda: caught.readings, service={UUID: bytes.fromhex("40 06 5E 0B")})


def test_a_deaf_radio_is_reset(bluez: Bluez) -> None:
    with listening(ble(), pace=0.02, quiet_s=0.4) as (_, caught):
        tell(bluez, lambda: caught.readings, service={UUID: bytes.fromhex("40 06 5E 0B")})
        bluez.deaf = True
        bluez.behave["deaf"] = "until reset"
        wait_for(lambda: (h := caught.last("bluetooth")) and "nothing heard" in h.error)
        tell(
            bluez,
            lambda: 30.0 in caught.values() and (h := caught.last("bluetooth")) and h.working,
            service={UUID: bytes.fromhex("40 06 B8 0B")},
        )


def test_an_adapter_taken_away_20_times_comes_back_each_time(bluez: Bluez) -> None:
    with listening(ble(), pace=0.02) as (_, caught), running() as clock:
        waits = []
        sizes = []
        tracemalloc.start()
        for turn in range(20):
            kg = 15.0 + turn / 2
            data = b"\x40\x06" + round(kg * 100).to_bytes(2, "little")
            begun = clock.s
            tell(bluez, lambda kg=kg: kg in caught.values(), service={UUID: data})
            waits.append(clock.s - begun)
            bluez.remove_adapter()
            wait_for(lambda: (h := caught.last("bluetooth")) and h.error)
            gc.collect()
            sizes.append(tracemalloc.get_traced_memory()[0])
            bluez.add_adapter()
        tracemalloc.stop()
    assert sizes[-1] - sizes[4] < 300_000  # bytes over 15 turns, the fake's own included
    assert max(waits) < 0.02 * 16.0 + 1.5  # the longest look-again pause at this pace, and some air
    assert len(caught.values()) == 20


def test_no_adapter_and_no_service_are_said(bluez: Bluez, monkeypatch: pytest.MonkeyPatch) -> None:
    bluez.remove_adapter()
    with listening(ble()) as (_, caught):
        wait_for(lambda: (h := caught.last("bluetooth")) and "No Bluetooth adapters found" in h.error)
        bluez.add_adapter(powered=False)
        wait_for(lambda: (h := caught.last("bluetooth")) and "No powered" in h.error)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus")
    with listening(ble()) as (_, caught):
        wait_for(lambda: (h := caught.last("bluetooth")) and "is bluez installed" in h.error)


FUZZED = (
    ble(name="scale"),
    ble("air_temperature", "air", subject="site"),
    ble("signal", "signal"),
    ble("gauge_percent", "gauge", TWO, unit="%",
        options={"company": COMPANY, "layout": {"format": "f32le", "offset": 1, "match": "a1"}}),
    ble("echo_time", "echo", TWO, unit="us",
        options={"service": "ABCD", "layout": {"format": "s24be", "mask": 0x3FF}}),
)  # fmt: skip


def fuzzed(draw: random.Random) -> Advert:
    good = bytes.fromhex(
        draw.choice(("40 06 5E 0B", "40 02 5D 09 06 5E 0B", "41 00 01 02 03 04 05 06 07 08 09", "44 01 58"))
    )
    data = bytearray(good)
    for _ in range(draw.randint(0, 3)):
        way = draw.random()
        if way < 0.5 and data:
            data[draw.randrange(len(data))] = draw.randrange(256)
        elif way < 0.75:
            data = data[: draw.randrange(len(data) + 1)]
        else:
            data += draw.randbytes(draw.randint(0, 20))
    return Advert(
        draw.choice((ONE, TWO)),
        draw.randint(-127, 20),
        manufacturer={draw.choice((COMPANY, 1)): b"\xa1" + draw.randbytes(draw.randint(0, 8))},
        service={draw.choice((UUID, "0000abcd-0000-1000-8000-00805f9b34fb")): bytes(data)},
    )


def test_40_000_fuzzed_advertisements_give_true_readings_or_reasons() -> None:
    caught, where = Caught(), scene.site(*FUZZED)
    clock = SteppedClock(scene.AT)
    source = BleSource(where, caught.reading, caught.set_aside, caught.tell, clock)
    draw = random.Random(13)
    for k in range(40_000):
        source._heard(fuzzed(draw))
        if k % 4 == 0:
            clock.set(clock.now() + timedelta(seconds=60))  # so that nothing is thinned away unseen
    assert len(caught.readings) > 5_000
    assert len(caught.aside) > 5_000
    assert {r.source for r in caught.readings} == {s.name for s in FUZZED}
    for reading in caught.readings:
        low, high = plausible.limits(reading.quantity, where, reading.subject)
        assert reading.value is not None
        assert low <= reading.value <= high


def test_a_flood_of_advertisements_through_the_bus_does_no_harm(bluez: Bluez) -> None:
    draw = random.Random(14)
    with listening(*FUZZED, pace=1.0) as (source, caught):  # a call given up for slowness would end the scan
        wait_for(lambda: bluez.scanning)
        for _ in range(2_000):
            heard = fuzzed(draw)
            bluez.advertise(heard.address, service=heard.service, manufacturer=heard.manufacturer, rssi=heard.rssi)
        tell(bluez, lambda: 29.25 in caught.values("scale"), service={UUID: bytes.fromhex("40 06 6D 0B")})
        assert source.heard >= 2_000
        assert (h := caught.last("bluetooth"))
        assert h.working


def test_a_radio_thread_that_stands_still_is_said_and_goes_on(bluez: Bluez, monkeypatch: pytest.MonkeyPatch) -> None:
    # Soon noticed, and yet a call to the service has time enough on a slow machine.
    monkeypatch.setattr("monitor.sensors.ble._HANGS_S", 6.0)
    release, others = threading.Event(), set(threading.enumerate())

    class Slow(Caught):
        def reading(self, reading: Reading, done: Callable[[], None]) -> None:
            release.wait(60)
            super().reading(reading, done)

    caught = Slow()
    source = BleSource(
        scene.site(ble()), caught.reading, caught.set_aside, caught.tell, RealClock(), pace=0.05, quiet_s=60.0
    )
    source.start()
    try:
        tell(
            bluez,
            lambda: (h := caught.last("bluetooth")) and "holds us up" in h.error,
            service={UUID: bytes.fromhex("40 06 5E 0B")},
        )
        time.sleep(1.5)
        assert sum(t.name == "sensors-ble" for t in set(threading.enumerate()) - others) <= 3
        release.set()
        # Told until it works again: a loop that was given up may be the one that takes the first of these.
        tell(
            bluez,
            lambda: 30.0 in caught.values() and (h := caught.last("bluetooth")) and h.working,
            service={UUID: bytes.fromhex("40 06 B8 0B")},
        )
    finally:
        release.set()
        source.stop()
