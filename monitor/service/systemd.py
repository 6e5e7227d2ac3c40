"""What systemd wants to hear from a service of type notify: ready, stopping, still alive, and a line of status.

The protocol (sd_notify) is one datagram of `NAME=value` lines to the socket named in $NOTIFY_SOCKET; without it, as on
any other machine, nothing is sent.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Iterator

AGAIN_S = 20.0  # real seconds between two requests for more time
MORE_S = 90.0  # asked for each time: a start that stands still for longer is ended as ever
LONGEST_S = 3600.0  # of one piece of work; what takes longer hangs


class Notifier:
    """Sends to the service manager, where there is one. Never raises."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")

    def tell(self, **fields: str) -> bool:
        """Send the fields; return whether anybody took them."""
        if not self._address:
            return False
        # a leading @ means Linux's abstract namespace, written as a zero byte
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        message = "\n".join(f"{name.upper()}={value}" for name, value in fields.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
                sock.settimeout(0.2)
                sock.connect(address)
                sock.sendall(message.encode())
        except OSError:
            return False
        return True

    def ready(self) -> None:
        """Say that the service is up."""
        self.tell(ready="1")

    def reloading(self) -> None:
        """Say that the site file is being read again; `ready` ends it."""
        self.tell(reloading="1", monotonic_usec=str(time.monotonic_ns() // 1000))

    def stopping(self) -> None:
        """Say that the end has begun."""
        self.tell(stopping="1")

    @contextlib.contextmanager
    def busy(self) -> Iterator[None]:
        """Ask for more time, and feed the watchdog, while a long piece of work at a start is under way."""
        over, until = threading.Event(), time.monotonic() + LONGEST_S

        def ask() -> None:
            while time.monotonic() < until and not over.wait(AGAIN_S):
                self.tell(extend_timeout_usec=str(int(MORE_S * 1e6)), watchdog="1")

        thread = threading.Thread(target=ask, name="busy", daemon=True)
        if self._address:
            thread.start()
        try:
            yield
        finally:
            over.set()
            if self._address:
                thread.join()

    def alive(self) -> None:
        """Feed the watchdog."""
        self.tell(watchdog="1")

    def status(self, line: str) -> None:
        """Set the line that `systemctl status` shows."""
        self.tell(status=line.replace("\n", " "))


def watchdog_s() -> float | None:
    """Return the watchdog's time-out where the service manager keeps one for this process."""
    pid = os.environ.get("WATCHDOG_PID")
    if pid is not None and pid != str(os.getpid()):
        return None
    try:
        return int(os.environ["WATCHDOG_USEC"]) / 1e6
    except (KeyError, ValueError):
        return None
