"""One alert in one round of judging: its state as it changes, and what is kept and told on the way."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal

from monitor.alerts import kinds
from monitor.model.alert import AlertState, Condition, Fact, Notice, Severity, State, Transition

What = Literal["raised", "updated", "ended"]
Words = Callable[[What, Condition, AlertState, str, datetime], tuple[str, str]]

SEVERITIES: tuple[Severity, ...] = ("Minor", "Moderate", "Severe", "Extreme")
CALM: Severity = "Moderate"  # of a reminder, and of more of what was told: urgent is the first word, and a step worse


def is_active(state: AlertState) -> bool:
    """Return whether people were told of the alert and not yet of its end."""
    return bool(state.occurrence)


@dataclass(slots=True)
class Step:
    """What one alert does in one round: its state as it changes, the transitions and notices on the way."""

    state: AlertState
    now: datetime
    words: Words
    transitions: list[Transition] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)

    def go(self, after: State, reason: str, facts: Mapping[str, Fact] | None = None) -> None:
        """Change the state and keep the transition."""
        s = self.state
        self.transitions.append(
            Transition(s.key, s.occurrence, self.now, s.state, after, reason, dict(facts or s.facts))
        )
        self.state = replace(s, state=after, since=self.now, reason=reason)

    def tell(self, what: What, c: Condition, reason: str, *, calm: bool = False) -> None:
        """Add a notice, and remember what was told. `calm`: no news that anybody must be woken for."""
        s = self.state
        number = s.sequence + 1
        headline, body = self.words(what, c, s, reason, self.now)
        ended = what == "ended"
        worst = max(s.severity, c.severity, key=SEVERITIES.index) if number > 1 else c.severity
        bypass = kinds.of(c.kind).bypass
        said = CALM if calm and not bypass and SEVERITIES.index(worst) > SEVERITIES.index(CALM) else worst
        self.notices.append(
            Notice(
                f"{s.occurrence}#{number}",
                s.key,
                s.occurrence,
                self.now,
                what,
                said,
                "Past" if ended else c.urgency,
                c.certainty,
                headline,
                body,
                bypass=bypass,
            )
        )
        self.state = replace(
            s, sequence=number, told_at=self.now, told_rank=c.rank, told_facts=dict(c.facts), severity=worst
        )

    def extra(self, **changes: Fact) -> None:
        """Set entries of the state's `extra`; None removes one."""
        kept = {**self.state.extra, **changes}
        self.state = replace(self.state, extra={k: v for k, v in kept.items() if v is not None})


def forget_pending(step: Step) -> None:
    """Drop the times of both delays."""
    step.extra(held_s=None, cleared_s=None, judged_at=None)
    step.state = replace(step.state, pending_since=None, clearing_since=None)


def known_state(state: AlertState) -> State:
    """Return the state of an alert that stands: an acknowledgement is remembered on the shelf."""
    return "acknowledged" if state.acknowledged_by else "unacknowledged"
