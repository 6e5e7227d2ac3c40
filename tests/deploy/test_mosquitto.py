"""The example broker configuration, in the real broker: TLS alone, and each user may only what it needs."""

from __future__ import annotations

import re
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.model.site import Broker
from monitor.sensors.connect import configure
from tests.deploy.support import DEPLOY
from tests.support.broker import close, free_port, send, tool, wait_for
from tests.support.certs import Authority

USERS = ("boiloff", "scale-a", "scale-b")


class Example:
    """A mosquitto with the files of deploy/mosquitto; only places and the port are others."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port()
        authority = Authority(folder)
        self.ca = authority.certificate
        server = authority.sign("server", server=True)
        assert server.certificate == folder / "server.pem"
        for n, user in enumerate(USERS):
            command = [
                tool("mosquitto_passwd"),
                "-b",
                *(["-c"] if n == 0 else []),
                folder / "users",
                user,
                f"pw-{user}",
            ]
            subprocess.run([str(c) for c in command], check=True, capture_output=True)
            (folder / f"{user}.password").write_text(f"pw-{user}\n")
            (folder / f"{user}.password").chmod(0o600)
        (folder / "acl").write_text((DEPLOY / "mosquitto/acl").read_text())
        for name in ("users", "acl"):
            (folder / name).chmod(0o600)
        text = (DEPLOY / "mosquitto/boiloff.conf").read_text()
        text = text.replace("/etc/mosquitto/boiloff/", f"{folder}/").replace("/var/lib/mosquitto/", f"{folder}/")
        assert text.count("listener 8883") == 1
        text = text.replace("listener 8883", f"listener {self.port} 127.0.0.1")
        (folder / "here.conf").write_text(f"user root\nlog_dest file {folder}/log\n{text}")
        self.process = subprocess.Popen([tool("mosquitto"), "-c", folder / "here.conf"])
        wait_for(lambda: self.process.poll() is None and "running" in self.log())

    def log(self) -> str:
        file = self.folder / "log"
        return file.read_text() if file.exists() else ""

    def client(self, user: str, password_of: str = "") -> mqtt.Client:
        """Return a client that boiloff's own code has given user, password and TLS."""
        file = self.folder / f"{password_of or user}.password"
        broker = Broker(
            "127.0.0.1",
            self.port,
            username=user,
            password_file=str(file),
            tls=True,
            ca_file=str(self.ca),
            client_id=user,
        )
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=user, protocol=MQTTProtocolVersion.MQTTv5)
        configure(client, broker)
        return client

    def connected(self, user: str) -> mqtt.Client:
        client, there = self.client(user), threading.Event()
        client.on_connect = lambda *_: there.set()
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        assert there.wait(10)
        return client


@pytest.fixture
def example(tmp_path: Path) -> Iterator[Example]:
    made = Example(tmp_path / "mosquitto")
    yield made
    made.process.kill()
    made.process.wait(10)


def test_each_sensor_writes_its_own_topic_and_boiloff_reads_all(example: Example) -> None:
    got: list[str] = []
    reader = example.connected("boiloff")
    subscribed = threading.Event()
    reader.on_message = lambda _c, _u, message: got.append(f"{message.topic}={message.payload.decode()}")
    reader.on_subscribe = lambda *_: subscribed.set()
    reader.subscribe("sensors/#", options=SubscribeOptions(qos=1))
    assert subscribed.wait(10)
    one, two = example.connected("scale-a"), example.connected("scale-b")
    spied: list[str] = []
    two.on_message = lambda _c, _u, message: spied.append(message.topic)
    two.subscribe("sensors/#", options=SubscribeOptions(qos=1))
    try:
        send(one, "sensors/scale-a/weight", "52.4 lb")
        send(two, "sensors/scale-a/weight", "1 lb")  # a lie about another's cylinder
        send(two, "boiloff/outlook", "all is well")
        send(two, "sensors/scale-b/weight", "40 lb")
        wait_for(lambda: len(got) >= 2)
        time.sleep(0.3)
    finally:
        for client in (reader, one, two):
            close(client)
    assert sorted(got) == ["sensors/scale-a/weight=52.4 lb", "sensors/scale-b/weight=40 lb"]
    assert spied == []


def test_no_password_no_entry(example: Example) -> None:
    codes: list[str] = []
    for client in (example.client("scale-a", password_of="scale-b"), example.client("stranger", password_of="scale-a")):
        client.on_connect = lambda _c, _u, _f, code, _p: codes.append(str(code))
        client.connect("127.0.0.1", example.port)
        client.loop_start()
        wait_for(lambda: codes)
        close(client)
        assert codes.pop() == "Not authorized"
        codes.clear()


def test_without_tls_nobody_is_heard(example: Example) -> None:
    plain = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="plain", protocol=MQTTProtocolVersion.MQTTv5)
    heard: list[object] = []
    plain.on_connect = lambda *_: heard.append(1)
    plain.username_pw_set("boiloff", "pw-boiloff")
    plain.connect("127.0.0.1", example.port)
    plain.loop_start()
    time.sleep(1)
    close(plain)
    assert heard == []
    context = ssl.create_default_context()  # without the household's own authority
    with pytest.raises(ssl.SSLCertVerificationError):
        with socket.create_connection(("127.0.0.1", example.port), 5) as raw:
            context.wrap_socket(raw, server_hostname="localhost")


def test_the_example_opens_one_listener() -> None:
    text = (DEPLOY / "mosquitto/boiloff.conf").read_text()
    assert re.findall(r"^listener (.*)$", text, re.MULTILINE) == ["8883"]
    assert "allow_anonymous false" in text
