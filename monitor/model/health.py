"""How each source and way out is doing: when it last worked, when it last failed, and why."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

HealthKind = Literal[
    "sensor", "broker", "radio", "forecast", "channel", "store", "disk", "clock", "loop", "service", "site"
]


@dataclass(frozen=True, slots=True)
class SourceHealth:
    """State of one source. `since` is when it began to be as it is now (working, or failing with `error`).

    `error` is "" while it works and never holds a secret. `interval_s` is how often it should be heard.
    `value` is a number that goes with the kind (free bytes of a disk, seconds of a clock's step, restarts in a day).
    """

    name: str
    kind: HealthKind
    since: datetime
    ok_at: datetime | None = None
    failed_at: datetime | None = None
    error: str = ""
    interval_s: float | None = None
    value: float | None = None
    permanent: bool = False

    @property
    def working(self) -> bool:
        """True where the last that was heard is that it works."""
        return not self.error and self.ok_at is not None
