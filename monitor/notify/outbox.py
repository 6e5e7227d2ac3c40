"""The outbox at work: one daemon thread for each channel, so that one that hangs delays no other."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from datetime import datetime
from random import Random

from monitor.model.health import SourceHealth
from monitor.model.site import Channel, Site
from monitor.notify.channels import LOG
from monitor.notify.lane import Clock, Lane, members
from monitor.notify.ports import Outbox, Writer

log = logging.getLogger(__name__)
DEADLINE_S = 60.0  # real seconds for one attempt in all
TROUBLE_S = 30.0


class Worker:
    """Delivers what the outbox holds. `wake` after new rows; without it they are found within 30 s.

    `on_health` hears of each channel that works or fails (kind "channel"; value 1 once it was given up).
    """

    def __init__(
        self,
        site: Site,
        writer: Writer,
        clock: Clock,
        on_health: Callable[[SourceHealth], None] = lambda _: None,
        *,
        deadline_s: float = DEADLINE_S,
        chance: Random | None = None,
    ) -> None:
        chosen = chance or Random()  # noqa: S311  jitter, no secret
        every = [Channel(LOG), *(c for c in site.channels if c.name != LOG)]
        self._stop = threading.Event()
        self._lanes = [
            Lane(site, c, writer, clock, on_health, deadline_s=deadline_s, chance=chosen, stop=self._stop)
            for c in every
        ]
        self._writer = writer
        self._clock = clock
        self._wake = {lane.channel.name: threading.Event() for lane in self._lanes}
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin to deliver; returns at once."""
        names, now = [lane.channel.name for lane in self._lanes], self._clock.now()
        self._writer.submit(lambda store: rehome(store, names, now)).add_done_callback(self._rehomed)
        for lane in self._lanes:
            name = f"channel {lane.channel.name}"
            thread = threading.Thread(target=self._run, args=(lane,), name=name, daemon=True)
            self._threads.append(thread)
            thread.start()

    def wake(self) -> None:
        """Look at the outbox now."""
        for event in self._wake.values():
            event.set()

    def stop(self, timeout_s: float = 0.5) -> None:
        """End; an attempt under way is left behind, and its row still waits for the next run."""
        self._stop.set()
        self.wake()
        for thread in self._threads:
            thread.join(timeout_s / max(1, len(self._threads)))

    def _rehomed(self, done: Future[int]) -> None:
        if done.cancelled() or done.exception() is not None:
            log.warning("what waits for channels that are gone could not be looked at; it is at the next start")
        elif done.result():
            log.warning("%d notices waited for channels that are no longer in the site file", done.result())
            self.wake()

    def alive(self) -> bool:
        """Return whether every channel's thread runs."""
        return bool(self._threads) and all(t.is_alive() for t in self._threads)

    def _run(self, lane: Lane) -> None:
        event = self._wake[lane.channel.name]
        while not self._stop.is_set():
            event.clear()
            try:
                pause = lane.turn()
            except Exception:
                if self._stop.is_set():
                    return
                log.exception("channel %s: the outbox cannot be read or written", lane.channel.name)
                pause = TROUBLE_S
            if not self._stop.is_set():
                self._clock.wait(event, pause)


def rehome(store: Outbox, names: Sequence[str], now: datetime) -> int:
    """Drop what waits for a channel not among `names`; what still stands goes to those instead. Return how many."""
    lost = [r for r in store.waiting() if r.channel not in names]
    states = store.alert_states() if lost else {}
    for row in lost:
        behind = [r.notice for r in members(store, row.notice.id)] if row.notice.what == "digest" else [row.notice]
        for notice in behind:
            state = states.get(notice.key)
            stands = bool(notice.occurrence) and state is not None and state.occurrence == notice.occurrence
            if stands and notice.what not in {"test", "digest"}:
                store.enqueue(notice, names, now, forced=row.forced)
        store.dropped(row.id, now, f"channel {row.channel} is no longer in the site file")
    return len(lost)
