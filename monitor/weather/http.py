"""One GET, done safely: a total deadline kept by a timer, a size cap, redirects only within the same host.

The timer shuts the socket down, so that an answer that drips a byte a second (in its headers too) ends on time.
Nothing but what the caller passes leaves the house: no cookies, no credentials from a netrc file.
"""

from __future__ import annotations

import contextlib
import email.utils
import json
import socket
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urljoin, urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from monitor.weather.errors import WeatherError

MAX_BYTES = 8 * 1024 * 1024  # the largest honest answer (a raw grid) is under 2 MB
CONNECT_S = 10.0
MAX_REDIRECTS = 4
_REDIRECTS = frozenset({301, 302, 303, 307, 308})


class Timer:
    """Shuts down the sockets made under it when `seconds` are over. A context manager; `over` tells that it did."""

    current = threading.local()

    def __init__(self, seconds: float) -> None:
        self.over = False
        self.ends = time.monotonic() + seconds
        self._sockets: list[socket.socket] = []
        self._lock = threading.Lock()
        self._timer = threading.Timer(seconds, self._end)
        self._timer.daemon = True

    def watch(self, sock: socket.socket) -> None:
        """Take charge of one more socket."""
        with self._lock:
            self._sockets.append(sock)
        if self.over:
            self._end()

    def left_s(self) -> float:
        """Return seconds left, at least a little, so that it can serve as a time-out."""
        return max(0.05, self.ends - time.monotonic())

    def _end(self) -> None:
        self.over = True
        with self._lock:
            for sock in self._sockets:
                with contextlib.suppress(OSError):
                    # The plain socket's own: that of a TLS socket would pull the rug from under the reading thread.
                    socket.socket.shutdown(sock, socket.SHUT_RDWR)

    def __enter__(self) -> Timer:
        Timer.current.timer = self
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()
        Timer.current.timer = None


def _watch(sock: Any) -> None:
    timer: Timer | None = getattr(Timer.current, "timer", None)
    if timer is not None and sock is not None:
        timer.watch(sock)


class _Plain(HTTPConnection):
    def connect(self) -> None:
        super().connect()
        _watch(self.sock)


class _Secure(HTTPSConnection):
    def connect(self) -> None:
        super().connect()
        _watch(self.sock)


class _PlainPool(HTTPConnectionPool):
    ConnectionCls = _Plain


class _SecurePool(HTTPSConnectionPool):
    ConnectionCls = _Secure


class _Adapter(HTTPAdapter):
    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs)
        self.poolmanager.pool_classes_by_scheme = {"http": _PlainPool, "https": _SecurePool}

    def proxy_manager_for(self, *args: Any, **kwargs: Any) -> Any:
        manager = super().proxy_manager_for(*args, **kwargs)
        manager.pool_classes_by_scheme = {"http": _PlainPool, "https": _SecurePool}
        return manager


@dataclass(frozen=True)
class Answer:
    """What a server said. Header names are lower case."""

    status: int
    body: bytes
    headers: Mapping[str, str] = field(default_factory=dict)
    url: str = ""

    def json(self, who: str) -> Any:
        """Return the body as JSON; raises WeatherError("temporary") for anything else (HTML, cut off, empty)."""
        if not self.body.strip():
            raise WeatherError("temporary", f"{who} answered with nothing")
        if self.body.lstrip()[:1] == b"<":
            raise WeatherError("temporary", f"{who} answered with a web page, not data (a log-in page of the network?)")
        try:
            return json.loads(self.body)
        except (ValueError, RecursionError) as error:  # also text appended by the server on an error while writing
            raise WeatherError("temporary", f"{who} answered with broken JSON ({error})") from error

    def date(self, name: str) -> datetime | None:
        """Return an HTTP date header as UTC, None where absent or not a date."""
        return parse_date(self.headers.get(name, ""))

    def retry_after_s(self, now: datetime) -> float | None:
        """Return the wait a Retry-After header asks for (s), None where there is none."""
        text = self.headers.get("retry-after", "").strip()
        if text.isascii() and text.isdigit():  # a superscript two is a digit too, and no number
            return min(float(text), 86_400.0)
        when = parse_date(text)
        return None if when is None else min(max(0.0, (when - now).total_seconds()), 86_400.0)


def parse_date(text: str) -> datetime | None:
    """Return an HTTP date (RFC 9110) as UTC, None where it is none."""
    try:
        when = email.utils.parsedate_to_datetime(text)
        return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
    except (TypeError, ValueError, OverflowError):
        return None


def _same_place(before: str, after: str) -> bool:
    a, b = urlsplit(before), urlsplit(after)
    if a.hostname != b.hostname:
        return False
    return (a.scheme, a.port) == (b.scheme, b.port) or (a.scheme, a.port, b.scheme, b.port) == (
        "http",
        None,
        "https",
        None,
    )


def _read(response: requests.Response, who: str, max_bytes: int) -> bytes:
    length = response.headers.get("Content-Length", "")
    if length.isdigit() and int(length) > max_bytes:
        raise WeatherError("temporary", f"{who} answered with {int(length):,} bytes, more than any forecast")
    parts, size = [], 0
    for part in response.iter_content(64 * 1024):
        size += len(part)
        if size > max_bytes:
            raise WeatherError(
                "temporary", f"{who} answered with more than {max_bytes:,} bytes, more than any forecast"
            )
        parts.append(part)
    return b"".join(parts)


def get(
    url: str,
    *,
    who: str,
    agent: str,
    deadline_s: float,
    params: Mapping[str, str] | None = None,
    headers: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
) -> Answer:
    """GET `url` within `deadline_s` real seconds in all; any status below 600 is an answer.

    Raises WeatherError: "temporary" when the server cannot be reached, breaks off, is too slow or too long-winded,
    "permanent" when it sends us to another host.
    """
    sent = {"User-Agent": agent, "Accept-Encoding": "gzip, deflate", **(headers or {})}
    with requests.Session() as session, Timer(deadline_s) as timer:
        session.auth = lambda request: request  # keeps requests from sending what a netrc file holds
        session.mount("http://", _Adapter())
        session.mount("https://", _Adapter())
        try:
            for _ in range(MAX_REDIRECTS):
                with session.get(
                    url,
                    params=params,
                    headers=sent,
                    timeout=(min(CONNECT_S, timer.left_s()), timer.left_s()),
                    allow_redirects=False,
                    stream=True,
                ) as response:
                    if response.status_code not in _REDIRECTS or "Location" not in response.headers:
                        body = _read(response, who, max_bytes)
                        found = {k.lower(): v for k, v in response.headers.items()}
                        if timer.over:
                            raise WeatherError("temporary", f"{who} took longer than {deadline_s:.0f} s to answer")
                        return Answer(response.status_code, body, found, response.url)
                    target = urljoin(response.url, response.headers["Location"])
                if not _same_place(url, target):
                    elsewhere = urlsplit(target).hostname or target
                    raise WeatherError("permanent", f"{who} sends us to another place ({elsewhere}): refused")
                url, params = target, None
        except (requests.RequestException, OSError, ValueError) as error:
            if timer.over:
                raise WeatherError("temporary", f"{who} took longer than {deadline_s:.0f} s to answer") from error
            raise WeatherError("temporary", f"{who}: {_plain(error)}") from error
    raise WeatherError("temporary", f"{who} keeps sending us from one address to the next")


def _plain(error: Exception) -> str:
    """What went wrong on the line, in a few words without the address asked for (it holds the place)."""
    name = type(error).__name__
    if isinstance(error, requests.exceptions.SSLError):
        return "its certificate is not trusted"
    if isinstance(error, requests.exceptions.ConnectTimeout | requests.exceptions.ReadTimeout):
        return "no answer in time"
    if isinstance(error, requests.exceptions.ChunkedEncodingError | requests.exceptions.ContentDecodingError):
        return "the answer broke off"
    if isinstance(error, requests.exceptions.ConnectionError):
        text = str(error)
        if "refused" in text:
            return "nothing listens at its address"
        if "resolve" in text or "Name or service" in text:
            return "its name cannot be found (is the internet there?)"
        return "the connection broke off"
    return name
