"""Our outlook on the broker under the Homie 5 convention, so that any controller that speaks it can show it.

A connection of its own, because the last will belongs to the device. Everything is retained, with the quality of
service that the convention recommends; only what changed is sent.
"""

from __future__ import annotations

import contextlib
import json
import logging
import threading
from collections.abc import Callable, Mapping
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.model.alert import Judgement
from monitor.model.health import SourceHealth
from monitor.model.outlook import Outlook
from monitor.model.site import Broker, Site
from monitor.notify import homie_form
from monitor.sensors.condition import Clock, Condition
from monitor.sensors.connect import configure, why_not

log = logging.getLogger(__name__)

QOS = 2
NAME = "outlook on the broker"


class HomiePublisher:
    """One Homie device: the site. `show` may be called from any thread, also before `start` and while offline."""

    def __init__(
        self,
        site: Site,
        on_health: Callable[[SourceHealth], None],
        clock: Clock,
        *,
        domain: str = "homie",
        will_delay_s: int = 30,
        reconnect_s: tuple[float, float] = (1.0, 60.0),
    ) -> None:
        self.site = site
        self.broker = site.broker or Broker()
        self._clock = clock
        self.device = homie_form.slug(self.broker.client_id)
        self.root = f"{domain}/5/{self.device}"
        self._will_delay_s = will_delay_s
        self._reconnect_s = reconnect_s
        self._condition = Condition(NAME, "broker", clock, on_health)
        self._lock = threading.Lock()
        self._said: dict[str, str] = {}
        self._alerts: dict[str, str] = {}
        self._standing: dict[str, str] = {}  # headlines by key, of the thread that judges
        self._up = False
        self._stopping = False
        self._client: mqtt.Client | None = None

    def start(self) -> None:
        """Begin; returns at once and raises nothing. A broker that is down is tried again for ever."""
        try:
            client = self._make_client()
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            client.connect_async(self.broker.host, self.broker.port, keepalive=30, properties=properties)
        except (OSError, ValueError) as error:
            self._condition.fails(f"cannot be set up: {error}", permanent=True)
            return
        self._client = client
        client.loop_start()

    def stop(self) -> None:
        """Say that we go, and end within a second."""
        client = self._client
        if client is None:
            return
        with self._lock:
            self._stopping = True
            up = self._up
        with contextlib.suppress(Exception):
            if up:
                client.publish(f"{self.root}/$state", "disconnected", QOS, retain=True).wait_for_publish(0.4)
            client.disconnect()
        ending = threading.Thread(target=client.loop_stop, name="homie-end", daemon=True)
        ending.start()
        ending.join(0.4)

    def show(self, outlook: Outlook, alerts: Mapping[str, str] | None = None) -> None:
        """Publish what changed. `alerts` are the headlines of those that stand, by key; one that is left out ended."""
        said = homie_form.values(outlook, self.site, self._clock.now())
        standing = {homie_form.slug(key): text for key, text in (alerts or {}).items() if text}
        with self._lock:
            changed = {k: v for k, v in said.items() if self._said.get(k, "") != v}
            ended = self._alerts.keys() - standing.keys()
            raised = {k: v for k, v in standing.items() if self._alerts.get(k) != v}
            self._said.update(said)
            self._alerts = standing
            if not self._up:
                return
            for key, value in changed.items():
                self._send(key, value)
            for key in ended:
                self._send(f"$alert/{key}", "")
            for key, text in raised.items():
                self._send(f"$alert/{key}", text)

    def judged(self, outlook: Outlook, judgement: Judgement) -> None:
        """Publish an outlook and the alerts that a round of judging changed."""
        headlines = {n.key: n.headline for n in judgement.notices if n.what in {"raised", "updated"}}
        for state in judgement.states:
            if state.state in {"unacknowledged", "acknowledged"}:
                plain = f"{state.kind} {state.subject}"
                self._standing[state.key] = headlines.get(state.key) or self._standing.get(state.key) or plain
            else:
                self._standing.pop(state.key, None)
        self.show(outlook, self._standing)

    def _send(self, key: str, value: str) -> None:
        """Publish retained; an empty value takes the retained one away."""
        if self._client is not None:
            self._client.publish(f"{self.root}/{key}", value.encode(), QOS, retain=True)

    def _make_client(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{self.broker.client_id}-outlook",
            protocol=MQTTProtocolVersion.MQTTv5,
        )
        will = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
        will.WillDelayInterval = self._will_delay_s
        client.will_set(f"{self.root}/$state", "lost", QOS, retain=True, properties=will)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.suppress_exceptions = True
        client.connect_timeout = 5.0
        client.max_queued_messages_set(1000)
        client.reconnect_delay_set(*self._reconnect_s)  # type: ignore[arg-type]  # parts of a second work as well
        configure(client, self.broker)
        return client

    def _on_connect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Properties | None
    ) -> None:
        if code.is_failure:
            self._condition.fails(why_not(code, self.broker))
            return
        with self._lock:
            if self._stopping:
                return
            self._send("$state", "init")  # the description may change in this state
            self._send("$description", json.dumps(homie_form.description(self.site), ensure_ascii=False))
            for key, value in self._said.items():
                self._send(key, value)
            for key, text in self._alerts.items():
                self._send(f"$alert/{key}", text)
            self._send("$state", "ready")
            self._up = True
        self._condition.works()

    def _on_connect_fail(self, _client: mqtt.Client, _data: Any) -> None:
        self._condition.fails(f"no connection to {self.broker.host}:{self.broker.port}")

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Properties | None
    ) -> None:
        with self._lock:
            self._up = False
            stopping = self._stopping
        if not stopping and not self._condition.error:
            self._condition.fails(why_not(code, self.broker))
