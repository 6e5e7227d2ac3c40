"""Which messages are in hand, and when the broker may forget them: after every reading in them is durable.

A QoS 1 message that the broker sends again after a lost connection (DUP, same packet identifier, MQTT 5 section 4.4)
is known again here, so that it is neither stored twice nor acknowledged on behalf of another message.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

Ack = Callable[[int, int], None]  # (packet identifier, QoS)


@dataclass(slots=True)
class Receipt:
    """One message in hand. `open_parts` is how many things must become durable before it is acknowledged."""

    mid: int
    qos: int
    mark: int  # of topic and payload
    epoch: int
    open_parts: int = 1
    durable: bool = False


@dataclass(slots=True)
class Receipts:
    """Keeps the receipts of one client. Thread-safe; `ack` is called outside the lock."""

    ack: Ack
    keep: int = 4096
    epoch: int = 0
    connected: bool = False
    _by_mid: OrderedDict[int, Receipt] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def connect(self, *, session_present: bool) -> None:
        """Begin a new connection. Without the old session the broker uses its packet identifiers anew."""
        with self._lock:
            self.epoch += 1
            self.connected = True
            if not session_present:
                self._by_mid.clear()

    def disconnect(self) -> None:
        """End the connection: what becomes durable now is acknowledged when the broker sends it again."""
        with self._lock:
            self.connected = False

    def take(self, mid: int, qos: int, mark: int, *, dup: bool) -> Receipt | None:
        """Return the receipt of a message, None where it is in hand already (and acknowledge it, where durable)."""
        with self._lock:
            known = self._by_mid.get(mid) if qos else None
            if dup and known is not None and known.mark == mark:
                known.epoch = self.epoch
                again = known.durable
            else:
                known, again = None, False
                receipt = Receipt(mid, qos, mark, self.epoch)
                if qos:
                    self._by_mid[mid] = receipt
                    self._by_mid.move_to_end(mid)
                    while len(self._by_mid) > self.keep:
                        self._by_mid.popitem(last=False)
        if known is None:
            return receipt
        if again:
            self.ack(mid, qos)
        return None

    def more(self, receipt: Receipt, parts: int) -> None:
        """Say that `parts` more things of this message must become durable."""
        with self._lock:
            receipt.open_parts += parts

    def done(self, receipt: Receipt) -> None:
        """Say that one thing of this message is durable, or needs not to be; the last one acknowledges it."""
        with self._lock:
            receipt.open_parts -= 1
            if receipt.open_parts > 0 or receipt.durable:
                return
            receipt.durable = True
            now = bool(receipt.qos) and self.connected and receipt.epoch == self.epoch
        if now:
            self.ack(receipt.mid, receipt.qos)

    @property
    def in_hand(self) -> int:
        """Number of messages that are not durable yet."""
        with self._lock:
            return sum(not r.durable for r in self._by_mid.values())
