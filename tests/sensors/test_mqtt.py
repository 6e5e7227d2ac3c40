"""MQTT against a real mosquitto: payloads good and bad, retained and queued messages, acknowledgement, health."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.model.site import Broker, SensorSpec
from monitor.sensors.mqtt import MqttSource
from monitor.service.clock import RealClock
from tests.sensors import scene
from tests.sensors.scene import Caught, spec
from tests.support.broker import Mosquitto, close, send, wait_for
from tests.support.stalls import running


@contextmanager
def listening(
    broker: Mosquitto, *sensors: SensorSpec, caught: Caught | None = None, described: Broker | None = None, **more: Any
) -> Iterator[tuple[MqttSource, Caught]]:
    """A source on the broker, connected where the broker is up."""
    caught = caught if caught is not None else Caught()
    where = scene.site(*sensors, broker=described or broker.described())
    source = MqttSource(where, caught.reading, caught.set_aside, caught.tell, RealClock(), **more)
    source.start()
    try:
        yield source, caught
    finally:
        source.stop()


def up(source: MqttSource) -> None:
    """Wait until the broker has answered for every topic."""

    def asked() -> bool:  # health is told after the last topic was asked for
        told = source._condition._last
        return source.connected and told is not None and told.working

    wait_for(lambda: asked() and not source._subscribing)


def test_a_number_and_json_arrive_in_si(broker: Mosquitto) -> None:
    plain = spec(name="plain", unit="lb")
    table = spec(
        "air_temperature", "yard", subject="site", pointer="/out/t", unit_pointer="/out/u", time_pointer="/when"
    )
    with listening(broker, plain, table) as (source, caught):
        up(source)
        broker.publish("t/plain", "52.4")
        when = datetime.now(UTC) - timedelta(minutes=3)
        broker.publish("t/yard", json.dumps({"out": {"t": -4, "u": "°F"}, "when": when.isoformat()}))
        wait_for(lambda: len(caught.readings) == 2)
    weight, air = caught.readings
    assert weight.value == pytest.approx(52.4 * 0.45359237)
    assert weight.time == weight.received
    assert (weight.source, weight.subject, weight.age_known) == ("plain", "A", True)
    assert air.value == pytest.approx(253.15)
    assert air.time == when
    assert caught.last("broker") is not None


BAD: dict[str, tuple[str, str | bytes]] = {
    "negative": ("t/s", "-1"),
    "heavier than full plus 5 %": ("t/s", "33"),
    "another unit": ("t/s", "20 psi"),
    "is not a number": ("t/s", "heavy"),
    "no finite number": ("t/s", "nan"),
    "too large": ("t/s", "9" * 10_000_000),
    "not UTF-8": ("t/s", b"\xff\xfe\x00"),
    "lies in the future": ("t/j", '{"v": 20, "t": "2999-01-01T00:00:00Z"}'),
    "days ago": ("t/j", '{"v": 20, "t": "2020-01-01T00:00:00Z"}'),
    "not JSON": ("t/j", '{"v": 20, "t": '),
    "nothing at /v": ("t/j", '{"w": 20}'),
    "a table at /v": ("t/j", '{"v": {"kg": 20}, "t": 0}'),
    "truth value": ("t/j", json.dumps({"v": True, "t": datetime.now(UTC).timestamp()})),
}


def test_what_cannot_be_used_is_set_aside_with_the_reason(broker: Mosquitto) -> None:
    with listening(broker, spec(), spec(name="j", pointer="/v", time_pointer="/t")) as (source, caught):
        up(source)
        client = broker.client()
        for topic, payload in BAD.values():
            send(client, topic, payload)
        send(client, "t/s", "20.5")
        wait_for(lambda: caught.readings and len(caught.aside) == len(BAD))
        close(client)
        wait_for(lambda: source.in_hand == 0)
    assert caught.values() == [20.5]
    reasons = [a.reason for a in caught.aside]
    for words in BAD:
        assert any(words in reason for reason in reasons), (words, reasons)
    assert all(len(a.raw) <= 200 for a in caught.aside)
    assert any("10,000,000 bytes" in a.raw for a in caught.aside)


def test_a_retained_value_without_a_time_has_unknown_age_and_comes_once(stopped_broker: Mosquitto) -> None:
    broker = stopped_broker
    broker.start()
    broker.publish("t/s", "20", retain=True)
    broker.publish("t/j", json.dumps({"v": 21, "t": (datetime.now(UTC) - timedelta(hours=2)).timestamp()}), retain=True)
    sensors = (spec(), spec(name="j", pointer="/v", time_pointer="/t"))
    with listening(broker, *sensors) as (source, caught):
        wait_for(lambda: len(caught.readings) == 2)
        by = {r.source: r for r in caught.readings}
        assert not by["s"].age_known
        assert by["j"].age_known
        assert by["j"].received - by["j"].time > timedelta(minutes=119)
        broker.publish("t/s", "22", retain=True)  # live: the flag is not set on it
        wait_for(lambda: len(caught.readings) == 3)
        assert caught.readings[-1].age_known
        wait_for(lambda: source.in_hand == 0)
    broker.let_go()
    with listening(broker, *sensors, caught=caught) as (source, caught):  # the same session: nothing is replayed
        up(source)
        broker.publish("t/s", "23")
        wait_for(lambda: caught.values()[-1] == 23.0)
    assert len(caught.readings) == 4


def test_what_is_not_durable_is_not_acknowledged_and_comes_again(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    # What comes so soon after a connection has waited; a machine that stands still just then must not make it late.
    monkeypatch.setattr("monitor.sensors.mqtt._WAITED_S", 30.0)
    caught = Caught(hold=True)
    with listening(broker, spec(), caught=caught) as (source, _):
        up(source)
        for value in range(15, 20):
            broker.publish("t/s", str(value))
        wait_for(lambda: len(caught.readings) == 5)
        assert source.in_hand == 5
    again = Caught()
    with listening(broker, spec(), caught=again) as (source, _):
        wait_for(lambda: len(again.readings) == 5)
        wait_for(lambda: source.in_hand == 0)
    broker.let_go()
    assert again.values() == [15.0, 16.0, 17.0, 18.0, 19.0]
    assert not any(r.age_known for r in again.readings)  # they waited at the broker, nobody knows how long
    with listening(broker, spec()) as (source, none):
        up(source)
        broker.publish("t/s", "24")
        wait_for(lambda: none.values() == [24.0])


def test_durable_while_the_connection_was_away_is_stored_once(broker: Mosquitto) -> None:
    caught = Caught(hold=True)
    with listening(broker, spec(), caught=caught) as (source, _):
        up(source)
        broker.publish("t/s", "20")
        broker.publish("t/s", "21")
        wait_for(lambda: len(caught.readings) == 2)
        caught.held.pop()()  # the second is durable, the first not yet
        broker.stop()
        wait_for(lambda: not source.connected)
        caught.release()
        broker.start()
        wait_for(lambda: source.connected)
        caught.hold = False
        broker.publish("t/s", "22")
        wait_for(lambda: 22.0 in caught.values())
        wait_for(lambda: source.in_hand == 0)
    assert caught.values() == [20.0, 21.0, 22.0]
    broker.let_go()
    with listening(broker, spec()) as (source, none):
        up(source)
        broker.publish("t/s", "23")
        wait_for(lambda: none.values() == [23.0])  # nothing was left at the broker


def test_broker_down_at_start_then_up_then_down(stopped_broker: Mosquitto) -> None:
    broker = stopped_broker
    with listening(broker, spec()) as (_, caught):
        wait_for(lambda: (h := caught.last("broker")) and "no connection" in h.error)
        failed = caught.last("broker")
        assert failed is not None
        assert failed.ok_at is None
        broker.start()
        wait_for(lambda: (h := caught.last("broker")) and h.working)
        broker.publish("t/s", "20")
        wait_for(lambda: caught.values() == [20.0])
        worked = caught.last("broker")
        broker.kill()
        wait_for(lambda: (h := caught.last("broker")) and "lost" in h.error)
        gone = caught.last("broker")
        assert worked is not None
        assert gone is not None
        assert gone.ok_at is not None
        assert worked.since <= gone.since
        assert failed.since < gone.since


def test_a_wrong_password_is_said(broker: Mosquitto) -> None:
    wrong = broker.folder / "wrong"
    wrong.write_text("nonsense\n")
    wrong.chmod(0o600)
    described = replace(broker.described(), password_file=str(wrong))
    with listening(broker, spec(), described=described) as (_, caught):
        wait_for(lambda: (h := caught.last("broker")) and "password_file" in h.error)


def test_a_password_that_everybody_may_read_is_refused(broker: Mosquitto) -> None:
    broker.password_file.chmod(0o644)
    with listening(broker, spec()) as (_, caught):
        wait_for(lambda: (h := caught.last("broker")) and h.permanent and "chmod" in h.error)
    assert not caught.readings


def test_a_flood_of_one_sensor_is_thinned_and_does_not_delay_another(broker: Mosquitto) -> None:
    loud, calm = spec(name="loud"), spec(name="calm")
    with listening(broker, loud, calm) as (source, caught), running() as clock:
        up(source)
        other = broker.client()
        client = broker.client()
        begun = time.monotonic()
        over = threading.Event()

        def flood() -> None:
            for k in range(6_000):
                client.publish("t/loud", f"{15 + (k % 1000) / 100:.2f}", 1)
            client.publish("t/loud", "25.5", 1).wait_for_publish(120)
            over.set()

        thread = threading.Thread(target=flood)
        thread.start()
        waits: list[float] = []
        while not over.is_set():
            sent = clock.s
            send(other, "t/calm", "20")
            wait_for(lambda: len(caught.values("calm")) > len(waits))
            waits.append(clock.s - sent)
            if over.wait(0.7):
                break
        thread.join()
        wait_for(lambda: caught.values("loud")[-1] == 25.5)  # the last word is kept
        wait_for(lambda: source.in_hand == 0)
        close(client)
        close(other)
    assert max(waits) < 1.0
    assert 30 <= len(caught.values("loud")) <= 33 + time.monotonic() - begun  # a burst, then one a second
    assert source.thinned + len(caught.values("loud")) == 6_001


def test_wildcards_and_overlapping_filters_bring_each_reading_once(broker: Mosquitto) -> None:
    one = spec(name="one", address="yard/+/weight")
    every = spec("air_temperature", "every", subject="site", address="yard/#", pointer="/t", unit="°C")
    with listening(broker, one, every) as (source, caught):
        up(source)
        broker.publish("yard/a/weight", "20")
        broker.publish("yard/b/weight", "21")
        broker.publish("yard/air", '{"t": -3}')
        wait_for(lambda: caught.values("every") == [270.15])
        wait_for(lambda: source.in_hand == 0)
    assert caught.values("one") == [20.0, 21.0]
