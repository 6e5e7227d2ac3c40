"""The outbox at work: one daemon thread for each channel, so that one that hangs delays no other."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from random import Random

from monitor.model.health import SourceHealth
from monitor.model.site import Channel, Site
from monitor.notify.channels import LOG
from monitor.notify.lane import Clock, Lane
from monitor.notify.ports import Writer

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
        self._lanes = [Lane(site, c, writer, clock, on_health, deadline_s=deadline_s, chance=chosen) for c in every]
        self._clock = clock
        self._stop = threading.Event()
        self._wake = {lane.channel.name: threading.Event() for lane in self._lanes}
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin to deliver; returns at once."""
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
