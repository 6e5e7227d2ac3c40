"""The web server: no signal handlers, few connections, and none that stays without asking anything."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from monitor.web.app import create
from monitor.web.view import Context

MOST_OPEN = 100  # connections; beyond, the one that has waited longest for its client is let go
HEAD_S = 15.0  # for the head of a request to arrive


class Patient(H11Protocol):
    """A connection that is closed when its request does not come, and when others need its place."""

    _timer: asyncio.TimerHandle | None = None
    since = 0.0

    def connection_made(self, transport: Any) -> None:
        """Make room where there is none, and set the timer."""
        others = [c for c in self.connections if isinstance(c, Patient)]
        super().connection_made(transport)
        self.since = self.loop.time()
        if len(others) >= MOST_OPEN:
            waiting = [c for c in others if c.waits]
            (min(waiting, key=lambda c: c.since) if waiting else self).drop()
        self._timer = self.loop.call_later(HEAD_S, self._late)

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop the timer."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came; a head that has begun must end in time."""
        if self._timer is None:
            self._timer = self.loop.call_later(HEAD_S, self._late)
        super().data_received(data)

    @property
    def waits(self) -> bool:
        """Whether it is the client's turn: to ask, or to send the rest of a body."""
        return self.cycle is None or self.cycle.response_complete or self.cycle.more_body

    def drop(self) -> None:
        """Close at once."""
        self.transport.abort()
        self.connections.discard(self)

    def _late(self) -> None:
        self._timer = None
        asked = self.cycle is not None and not self.conn.trailing_data[0]
        if self.waits and not asked and not self.transport.is_closing():
            self.drop()


class Server(uvicorn.Server):
    """Leaves signals to the service."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield


def make(context: Context) -> Server:
    """Return the server for an application made from `context`."""
    config = uvicorn.Config(
        create(context), http=Patient, ws="none", lifespan="off", loop="none", log_config=None, access_log=False,
        log_level="warning", server_header=False, proxy_headers=False, timeout_keep_alive=15,
        h11_max_incomplete_event_size=16_384, timeout_graceful_shutdown=1,
    )  # fmt: skip
    return Server(config)


__all__ = ["Context", "Server", "make"]
