"""One notice on its way out by one channel, as the outbox table holds it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from monitor.model.alert import Notice

MAYBE = " (it may have arrived)"


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """`deadline`: from then on it goes another way too. `forced`: it is that other way, and no filter applies."""

    id: int
    notice: Notice
    channel: str
    attempts: int
    next_at: datetime
    deadline: datetime | None = None
    created: datetime | None = None
    tried_at: datetime | None = None
    error: str = ""
    state: Literal["waiting", "delivered", "failed", "dropped", "gathered"] = "waiting"
    forced: bool = False
    escalated: bool = False
    gathered_into: str = ""

    @property
    def unsure(self) -> bool:
        """True where it was handed over and no clear answer came: it may have arrived, so it keeps its own id."""
        return self.attempts > 0 and (not self.error or self.error.endswith(MAYBE))
