"""Alerts: what a rule finds, the state an alert is in, the step between two states, and the notice that tells it.

State names follow ANSI/ISA-18.2; severity, urgency and certainty take the values of CAP 1.2 (OASIS).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

Severity = Literal["Extreme", "Severe", "Moderate", "Minor"]
Urgency = Literal["Immediate", "Expected", "Future", "Past"]
Certainty = Literal["Observed", "Likely", "Possible", "Unlikely"]
State = Literal[
    "normal",
    "pending",
    "unacknowledged",
    "acknowledged",
    "returned",
    "shelved",
    "suppressed",
    "out_of_service",
]
Fact = float | int | str | bool | None


@dataclass(frozen=True, slots=True)
class Condition:
    """What one rule found at one time about one subject. `holds` None = cannot be judged, say why in `reason`.

    `key` is `kind/subject` and is the alert's identity. `facts` are SI numbers and ISO times for the wording;
    `rank` orders better (low) from worse (high) within one alert, so that worse news can be told from the same news.
    """

    kind: str
    subject: str
    holds: bool | None
    severity: Severity
    urgency: Urgency
    certainty: Certainty
    rank: float
    reason: str
    facts: Mapping[str, Fact] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """Identity of the alert that this condition speaks of."""
        return f"{self.kind}/{self.subject}"


@dataclass(frozen=True, slots=True)
class AlertState:
    """Where one alert stands. `occurrence` is unique per raising (`kind/subject@time`), "" while normal."""

    key: str
    kind: str
    subject: str
    state: State
    since: datetime
    occurrence: str = ""
    raised: datetime | None = None
    pending_since: datetime | None = None
    clearing_since: datetime | None = None
    told_at: datetime | None = None
    told_rank: float | None = None
    told_facts: Mapping[str, Fact] = field(default_factory=dict)
    sequence: int = 0  # notices sent in this occurrence
    severity: Severity = "Minor"
    shelved_until: datetime | None = None
    acknowledged_by: str = ""
    reason: str = ""
    facts: Mapping[str, Fact] = field(default_factory=dict)
    extra: Mapping[str, Fact] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Transition:
    """One step of one alert, kept for ever. `reason` says why, in words."""

    key: str
    occurrence: str
    at: datetime
    before: State
    after: State
    reason: str
    facts: Mapping[str, Fact] = field(default_factory=dict)
    id: int | None = None


@dataclass(frozen=True, slots=True)
class Notice:
    """One message to people. `id` is the same at every attempt (it becomes the mail's Message-ID)."""

    id: str  # e.g. "cold-shortfall/site@2026-01-05T14:00Z#1"
    key: str
    occurrence: str
    at: datetime
    what: Literal["raised", "updated", "ended", "digest", "test"]
    severity: Severity
    urgency: Urgency
    certainty: Certainty
    headline: str  # fits a lock screen
    body: str
    bypass: bool = False  # passes quiet hours and gathering (gas detected)


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a round of judging changed: new states, the steps taken, what to tell."""

    states: tuple[AlertState, ...]
    transitions: tuple[Transition, ...]
    notices: tuple[Notice, ...]
