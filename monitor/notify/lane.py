"""One channel's way through its waiting notices: decide, try, keep what came of it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from random import Random
from typing import Protocol, TypeVar

from monitor.model.alert import AlertState
from monitor.model.errors import BadInput
from monitor.model.health import SourceHealth
from monitor.model.site import Channel, Site
from monitor.notify import channels, retry
from monitor.notify.attempt import Attempts
from monitor.notify.decide import Drop, Gather, Hold, Rules, Send, Wait, decide
from monitor.notify.digest import digest
from monitor.notify.outcome import Outcome
from monitor.notify.ports import Outbox, Writer
from monitor.notify.row import MAYBE, OutboxRow

log = logging.getLogger(__name__)
T = TypeVar("T")

POLL_S = 30.0  # a command may have written meanwhile
WRITER_S = 60.0  # real seconds for the writer to take a turn
MOST_STEPS = 200  # in one turn, so that a fault cannot spin


class Clock(Protocol):
    """Time of day and waiting."""

    def now(self) -> datetime:
        """Return the time of day (UTC)."""

    def wait(self, event: threading.Event, seconds: float | None = None) -> bool:
        """Wait for `event` or for `seconds` of this clock."""


@dataclass(frozen=True, slots=True)
class _View:
    rows: Sequence[OutboxRow]
    members: Mapping[str, Sequence[OutboxRow]]
    states: Mapping[str, AlertState]


class Lane:
    """One channel. `turn` does what is due and returns the seconds until it should be called again."""

    def __init__(
        self,
        site: Site,
        channel: Channel,
        writer: Writer,
        clock: Clock,
        on_health: Callable[[SourceHealth], None],
        *,
        deadline_s: float,
        chance: Random,
        stop: threading.Event | None = None,
    ) -> None:
        self.channel = channel
        self._stop = stop or threading.Event()
        self._deadline = timedelta(seconds=deadline_s)
        self._own: set[int] = set()  # rows that this lane tried
        self._site = site
        self._writer = writer
        # a look must not make the writer commit readings that wait to be committed together
        self._peek: Callable[[Callable[[Outbox], _View]], Future[_View]] = getattr(writer, "peek", writer.submit)
        self._clock = clock
        self._on_health = on_health
        self._chance = chance
        self._rules = Rules.of(site, channel)
        self._attempts = Attempts(channel.name, deadline_s)
        self._way: channels.Way | None = None
        self._health: SourceHealth | None = None
        self._begun = False

    def turn(self) -> float:
        """Do what is due; return the seconds (of the clock) until the next turn."""
        if not self._begun:
            self._begun = True
            before = self._known()
            if before is not None and before.permanent:  # someone may have mended it: what still stands tries it out
                self._revive()
        for row_id, outcome in self._attempts.late():
            if outcome.ok:  # it went out after all: do not send it again
                self._delivered(row_id)
        for _ in range(MOST_STEPS):
            if self._stop.is_set():
                return POLL_S
            pause = self._step()
            if pause is not None:
                return min(POLL_S, pause)
        return 1.0

    def _step(self) -> float | None:
        """Do one thing; return how long to wait where there is nothing to do."""
        now = self._clock.now()
        view = self._peek(self._look).result(WRITER_S)
        theirs = [r for r in view.rows if self._under_way(r, now)]
        if theirs:
            view = replace(view, rows=[r for r in view.rows if r not in theirs])
        for row in view.rows:
            self._escalate_if_due(row, view, now)
        action = decide(view.rows, view.members, view.states, self._rules, now)
        match action:
            case Wait(until):
                ends = [r.tried_at + self._deadline for r in theirs if r.tried_at is not None]
                times = ends if until is None else [until, *ends]
                return max(0.0, (min(times) - now).total_seconds()) if times else POLL_S
            case Drop(ids, reason):
                self._store(lambda s: _each(ids, lambda i: s.dropped(i, now, reason)))
            case Hold(ids, until, reason):
                maybe = {r.id for r in view.rows if r.unsure}
                note = {i: reason + (MAYBE if i in maybe else "") for i in ids}
                self._store(lambda s: _each(ids, lambda i: s.postpone(i, until, note[i])))
            case Gather(ids, items, reason):
                notice = digest(items, self.channel.name, self._site, now, reason)
                self._store(lambda s: s.gather(ids, notice, self.channel.name, now))
            case Send(row):
                if self._attempts.blocked():
                    return 1.0
                self._send(row, view)
        return None

    def _under_way(self, row: OutboxRow, now: datetime) -> bool:
        """Whether a lane before this one (the site file was read anew) may still be about to deliver the row."""
        if row.id in self._own or row.tried_at is None:
            return False
        return timedelta(0) <= now - row.tried_at < self._deadline

    def _look(self, store: Outbox) -> _View:
        rows = store.waiting(self.channel.name)
        digests = [r.notice.id for r in rows if r.notice.what == "digest"]
        return _View(rows, {d: members(store, d) for d in digests}, store.alert_states() if rows else {})

    def _store(self, function: Callable[[Outbox], T]) -> T:
        return self._writer.submit(function).result(WRITER_S)

    def _send(self, row: OutboxRow, view: _View) -> None:
        if self._stop.is_set():
            return
        self._own.add(row.id)
        self._store(lambda s: s.attempt_started(row.id, self._clock.now()))
        outcome = self._attempts.run(row.id, lambda: self._hand_over(row))
        now = self._clock.now()
        if outcome.ok:
            self._delivered(row.id)
            return
        wait = timedelta(seconds=retry.wait_s(row.attempts, self._chance, outcome))
        retry_at = None if outcome.permanent else now + wait
        if self._health is None or self._health.error != outcome.error:
            log.warning("channel %s: %s", self.channel.name, outcome.error)
        error = outcome.error + (MAYBE if outcome.unsure else "")
        self._store(lambda s: s.failed(row.id, now, error, retry_at))
        self._fails(outcome, given_up=outcome.permanent)
        if outcome.permanent and not row.escalated:
            self._escalate(row, view, now)

    def _hand_over(self, row: OutboxRow) -> Outcome:
        if self._way is None:
            try:
                self._way = channels.open_way(self.channel)
            except BadInput as error:
                return Outcome(" ".join(str(error).split())[:300], permanent=True)
        return self._way.send(row.notice, self._clock.now())

    def _escalate_if_due(self, row: OutboxRow, view: _View, now: datetime) -> None:
        """Send another way what has been on this one for too long. Waiting for quiet hours to end is not failing."""
        if row.escalated or not row.error or row.attempts == 0:
            return
        behind = view.members.get(row.notice.id, ())
        deadlines = [r.notice.at + timedelta(seconds=retry.patience_s(r.notice)) for r in (row, *behind)]
        if now < min(row.deadline or deadlines[0], *deadlines):
            return
        self._escalate(row, view, now)
        self._fails(Outcome(row.error), given_up=True)

    def _escalate(self, row: OutboxRow, view: _View, now: datetime) -> None:
        others = fallbacks(self._site, self.channel.name)
        notices = [r.notice for r in view.members.get(row.notice.id, ())] or [row.notice]
        if row.notice.what == "test":
            notices = []

        def write(store: Outbox) -> None:
            for notice in notices:
                store.enqueue(notice, others, now, forced=True)
            store.escalated(row.id, now)

        self._store(write)

    def _delivered(self, row_id: int) -> None:
        self._store(lambda s: s.delivered(row_id, self._clock.now()))
        self._works()

    def _works(self) -> None:
        now = self._clock.now()
        before = self._known()
        since = before.since if before is not None and before.working else now
        self._put(SourceHealth(self.channel.name, "channel", since, ok_at=now))
        if before is not None and before.error:
            self._revive()

    def _revive(self) -> None:
        now = self._clock.now()
        self._store(lambda s: s.revive(self.channel.name, now, now - timedelta(seconds=retry.GIVE_UP_S)))

    def _fails(self, outcome: Outcome, *, given_up: bool) -> None:
        now = self._clock.now()
        before = self._known()
        since = before.since if before is not None and before.error else now
        given_up = given_up or (before is not None and bool(before.error) and bool(before.value))
        self._put(
            SourceHealth(
                self.channel.name, "channel", since, ok_at=before.ok_at if before is not None else None,
                failed_at=now, error=outcome.error, value=float(given_up), permanent=outcome.permanent,
            )
        )  # fmt: skip

    def _known(self) -> SourceHealth | None:
        if self._health is None:
            self._health = self._store(lambda s: s.health().get(self.channel.name))
        return self._health

    def _put(self, health: SourceHealth) -> None:
        self._health = health
        if self.channel.name != channels.LOG:
            self._on_health(health)


def _each(ids: Sequence[int], do: Callable[[int], None]) -> None:
    for row_id in ids:
        do(row_id)


def members(store: Outbox, digest_id: str) -> list[OutboxRow]:
    """Return the rows behind a digest, through digests that were gathered in their turn."""
    found: list[OutboxRow] = []
    for row in store.gathered(digest_id):
        found += members(store, row.notice.id) if row.notice.what == "digest" else [row]
    return found


def fallbacks(site: Site, name: str) -> tuple[str, ...]:
    """Return the channels that take over from `name`: those marked so, else all others but the log."""
    others = [c for c in site.channels if c.name not in {name, channels.LOG}]
    marked = tuple(c.name for c in others if c.options.get("fallback"))
    return marked or tuple(c.name for c in others)
