"""Readings over MQTT 5: paho's network thread only queues what it got; one thread of ours decodes it.

The session outlives us at the broker, so that QoS 1 readings queue while the service restarts; each is acknowledged
after it is durable. A broker that is down, goes away or refuses us is told as health, and tried again for ever.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import ssl
import threading
import time
import zlib
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.model.reading import Reading, SetAside
from monitor.model.site import Broker, SensorSpec, Site
from monitor.sensors import payload
from monitor.sensors.condition import Clock, Condition, OnHealth
from monitor.sensors.connect import configure, why_not
from monitor.sensors.gate import Gate, OnReading, OnSetAside
from monitor.sensors.receipts import Receipt, Receipts

log = logging.getLogger(__name__)

RECEIVE_MAXIMUM = 2000  # QoS 1 messages that the broker may send ahead of our acknowledgement
SESSION_S = 7 * 86_400  # how long the broker keeps our session
LARGEST_PACKET = 16 * 2**20  # more is not even sent to us
_HEAD = 1024  # bytes kept of a payload that is too large
_LOOK_S = 0.2  # real seconds between looks at what was held back and at the network thread
_AWAY_S = 60.0  # after a longer absence what comes first may have waited at the broker
_WAITED_S = 2.0
_WAITED_MOST_S = 60.0
_SHORT_S, _SHORT_TIMES = 10.0, 3  # connections that end so soon, so often in a row, are somebody's doing


@dataclass(frozen=True, slots=True)
class _Message:
    topic: str
    payload: bytes
    size: int
    fresh: bool
    content_type: str
    ids: frozenset[int]
    receipt: Receipt


class MqttSource:
    """The MQTT sensors of a site. `on_reading(reading, done)`: call `done` from any thread once it is durable."""

    def __init__(
        self,
        site: Site,
        on_reading: OnReading,
        on_set_aside: OnSetAside,
        on_health: OnHealth,
        clock: Clock,
        *,
        reconnect_s: tuple[float, float] = (1.0, 30.0),
        receive_maximum: int = RECEIVE_MAXIMUM,
        session_s: int = SESSION_S,
    ) -> None:
        self.site = site
        self.broker = site.broker or Broker()
        self.sensors = tuple(s for s in site.sensors if s.way == "mqtt")
        self.clock = clock
        self._receive_maximum = receive_maximum
        self._session_s = session_s
        self._reconnect_s = reconnect_s
        self._condition = Condition("broker", "broker", clock, on_health)
        self._of = {s.name: Condition(s.name, "sensor", clock, on_health, s.interval_s) for s in self.sensors}
        self._queue: queue.SimpleQueue[_Message | None] = queue.SimpleQueue()
        self._client: mqtt.Client | None = None
        self._receipts = Receipts(self._ack, keep=2 * receive_maximum)
        self._gate = Gate(clock, on_reading, on_set_aside, self._of)
        self._filters = {s.address: zlib.crc32(s.address.encode()) % 0x0FFFFFFF + 1 for s in self.sensors}
        self._qos: dict[str, int] = {}
        self._exact: dict[str, list[SensorSpec]] = {}
        for spec in self.sensors:
            self._qos[spec.address] = max(self._qos.get(spec.address, 0), _qos(spec))
            self._exact.setdefault(spec.address, []).append(spec)
        self._wild = [s for s in self.sensors if "+" in s.address or "#" in s.address]
        self._subscribing: dict[int, str] = {}
        self._routes: dict[tuple[str, frozenset[int]], tuple[SensorSpec, ...]] = {}
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._lost_at: float | None = None
        self._connected_at = self._waited_until = 0.0
        self._short = 0
        self.received = self.unmatched = self.overrun = 0

    # ---- life

    def start(self) -> None:
        """Begin; returns at once and raises nothing."""
        self._thread = threading.Thread(target=self._run, name="sensors-mqtt", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End within a second; what is not durable by then stays with the broker."""
        with self._lock:
            self._stopping.set()
        self._queue.put(None)
        if self._thread is not None:
            self._thread.join(0.4)
        client = self._client
        if client is None:
            return
        with contextlib.suppress(Exception):
            client.disconnect()
        ending = threading.Thread(target=client.loop_stop, name="sensors-mqtt-end", daemon=True)
        ending.start()
        ending.join(0.4)

    @property
    def in_hand(self) -> int:
        """Number of QoS 1 messages that were received and are not durable yet."""
        return self._receipts.in_hand

    @property
    def thinned(self) -> int:
        """Number of readings dropped because their sensor talks too much."""
        return self._gate.thinned

    @property
    def connected(self) -> bool:
        """Whether the broker has us."""
        return self._receipts.connected

    def _make_client(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.broker.client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            manual_ack=True,
        )
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.suppress_exceptions = True
        client.connect_timeout = 5.0
        client.reconnect_delay_set(*self._reconnect_s)  # type: ignore[arg-type]  # parts of a second work as well
        configure(client, self.broker)
        return client

    def _connect(self) -> bool:
        """Set the client up and let paho connect in its own thread; False where the configuration forbids it."""
        try:
            client = self._make_client()
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = self._session_s
            properties.ReceiveMaximum = self._receive_maximum
            properties.MaximumPacketSize = LARGEST_PACKET
            client.connect_async(
                self.broker.host, self.broker.port, keepalive=30, clean_start=False, properties=properties
            )
        except (OSError, ValueError, ssl.SSLError) as error:
            self._condition.fails(f"cannot be set up: {error}", permanent=True)
            return False
        self._client = client
        self._keep_going()
        return True

    def _keep_going(self) -> None:
        """Start paho's network thread where there is none: an error that paho does not expect ends it."""
        with self._lock:
            if self._client is not None and not self._stopping.is_set():
                self._client.loop_start()  # does nothing while the thread lives

    def _run(self) -> None:
        tried_s = -1e9
        looked_s = 0.0
        while not self._stopping.is_set():
            now_s = time.monotonic()
            if self._client is None and now_s - tried_s > 30.0:
                tried_s = now_s
                self._connect()
            try:
                message = self._queue.get(timeout=_LOOK_S)
            except queue.Empty:
                message = None
            if message is not None:
                self._handle(message)
            if now_s - looked_s >= _LOOK_S:
                looked_s = now_s
                self._gate.look()
                self._keep_going()
        self._gate.look(all_of_them=True)

    # ---- paho's network thread

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: Any,
        flags: mqtt.ConnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if code.is_failure:
            self._condition.fails(why_not(code, self.broker))
            return
        self._receipts.connect(session_present=flags.session_present)
        now_s = time.monotonic()
        away = self._lost_at is None or now_s - self._lost_at > _AWAY_S
        self._connected_at = now_s
        self._waited_until = now_s + _WAITED_S if flags.session_present and away else 0.0
        self._subscribing.clear()
        for topic, number in self._filters.items():
            properties = Properties(PacketTypes.SUBSCRIBE)  # type: ignore[no-untyped-call]
            properties.SubscriptionIdentifier = number
            # Retained messages only when the subscription is new: a reconnect must not replay old values as news.
            options = SubscribeOptions(qos=self._qos[topic], retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            _, mid = client.subscribe(topic, options=options, properties=properties)
            if mid is not None:
                self._subscribing[mid] = topic
        self._condition.works()

    def _on_connect_fail(self, _client: mqtt.Client, _data: Any) -> None:
        self._condition.fails(f"no connection to {self.broker.host}:{self.broker.port}")

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Properties | None
    ) -> None:
        self._receipts.disconnect()
        self._lost_at = time.monotonic()
        self._short = self._short + 1 if self._lost_at - self._connected_at < _SHORT_S else 0
        if not self._stopping.is_set() and not self._condition.error:
            again = f" soon, again and again: does another client use the id {self.broker.client_id}?"
            self._condition.fails(why_not(code, self.broker) + (again if self._short >= _SHORT_TIMES else ""))

    def _on_subscribe(
        self, _client: mqtt.Client, _data: Any, mid: int, codes: list[ReasonCode], _properties: Properties | None
    ) -> None:
        topic = self._subscribing.pop(mid, None)
        if topic is not None and any(code.is_failure for code in codes):
            for spec in self.sensors:
                if spec.address == topic:
                    self._of[spec.name].fails(f"the broker refuses the topic {topic}: {codes[0]}")

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.received += 1
        now_s = time.monotonic()
        if message.qos == 0 and self._queue.qsize() >= self._receive_maximum:
            self.overrun += 1
            return
        topic, data = message.topic, message.payload
        size = len(data)
        receipt = self._receipts.take(message.mid, message.qos, hash((topic, bytes(data))), dup=message.dup)
        if receipt is None:
            return
        waited = now_s < self._waited_until
        if waited:  # as long as they come without a pause, they come from the queue
            self._waited_until = min(now_s + 1.0, self._connected_at + _WAITED_MOST_S)
        properties = message.properties
        ids = getattr(properties, "SubscriptionIdentifier", ())
        self._queue.put(
            _Message(
                topic,
                bytes(data if size <= payload.LIMIT else data[:_HEAD]),
                size,
                not (message.retain or waited),
                str(getattr(properties, "ContentType", "")),
                frozenset(ids),
                receipt,
            )
        )

    def _ack(self, mid: int, qos: int) -> None:
        client = self._client
        if client is not None:
            with contextlib.suppress(Exception):
                client.ack(mid, qos)

    # ---- our thread

    def _handle(self, message: _Message) -> None:
        receipts, receipt = self._receipts, message.receipt
        try:
            specs = self._route(message)
            if not specs:
                self.unmatched += 1
            for spec in specs:
                self._one(spec, message)
        except Exception:  # a fault of ours must not end the thread, and the message must not come for ever
            log.exception("message on %s", message.topic)
        receipts.done(receipt)

    def _one(self, spec: SensorSpec, message: _Message) -> None:
        receipts, receipt = self._receipts, message.receipt

        def done() -> None:
            receipts.done(receipt)

        def decode(received: datetime) -> list[Reading | SetAside]:
            return payload.readings(
                spec,
                self.site,
                message.payload,
                received,
                content_type=message.content_type,
                fresh=message.fresh,
                size=message.size,
            )

        receipts.more(receipt, 1)
        timed = bool(spec.time_pointer) or payload.format_of(spec, message.content_type) == "senml"
        self._gate.offer(spec, decode, done, timed=timed)

    def _route(self, message: _Message) -> tuple[SensorSpec, ...]:
        """Return the sensors that a message is for: by the filter's identifier where the broker gives one."""
        key = (message.topic, message.ids)
        found = self._routes.get(key)
        if found is None:
            wild = (s for s in self._wild if mqtt.topic_matches_sub(s.address, message.topic))
            those = (*self._exact.get(message.topic, ()), *wild)
            found = tuple(s for s in those if not message.ids or self._filters[s.address] in message.ids)
            if len(self._routes) < 10_000:
                self._routes[key] = found
        return found


def _qos(spec: SensorSpec) -> int:
    """Return 1 unless the site file says 0; with 2 the broker would have to be answered before the reading is safe."""
    return min(int(spec.options.get("qos", 1)), 1)
