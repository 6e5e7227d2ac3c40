"""MQTT under stress: TLS with a client certificate, a broker killed 20 times, a frozen one, a taken session, fuzz."""

from __future__ import annotations

import functools
import gc
import random
import threading
import time
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.model.reading import Quantity
from monitor.sensors import payload
from monitor.sensors.mqtt import MqttSource
from monitor.service.clock import RealClock
from tests.sensors import scene
from tests.sensors.scene import AT, Caught, spec
from tests.sensors.test_decode import check
from tests.sensors.test_mqtt import listening, up
from tests.support.broker import Mosquitto, close, free_port, send, wait_for
from tests.support.certs import Authority
from tests.support.stalls import running


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path / "pki")


@pytest.fixture
def secure(tmp_path: Path, authority: Authority) -> Iterator[tuple[Mosquitto, int]]:
    """A broker with a second listener that wants TLS and a client's certificate."""
    server = authority.sign("server", server=True)
    port = free_port()
    extra = (
        f"listener {port} 127.0.0.1\ncafile {authority.certificate}\ncertfile {server.certificate}\n"
        f"keyfile {server.key}\nrequire_certificate true\nuse_identity_as_username false"
    )
    broker = Mosquitto(tmp_path / "mosquitto", extra=extra)
    broker.start()
    yield broker, port
    broker.kill()


def test_tls_with_a_client_certificate(secure: tuple[Mosquitto, int], authority: Authority) -> None:
    broker, port = secure
    client = authority.sign("client", server=False)
    described = replace(
        broker.described(),
        port=port,
        tls=True,
        ca_file=str(authority.certificate),
        client_cert_file=str(client.certificate),
        client_key_file=str(client.key),
    )
    with listening(broker, spec(), described=described) as (source, caught):
        up(source)
        broker.publish("t/s", "20")
        wait_for(lambda: caught.values() == [20.0])


def _said(caught: Caught, words: str) -> bool:
    health = caught.last("broker")
    return health is not None and (words in health.error or "no connection" in health.error)


# paho leaves the socket of a handshake that failed to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
def test_tls_that_does_not_hold_is_refused_and_said(
    secure: tuple[Mosquitto, int], authority: Authority, tmp_path: Path
) -> None:
    broker, port = secure
    base = replace(broker.described(), port=port, tls=True)
    stranger = Authority(tmp_path / "other", "a stranger")
    client = authority.sign("client", server=False)
    cases = {
        "no connection": replace(base, ca_file=str(stranger.certificate)),  # a broker that somebody else signed
        "lost": replace(base, ca_file=str(authority.certificate)),  # we have no certificate
        "cannot be set up": replace(base, ca_file=str(tmp_path / "none.pem")),
        "key values mismatch": replace(
            base, client_cert_file=str(client.certificate), client_key_file=str(stranger.sign("x", server=False).key)
        ),
    }
    for words, described in cases.items():
        with listening(broker, spec(), described=described) as (source, caught):
            wait_for(functools.partial(_said, caught, words))
            assert not source.connected
            health = caught.last("broker")
            assert health is not None
            assert health.permanent == (words in {"cannot be set up", "key values mismatch"})
        del source
    wait_for(lambda: not [t.name for t in threading.enumerate() if "boiloff-test" in t.name])
    gc.collect()


def test_every_reading_arrives_though_the_broker_is_killed_20_times(stopped_broker: Mosquitto) -> None:
    broker = stopped_broker
    broker.start()
    caught, others = Caught(), set(threading.enumerate())
    sent: list[float] = []
    sizes: list[int] = []
    many = [spec(name=f"s{k}", pointer="/v", time_pointer="/t") for k in range(10)]
    with listening(broker, *many, caught=caught, reconnect_s=(0.2, 0.2)) as (source, _):
        up(source)
        tracemalloc.start()
        for turn in range(20):
            caught.hold = turn % 2 == 1  # every other time nothing is durable yet when the broker dies
            client = broker.client()
            for k in range(10):
                value = 14.0 + turn / 2 + k / 100
                send(client, f"t/s{k}", f'{{"v": {value}, "t": {time.time()}}}')
                sent.append(value)
            wait_for(lambda: len(set(caught.values())) >= len(sent))
            close(client)
            broker.save()
            broker.kill()
            wait_for(lambda: not source.connected)
            caught.release()
            gc.collect()
            sizes.append(tracemalloc.get_traced_memory()[0])
            broker.start()
        tracemalloc.stop()
        wait_for(lambda: source.connected and source.in_hand == 0)
        threads = set(threading.enumerate()) - others
    assert caught.values() == sent  # every one, once, in order
    assert len(threads) < 8, threads
    assert sizes[-1] - sizes[4] < 300_000  # bytes over 15 turns


def test_a_frozen_broker_is_noticed_and_nothing_is_lost(broker: Mosquitto) -> None:
    with listening(broker, spec()) as (source, caught):
        up(source)
        broker.pause(on=True)
        other = MqttSource(
            scene.site(spec(), broker=broker.described("second")),
            caught.reading,
            caught.set_aside,
            caught.tell,
            RealClock(),
        )
        try:
            other.start()
            time.sleep(0.3)
            with running() as took:
                other.stop()  # while it waits for a broker that does not answer
                assert took.s < 1.2
        finally:
            broker.pause(on=False)
        broker.publish("t/s", "20")
        wait_for(lambda: 20.0 in caught.values())


def test_a_client_with_our_id_is_said(broker: Mosquitto) -> None:
    with listening(broker, spec()) as (source, caught):
        up(source)
        client = broker.client("boiloff-test")  # the broker lets the older of the two go, each time
        wait_for(lambda: any("use the id boiloff-test" in h.error for h in caught.health), 60.0)
        close(client)


FORMS = (
    spec(name="number"),
    spec("air_temperature", "json", subject="site", pointer="/a/v", time_pointer="/t", unit_pointer="/u"),
    spec("gauge_percent", "senml", options={"format": "senml"}),
    spec("valve", "switch", pointer="/a/v"),
)
GOOD = (
    b"20.5", b'{"a": {"v": -5}, "t": "2026-01-05T11:00:00Z", "u": "degC"}', b'[{"n": "a", "u": "/", "v": 0.5}]',
    b'{"a": {"v": true}}',
)  # fmt: skip


def mutated(draw: random.Random) -> bytes:
    data = bytearray(draw.choice(GOOD))
    for _ in range(draw.randint(0, 4)):
        way, at = draw.random(), draw.randrange(max(len(data), 1))
        if way < 0.3 and data:
            data[at : at + 1] = draw.choice(
                (b"", b"9", b"-", b"e", b'"', b"NaN", b"Infinity", b"null", b"\x00", b"\xff", b"[", b"}")
            )
        elif way < 0.6 and data:
            data[at] = draw.randrange(256)
        elif way < 0.8:
            data = data[:at]
        else:
            data += draw.choice(GOOD)
    return bytes(data)


def test_fuzzed_payloads_give_true_readings_or_reasons() -> None:
    draw, where = random.Random(11), scene.site(*FORMS)
    kinds = {Quantity(s.quantity) for s in FORMS}
    assert len(kinds) == 4
    good = bad = 0
    for k in range(60_000):
        for found in payload.readings(FORMS[k % 4], where, mutated(draw), AT, fresh=k % 3 > 0):
            check(found)
            good, bad = (good + 1, bad) if hasattr(found, "value") else (good, bad + 1)
    assert good > 3000
    assert bad > 3000


def test_fuzzed_payloads_through_the_broker_do_no_harm(broker: Mosquitto) -> None:
    draw = random.Random(12)
    with listening(broker, *FORMS) as (source, caught):
        up(source)
        client = broker.client()
        for k in range(2_000):
            client.publish(f"t/{FORMS[k % 4].name}", mutated(draw), 1)
        send(client, "t/number", "21.25")
        wait_for(lambda: caught.values("number")[-1:] == [21.25])
        wait_for(lambda: source.in_hand == 0)
        close(client)
    for reading in caught.readings:
        if reading.quantity is Quantity.GROSS_WEIGHT and reading.value is not None:
            assert 0 <= reading.value < 33
