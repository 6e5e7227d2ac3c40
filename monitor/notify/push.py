"""Push and chat through apprise, with what the server really answered."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote

from monitor.model.alert import Notice
from monitor.notify.observe import Seen, watching
from monitor.notify.outcome import DELIVERED, Outcome
from monitor.notify.secrets import redact

SAFE = "/@#:~,"  # a header holds no letters beyond Latin-1
LATER = {408, 425, 429}
TOO_LARGE = 413
_TYPES = {"Extreme": "failure", "Severe": "failure", "Moderate": "warning", "Minor": "info"}


@dataclass(slots=True)
class Push:
    """One apprise URL."""

    channel: str
    url: str
    plugin: Any

    def send(self, notice: Notice, now: datetime) -> Outcome:  # noqa: ARG002  one signature for every way out
        """Hand the notice over; never raises for what a server or network does."""
        outcome, status = self._try(notice, f"{notice.body}\n\n{notice.id}")
        if status == TOO_LARGE:  # better the fact alone than nothing
            outcome, _ = self._try(notice, notice.id)
        return outcome

    def _try(self, notice: Notice, body: str) -> tuple[Outcome, int | None]:
        headers = getattr(self.plugin, "headers", None)
        if isinstance(headers, dict):
            headers["Idempotency-Key"] = quote(notice.id, safe=SAFE)
        said = _Said()
        log = logging.getLogger("apprise")
        log.addHandler(said)
        try:
            with watching() as seen:
                fine = self.plugin.notify(
                    body=body, title=notice.headline, notify_type=_kind(notice), body_format="text"
                )
        except Exception as error:  # noqa: BLE001  a plugin's fault must not end the channel
            return Outcome(redact(f"the plugin failed: {type(error).__name__}: {error}", self.url)), None
        finally:
            log.removeHandler(said)
        if fine:
            return DELIVERED, None
        return self._failed(seen, said)

    def _failed(self, seen: Seen, said: _Said) -> tuple[Outcome, int | None]:
        bad = [(code, wait) for code, wait in seen.answers if not 200 <= code < 300]
        if bad:
            code, wait = bad[-1]
            permanent = 300 <= code < 500 and code not in LATER
            return Outcome(_status(code), permanent, wait), code
        if seen.errors:
            return Outcome(seen.errors[-1], unsure=seen.unsure), None
        words = said.lines[-1] if said.lines else "the service did not take it, and gave no reason"
        return Outcome(redact(words, self.url)), None


def _kind(notice: Notice) -> Any:
    from apprise import NotifyType

    return NotifyType("success" if notice.what == "ended" else _TYPES[notice.severity])


def _status(code: int) -> str:
    from http import HTTPStatus

    try:
        phrase = HTTPStatus(code).phrase
    except ValueError:
        phrase = ""
    hint = {401: ": wrong user, password or token", 403: ": not allowed", 404: ": no such address or topic"}.get(
        code, ""
    )
    return f"the server answers {code} {phrase}".strip() + hint


class _Said(logging.Handler):
    """Keeps apprise's own warnings of one attempt, made by this thread."""

    def __init__(self) -> None:
        import threading

        super().__init__(logging.WARNING)
        self.lines: list[str] = []
        self._thread = threading.get_ident()

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread:
            self.lines.append(record.getMessage())
