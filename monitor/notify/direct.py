"""Notices past the outbox, for what keeps the outbox itself from working: from memory alone, seldom, on every channel.

The outbox is in the store; where the store cannot be written nothing is kept there, and so nothing goes out of it. What
is told here is told once for each channel, tried again a few times where it did not get through, and forgotten with the
process.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Literal

from monitor.model.alert import Notice, Severity
from monitor.model.errors import BadInput
from monitor.model.site import Channel, Site
from monitor.notify import channels
from monitor.notify.attempt import Attempts
from monitor.notify.lane import Clock
from monitor.notify.outcome import Outcome

log = logging.getLogger(__name__)

DEADLINE_S = 60.0  # real seconds for one attempt
WAITS_S = (60.0, 300.0, 900.0)  # of the clock, between attempts; after the last it is given up
PARTLY_S = 3600.0  # real seconds after which what went out on some channels alone is another story


class Direct:
    """Sends each notice in a thread of its own for each channel. Never raises; safe from any thread."""

    def __init__(self, clock: Clock, *, deadline_s: float = DEADLINE_S, waits_s: Sequence[float] = WAITS_S) -> None:
        self._clock = clock
        self._deadline_s = deadline_s
        self._waits_s = tuple(waits_s)
        self._end = threading.Event()
        self._threads: list[threading.Thread] = []
        # Since when, and channels on which it went out, while others wait for memory.
        self._begun: dict[tuple[str, str], tuple[float, set[str]]] = {}

    def tell(
        self,
        site: Site,
        topic: str,
        what: Literal["raised", "ended"],
        said: tuple[str, str],
        severity: Severity = "Severe",
    ) -> bool:
        """Send headline and body on every channel of the site; returns at once.

        False where there is no memory for one: asked again, those that it went out on already are left out.
        """
        now = self._clock.now()
        notice = notice_of(topic, what, said, severity, now)
        self._threads = [t for t in self._threads if t.is_alive()]
        since, begun = self._begun.setdefault((topic, what), (time.monotonic(), set()))
        if time.monotonic() - since > PARTLY_S:
            self._begun[topic, what] = time.monotonic(), (begun := set())
        for channel in site.channels:
            if channel.name == channels.LOG or channel.name in begun:
                continue
            thread = threading.Thread(
                target=self._send, args=(channel, notice), name=f"direct {channel.name}", daemon=True
            )
            try:
                thread.start()
            except RuntimeError as error:  # no memory for its stack
                log.error("channel %s: %s", channel.name, error)
                return False
            begun.add(channel.name)
            self._threads.append(thread)
        self._begun = {k: v for k, v in self._begun.items() if k[0] != topic}
        log.warning("told past the outbox: %s", said[0])
        return True

    def wait(self, timeout_s: float) -> None:
        """Wait for what is under way, at most so long for each channel."""
        for thread in self._threads:
            thread.join(timeout_s)

    def stop(self) -> None:
        """Try no more."""
        self._end.set()

    def _send(self, channel: Channel, notice: Notice) -> None:
        try:
            way, attempts = channels.open_way(channel), Attempts(channel.name, self._deadline_s)
            for wait_s in (*self._waits_s, None):
                outcome = _attempt(attempts, lambda: way.send(notice, self._clock.now()))
                if outcome.ok or outcome.permanent or outcome.unsure or wait_s is None:
                    break
                self._clock.wait(self._end, wait_s)
                if self._end.is_set():
                    break
        except BadInput as error:
            log.error("channel %s: %s", channel.name, " ".join(str(error).split())[:300])
        except Exception:
            log.exception("channel %s: a notice past the outbox failed", channel.name)
        else:
            if outcome.error:
                log.error("channel %s: %s", channel.name, outcome.error)


def _attempt(attempts: Attempts, send: Callable[[], Outcome]) -> Outcome:
    """Try once; memory that is short ends neither this nor the attempts to come."""
    try:
        return attempts.run(0, send)
    except (RuntimeError, MemoryError) as error:
        return Outcome(f"failed: {type(error).__name__}")


def notice_of(
    topic: str, what: Literal["raised", "ended"], said: tuple[str, str], severity: Severity, now: datetime
) -> Notice:
    """Return a notice that no alert stands behind."""
    number = f"direct/{topic}@{now.isoformat(timespec='milliseconds')}#{1 if what == 'raised' else 2}"
    return Notice(
        number, f"direct/{topic}", "", now, what, severity, "Past" if what == "ended" else "Expected", "Observed",
        said[0], said[1], bypass=severity == "Extreme",
    )  # fmt: skip
