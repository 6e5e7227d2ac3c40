"""QoS 1 messages from a real broker into the database, beside a bare paho subscriber that only counts.

    python -m tests.bench.mqtt_ingest [--messages 30000] [--sensors 1000] [--rounds 3]

Every side drains the same backlog: it waits in the broker's persistent session when the clock starts, so that no
publisher sets the pace. Same broker, same receive maximum. "paho + sqlite3" is the least program that keeps the same
promise: 1,000 rows to a transaction, WAL, synchronous=FULL, acknowledged after the commit; it checks nothing, keeps
no index and would store any nonsense. Goal: at least 0.4 of the bare subscriber (the database's own share of the bare
rate is measured in `tests.bench.ingest`). Best of the rounds, all sides in each round.
"""

from __future__ import annotations

import argparse
import gc
import math
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.model.reading import Reading, SetAside
from monitor.model.site import Cylinder, SensorSpec, Site
from monitor.sensors.mqtt import RECEIVE_MAXIMUM, MqttSource
from monitor.service.clock import RealClock
from monitor.store import Store
from monitor.store.writer import BATCH, Writer
from tests.support.broker import PASSWORD, USER, Mosquitto, close

CYLINDER = Cylinder("A", 43.18, 13.15, 0.3175, 18.14)
ID = "boiloff-test"


@dataclass(frozen=True)
class Took:
    """Seconds by the clock, and of this process's processor time."""

    wall_s: float
    busy_s: float


Form = Callable[[int, int], bytes]


def plain(_sensor: int, n: int) -> bytes:
    """A number alone: its time is that of arrival."""
    return f"{14 + n % 17 + n % 97 / 100:.2f}".encode()


def table(_sensor: int, n: int) -> bytes:
    """JSON with a time of its own."""
    at = datetime.now(UTC) - timedelta(minutes=n % 4000)
    return f'{{"weight": {14 + n % 17 + n % 97 / 100:.2f}, "at": "{at.isoformat()}"}}'.encode()


def sensors(count: int, form: Form) -> tuple[SensorSpec, ...]:
    """Sensors, a topic each."""
    pointers = {"pointer": "/weight", "time_pointer": "/at"} if form is table else {}
    return tuple(
        SensorSpec(f"s{k}", "mqtt", "A", "gross_weight", f"t/{k}", interval_s=60.0, **pointers)  # type: ignore[arg-type]
        for k in range(count)
    )


def client(broker: Mosquitto, *, manual_ack: bool) -> tuple[mqtt.Client, Properties]:
    """A bare client with a persistent session and our receive maximum."""
    made = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=ID, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=manual_ack
    )
    made.username_pw_set(USER, PASSWORD)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 86_400
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    return made, properties


def fill(broker: Mosquitto, topics: list[str], count: int, form: Form) -> None:
    """Subscribe with the persistent session, go away, and let messages queue there."""
    made, properties = client(broker, manual_ack=False)
    there = threading.Event()
    made.on_subscribe = lambda *_: there.set()
    made.connect("127.0.0.1", broker.port, clean_start=True, properties=properties)
    made.loop_start()
    for k in range(0, len(topics), 100):
        there.clear()
        made.subscribe([(topic, SubscribeOptions(qos=1)) for topic in topics[k : k + 100]])
        there.wait(10)
    close(made)
    sender = broker.client()
    last = None
    for n in range(count):
        last = sender.publish(topics[n % len(topics)], form(n % len(topics), n), 1)
    assert last is not None
    while len(sender._out_messages) > 0:
        time.sleep(0.05)
    close(sender)


def counting(broker: Mosquitto, count: int, _folder: Path, _form: Form, _sensors: int) -> Took:
    """The bare subscriber: count, and let paho acknowledge."""
    made, properties = client(broker, manual_ack=False)
    over = threading.Event()
    seen = [0]

    def note(*_: Any) -> None:
        seen[0] += 1
        if seen[0] == count:
            over.set()

    made.on_message = note
    began, busy = time.perf_counter(), time.process_time()
    made.connect("127.0.0.1", broker.port, clean_start=False, properties=properties)
    made.loop_start()
    assert over.wait(300), seen
    took = Took(time.perf_counter() - began, time.process_time() - busy)
    close(made)
    return took


def least(broker: Mosquitto, count: int, folder: Path, _form: Form, _sensors: int) -> Took:
    """paho and sqlite3, in groups, acknowledged after the commit."""
    made, properties = client(broker, manual_ack=True)
    over = threading.Event()
    db = sqlite3.connect(folder / f"least-{time.monotonic_ns()}.db", isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("CREATE TABLE reading (id INTEGER PRIMARY KEY, time REAL, topic TEXT, value REAL)")
    rows: list[tuple[float, str, bytes]] = []
    mids: list[int] = []
    seen = [0]

    def note(_client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        rows.append((time.time(), message.topic, bytes(message.payload)))
        mids.append(message.mid)
        seen[0] += 1
        if len(rows) < BATCH and seen[0] < count:
            return
        db.execute("BEGIN IMMEDIATE")
        db.executemany("INSERT INTO reading (time, topic, value) VALUES (?, ?, ?)", rows)
        db.execute("COMMIT")
        for mid in mids:
            made.ack(mid, 1)
        rows.clear()
        mids.clear()
        if seen[0] == count:
            over.set()

    made.on_message = note
    began, busy = time.perf_counter(), time.process_time()
    made.connect("127.0.0.1", broker.port, clean_start=False, properties=properties)
    made.loop_start()
    assert over.wait(300), seen
    took = Took(time.perf_counter() - began, time.process_time() - busy)
    close(made)
    db.close()
    return took


def ours(broker: Mosquitto, count: int, folder: Path, form: Form, many: int) -> Took:
    """The whole way: source, checks, writer, and the acknowledgement after the commit."""
    path = folder / f"ours-{time.monotonic_ns()}.db"
    writer = Writer(path, commit_every_s=0.2)
    site = Site("bench", 45.0, -100.0, "UTC", (CYLINDER,), (), sensors=sensors(many, form), broker=broker.described(ID))
    aside: list[SetAside] = []
    durable = [0]
    over = threading.Event()

    def on_reading(reading: Reading, done: Callable[[], None]) -> None:
        def said() -> None:
            done()
            durable[0] += 1
            if durable[0] == count:
                over.set()

        writer.submit_reading(reading, said)

    def on_set_aside(item: SetAside, done: Callable[[], None]) -> None:
        aside.append(item)
        done()

    source = MqttSource(site, on_reading, on_set_aside, lambda _: None, RealClock())
    began, busy = time.perf_counter(), time.process_time()
    source.start()
    assert over.wait(300), (durable, aside[:3], source.thinned)
    took = Took(time.perf_counter() - began, time.process_time() - busy)
    source.stop()
    writer.close()
    with Store.open(path) as store:
        assert len(store.readings()) == count
    assert not aside
    return took


def run(count: int, many: int, rounds: int) -> None:
    """Print the table: wall time, and the processor time of this process (the broker's is not in it)."""
    sides = {"paho, counting only": counting, "paho + sqlite3, same promise": least, "boiloff, into the database": ours}
    for title, form in (("plain numbers", plain), ("JSON with a time of its own", table)):
        best, busy = dict.fromkeys(sides, math.inf), dict.fromkeys(sides, math.inf)
        for _ in range(rounds):
            for name, side in sides.items():
                with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
                    broker = Mosquitto(Path(folder) / "mosquitto", extra="max_queued_messages 1000000")
                    broker.start()
                    try:
                        fill(broker, [f"t/{k}" for k in range(many)], count, form)
                        gc.collect()
                        took = side(broker, count, Path(folder), form, many)
                        best[name], busy[name] = min(best[name], took.wall_s), min(busy[name], took.busy_s)
                    finally:
                        broker.kill()
        print(f"\n{title}: {count:,} messages of {many:,} sensors, receive maximum {RECEIVE_MAXIMUM}, best of {rounds}")
        heads = ("messages/s", "of counting", "of paho+sqlite3", "CPU us/message", "of counting", "of paho+sqlite3")
        print(f"{'':32}" + "".join(f"{head:>16}" for head in heads))
        bare, small = list(sides)[:2]
        for name in sides:
            cells = (f"{count / best[name]:,.0f}", f"{best[bare] / best[name]:.2f}", f"{best[small] / best[name]:.2f}",
                     f"{busy[name] / count * 1e6:.0f}", f"{busy[bare] / busy[name]:.2f}",
                     f"{busy[small] / busy[name]:.2f}")  # fmt: skip
            print(f"{name:32}" + "".join(f"{cell:>16}" for cell in cells))


def main() -> None:
    """Read the options and run."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--messages", type=int, default=30_000)
    options.add_argument("--sensors", type=int, default=1000)
    options.add_argument("--rounds", type=int, default=3)
    told = options.parse_args()
    run(told.messages, told.sensors, told.rounds)


if __name__ == "__main__":
    main()
