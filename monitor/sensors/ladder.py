"""What to do about a radio that has gone silent or will not scan: rescan, reset, begin anew, give up and say so.

Pure: times are arguments. A timer asks; nothing here waits for an advertisement to arrive.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Step(StrEnum):
    """One rung."""

    RESCAN = "rescan"  # stop scanning, start again
    RESET = "reset"  # switch the adapter off and on
    ANEW = "anew"  # drop the connection to the Bluetooth service and make a new one


# Rungs in order, with the pause before each (s). After the last one we have given up, say so, and go on slowly.
RUNGS: tuple[tuple[Step, float], ...] = (
    (Step.RESCAN, 1.0),
    (Step.RESCAN, 5.0),
    (Step.RESET, 5.0),
    (Step.RESCAN, 10.0),
    (Step.ANEW, 5.0),
    (Step.RESET, 30.0),
)
SLOWLY: tuple[tuple[Step, float], ...] = ((Step.RESCAN, 120.0), (Step.ANEW, 120.0), (Step.RESET, 120.0))
NO_ADAPTER_S = (1.0, 15.0)  # pause between looks for an adapter that is not there: it grows to the second


@dataclass
class Ladder:
    """Where on the ladder we stand. `quiet_s` without any advertisement counts as silent."""

    quiet_s: float
    climbed: int = 0
    looks: int = 0
    heard_s: float = 0.0

    def started(self, now_s: float) -> None:
        """A scan was begun: it has `quiet_s` to prove itself."""
        self.heard_s = now_s
        self.looks = 0

    def heard(self, now_s: float) -> None:
        """An advertisement was heard: back to the ground."""
        self.heard_s = now_s
        self.climbed = 0

    def silent(self, now_s: float) -> bool:
        """Whether nothing was heard for too long."""
        return now_s - self.heard_s > self.quiet_s

    @property
    def given_up(self) -> bool:
        """Whether every rung was tried in vain."""
        return self.climbed > len(RUNGS)

    def climb(self) -> tuple[Step, float]:
        """Return the next rung and the pause (s) before it."""
        at = self.climbed
        self.climbed += 1
        return RUNGS[at] if at < len(RUNGS) else SLOWLY[(at - len(RUNGS)) % len(SLOWLY)]

    def look_again(self) -> float:
        """Return the pause (s) before looking again for an adapter that is not there."""
        first, most = NO_ADAPTER_S
        pause_s = first * 2.0**self.looks
        if pause_s >= most:  # counted no further: an adapter may be away for months, and 2**1024 is no float
            return most
        self.looks += 1
        return pause_s
