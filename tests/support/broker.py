"""A mosquitto of the test's own: free loopback port, password file, its state in the test's folder."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.model import site

USER, PASSWORD = "tester", "not a secret"
_LOGGED = "".join(f"log_type {kind}\n" for kind in ("error", "warning", "notice", "information", "subscribe"))


def free_port() -> int:
    """Return a loopback port that is free now, and that nothing else here will take.

    Not one that the kernel would choose: a connection going out (of another test, or of the one that waits for this
    very server) may be given it before the server has it, or while the server restarts. So it is below those, counted
    up in a part of the range that is this worker's own.
    """
    first, most = 10_000, min(32_000, _lowest_given())
    workers = max(1, int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")))
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    share = max(0, most - first) // workers
    for _ in range(share):
        port = first + worker * share + (os.getpid() * 97 + next(_ports)) % share
        if _bound(port):
            return port
    return _bound(0)  # where the kernel gives from everything, there is no better


_ports = itertools.count()


def _bound(port: int) -> int:
    """Return the port that was bound for a moment, 0 where it is taken."""
    with socket.socket() as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return 0
        return int(probe.getsockname()[1])


def _lowest_given() -> int:
    """Return the lowest port that the kernel gives by itself."""
    try:
        return int(Path("/proc/sys/net/ipv4/ip_local_port_range").read_text().split()[0])
    except OSError:
        return 32_768


def tool(name: str) -> str:
    """Return the path of a program of Debian's packages; skip where it is not there, with how to get it."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/bin:/sbin:/bin")
    if found is None:
        pytest.skip(f"{name} is not installed: apt-get install -y mosquitto")
    return found


class Mosquitto:
    """One broker. It is not running until `start`; `kill` is SIGKILL, `stop` lets it save its state."""

    def __init__(self, folder: Path, *, extra: str = "") -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.password_file = folder / "password"
        self.password_file.write_text(PASSWORD + "\n")
        self.password_file.chmod(0o600)
        users = folder / "users"
        subprocess.run(
            [tool("mosquitto_passwd"), "-b", "-c", str(users), USER, PASSWORD], check=True, capture_output=True
        )
        users.chmod(0o600)
        self.conf = folder / "mosquitto.conf"
        self.conf.write_text(
            f"user root\nlistener {self.port} 127.0.0.1\nallow_anonymous false\npassword_file {users}\n"
            f"persistence true\npersistence_location {folder}/\n"
            f"max_queued_messages 100000\nlog_dest file {folder}/mosquitto.log\n{_LOGGED}{extra}\n"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start the broker and wait until it listens."""
        with (self.folder / "mosquitto.err").open("ab") as errors:
            self._process = subprocess.Popen([tool("mosquitto"), "-c", str(self.conf)], stderr=errors)
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return
            except OSError:
                if self._process.poll() is not None:
                    break
                time.sleep(0.01)
        raise RuntimeError(f"mosquitto does not listen: {(self.folder / 'mosquitto.err').read_text()}")

    def kill(self) -> None:
        """End the broker without warning."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End the broker in order."""
        self._end(signal.SIGTERM)

    def save(self) -> None:
        """Let the broker write its sessions and queues down, so that a kill loses nothing that it promised to keep."""
        assert self._process is not None
        file = self.folder / "mosquitto.db"
        before = file.stat().st_mtime_ns if file.exists() else 0
        self._process.send_signal(signal.SIGUSR1)
        wait_for(lambda: file.exists() and file.stat().st_mtime_ns != before)

    def pause(self, *, on: bool) -> None:
        """Freeze the broker, or let it go on: connections stay open and nothing answers."""
        if self._process is not None:
            self._process.send_signal(signal.SIGSTOP if on else signal.SIGCONT)

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)
            if number == signal.SIGTERM:
                self._process.send_signal(signal.SIGCONT)
            self._process.wait(30)
            self._process = None

    def let_go(self, client_id: str = "boiloff-test") -> None:
        """Wait until the broker has worked off what a client sent before it disconnected."""
        log = self.folder / "mosquitto.log"
        end = f"Client {client_id} disconnected"
        wait_for(lambda: end in log.read_text().rpartition(f" as {client_id} ")[2])

    def subscribed(self, client_id: str, *topics: str) -> bool:
        """Whether a client has all these topics since it connected: what is published from now on reaches it."""
        log = self.folder / "mosquitto.log"
        _, connected, since = log.read_text().rpartition(f" as {client_id} ")
        have = {line.partition(f": {client_id} ")[2][2:] for line in since.splitlines()}  # "TIME: CLIENT QOS TOPIC"
        return bool(connected) and set(topics) <= have

    def described(self, client_id: str = "boiloff-test") -> site.Broker:
        """Return the [broker] table that a site file would have for it."""
        return site.Broker(
            "127.0.0.1", self.port, username=USER, password_file=str(self.password_file), client_id=client_id
        )

    def client(self, client_id: str = "") -> mqtt.Client:
        """Return a plain paho client, connected, its loop running in a thread. Use `close`."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5)
        client.username_pw_set(USER, PASSWORD)
        there = threading.Event()
        client.on_connect = lambda *_: there.set()
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        if not there.wait(30):
            raise RuntimeError("no connection to mosquitto")
        return client

    def publish(
        self, topic: str, payload: str | bytes, *, qos: int = 1, retain: bool = False, content: str = ""
    ) -> None:
        """Publish one message and wait until the broker has it."""
        client = self.client()
        try:
            send(client, topic, payload, qos=qos, retain=retain, content=content)
        finally:
            close(client)


def send(
    client: mqtt.Client, topic: str, payload: str | bytes, *, qos: int = 1, retain: bool = False, content: str = ""
) -> None:
    """Publish and wait until the broker has it."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    if content:
        properties.ContentType = content
    client.publish(topic, payload, qos, retain, properties).wait_for_publish(30)


def close(client: mqtt.Client) -> None:
    """Disconnect and end the loop; paho leaves its wake-up sockets to the garbage collector otherwise."""
    client.disconnect()
    client.loop_stop()


def wait_for(true: Callable[[], object], seconds: float = 30.0) -> None:
    """Wait until `true()` is; fail the test where it does not become so."""
    deadline = time.monotonic() + seconds
    while not true():
        if time.monotonic() > deadline:
            pytest.fail(f"waited {seconds} s in vain", pytrace=True)
        time.sleep(0.01)
