"""What the other side really answered while apprise sent something: apprise itself says only whether it worked.

apprise's HTTP plugins go through requests. `Session.send` is wrapped once; the wrapper only looks, and only at calls
made inside `watching()`, so that nobody else's traffic is touched.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from functools import wraps
from typing import Any

_lock = threading.Lock()


@dataclass(slots=True)
class Seen:
    """Answers (status, Retry-After in s) and errors in order of arrival."""

    answers: list[tuple[int, float | None]] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    unsure: bool = False


_seen: ContextVar[Seen | None] = ContextVar("seen", default=None)


@contextmanager
def watching() -> Iterator[Seen]:
    """Collect what HTTP servers answer to calls made in this block by this thread."""
    _install()
    seen = Seen()
    token = _seen.set(seen)
    try:
        yield seen
    finally:
        _seen.reset(token)


def _install() -> None:
    from requests import Session

    with _lock:
        if getattr(Session.send, "_boiloff", False):
            return
        original = Session.send

        @wraps(original)
        def send(self: Session, request: Any, **kwargs: Any) -> Any:
            seen = _seen.get()
            try:
                response = original(self, request, **kwargs)
            except Exception as error:
                if seen is not None:
                    seen.errors.append(describe(error))
                    seen.unsure = seen.unsure or _may_have_arrived(error)
                raise
            if seen is not None:
                seen.answers.append((response.status_code, retry_after_s(response.headers.get("Retry-After"))))
            return response

        send._boiloff = True  # type: ignore[attr-defined]  # noqa: SLF001
        Session.send = send  # type: ignore[method-assign]


def describe(error: Exception) -> str:
    """Return a failed call in words of our own: the library's text holds the whole URL, tokens and all."""
    import requests

    names: tuple[tuple[type[Exception], str], ...] = (
        (requests.exceptions.SSLError, "the server's certificate or TLS is not accepted"),
        (requests.exceptions.ConnectTimeout, "no connection within the time allowed"),
        (requests.exceptions.ReadTimeout, "no answer within the time allowed"),
        (requests.exceptions.TooManyRedirects, "redirected in circles"),
        (requests.exceptions.ConnectionError, _connection(error)),
        (requests.exceptions.RequestException, "the request cannot be made"),
    )
    return next((text for kind, text in names if isinstance(error, kind)), type(error).__name__)


def _connection(error: Exception) -> str:
    text = str(error)
    if "refused" in text:
        return "the server refuses the connection"
    if "resol" in text or "Name or service" in text or "getaddrinfo" in text:
        return "the server's name cannot be resolved"
    if "unreachable" in text:
        return "the network is unreachable"
    return "the server cut the connection"


def _may_have_arrived(error: Exception) -> bool:
    import requests

    if isinstance(error, requests.exceptions.ReadTimeout):
        return True
    return isinstance(error, requests.exceptions.ConnectionError) and "cut" in describe(error)


def retry_after_s(value: str | None, now: datetime | None = None) -> float | None:
    """Return a Retry-After header (RFC 9110: seconds, or a date) in seconds; None where there is none to be read."""
    if not value:
        return None
    text = value.strip()
    if text.isascii() and text.isdigit():
        return float(text)
    try:
        when = parsedate_to_datetime(text)
    except ValueError:
        return None
    when = when if when.tzinfo else when.replace(tzinfo=UTC)
    return max(0.0, (when - (now or datetime.now(UTC))).total_seconds())
