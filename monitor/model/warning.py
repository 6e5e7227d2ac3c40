"""An official weather warning, as far as it bears on cold nights and fuel deliveries."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from monitor.model.alert import Certainty, Severity, Urgency

WarningKind = Literal["cold", "storm"]  # storm: delays deliveries and may bring outages; says nothing of capacity


@dataclass(frozen=True, slots=True)
class OfficialWarning:
    """One hazard, whatever number of messages told of it. `key` stays the same through its updates.

    `ends` is the end of the hazard, None where it is open. `expires` is only when the message gives way to the next.
    A warning raises urgency; it never makes a shortfall by itself.
    """

    key: str
    kind: WarningKind
    event: str  # the service's own name of it
    severity: Severity
    urgency: Urgency
    certainty: Certainty
    sent: datetime
    onset: datetime | None
    ends: datetime | None
    expires: datetime | None
    headline: str
    area: str
    sender: str
    credit: str

    def in_force(self, now: datetime) -> bool:
        """Whether the hazard is there or still to come at `now`."""
        end = self.ends or self.expires
        return end is None or end > now
