"""One attempt at a time for each channel, in a thread of its own, with a total deadline."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from monitor.notify.outcome import Outcome

MOST_HUNG = 3
LEFT_BEHIND_S = 600.0  # after this a new attempt may be made beside one that still hangs


@dataclass(slots=True)
class Running:
    """An attempt under way. Times are real seconds."""

    row_id: int
    thread: threading.Thread
    started: float
    result: list[Outcome] = field(default_factory=list)


class Attempts:
    """The attempts of one channel. One that outlives its deadline is left behind, and heard when it comes back."""

    def __init__(self, name: str, deadline_s: float) -> None:
        self._name = name
        self._deadline_s = deadline_s
        self._hung: list[Running] = []

    def blocked(self) -> bool:
        """Return whether an attempt still hangs that a new one must wait for."""
        alive = [r for r in self._hung if r.thread.is_alive()]
        young = any(time.monotonic() - r.started < LEFT_BEHIND_S for r in alive)
        return young or len(alive) >= MOST_HUNG

    def late(self) -> list[tuple[int, Outcome]]:
        """Return what came of attempts that were left behind and have come back since."""
        back = [r for r in self._hung if not r.thread.is_alive()]
        self._hung = [r for r in self._hung if r.thread.is_alive()]
        return [(r.row_id, r.result[0]) for r in back if r.result]

    def run(self, row_id: int, send: Callable[[], Outcome]) -> Outcome:
        """Return what came of `send` within the deadline."""
        done = threading.Event()
        running = Running(row_id, threading.Thread(), time.monotonic())

        def go() -> None:
            try:
                outcome = send()
            except Exception as error:  # noqa: BLE001  whatever it is, the channel must live on
                outcome = Outcome(f"failed: {type(error).__name__}")
            running.result.append(outcome)
            done.set()

        running.thread = threading.Thread(target=go, name=f"notice {self._name}", daemon=True)
        running.thread.start()
        if done.wait(self._deadline_s):
            return running.result[0]
        self._hung.append(running)
        return Outcome(f"no answer within {self._deadline_s:.0f} s", unsure=True)
