"""Rounds played against the life cycle, and conditions made by hand."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from monitor.alerts import life
from monitor.alerts.known import found
from monitor.alerts.settings import Limits
from monitor.model.alert import AlertState, Condition, Fact, Judgement, Severity, Urgency
from tests.alerts.scene import NOW

H = timedelta(hours=1)
M = timedelta(minutes=1)


def words(what: str, c: Condition, state: AlertState, reason: str, now: datetime) -> tuple[str, str]:
    return f"{what} {c.key}", reason


class Play:
    """Plays rounds against the life cycle and keeps what a store would."""

    def __init__(self) -> None:
        self.states: dict[str, AlertState] = {}
        self.now = NOW
        self.last = Judgement((), (), ())
        self.told: list[str] = []

    def take(self, judgement: Judgement) -> Judgement:
        self.last = judgement
        self.states.update({s.key: s for s in judgement.states})
        self.told += [n.what for n in judgement.notices]
        return judgement

    def round(self, *conditions: Condition, after: timedelta = M, complete: bool = True) -> Judgement:
        self.now += after
        return self.take(life.judge(conditions, self.states, self.now, Limits({}), words, complete=complete))

    def state(self, key: str) -> str:
        return self.states[key].state if key in self.states else "normal"

    def reasons(self) -> list[tuple[str, str, str]]:
        return [(t.before, t.after, t.reason) for t in self.last.transitions]


def cond(
    kind: str = "battery-low",
    subject: str = "x",
    holds: bool | None = True,
    *,
    reason: str = "",
    facts: Mapping[str, Fact] | None = None,
    rank: float = 1.0,
    band: bool = False,
    rests_on: tuple[str, ...] = (),
    severity: Severity = "Moderate",
    urgency: Urgency = "Future",
) -> Condition:
    text = reason or {True: "it holds", False: "it is gone", None: "cannot be judged"}[holds]
    return found(
        kind, subject, holds, text, facts, rank=rank, band=band, rests_on=rests_on, severity=severity, urgency=urgency
    )


NO_DELAY = "forecast-stale"  # no on-delay, no off-delay, does not latch
DELAYED = "low-fuel"  # 10 min on, 1 h off
LATCHED = "overfilled"  # 10 min on, 3 h off, latches
KEY = f"{NO_DELAY}/x"


def raised(kind: str = NO_DELAY, **facts: Fact) -> Play:
    play = Play()
    play.round(cond(kind, facts={"on_delay_s": 0.0, **facts}))
    assert play.told == ["raised"]
    return play
