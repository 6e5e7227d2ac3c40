"""The life cycle over random histories with restarts, clock steps and people's hands, against a plain bookkeeping of
what was told: never two notices for one transition, never none, never an end without a start."""

from __future__ import annotations

from datetime import datetime, timedelta

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from monitor.alerts import life, operate
from monitor.alerts.settings import Limits
from monitor.model.alert import AlertState, Condition, Judgement, Notice
from monitor.model.errors import BadInput
from monitor.store.pack import pack_state, unpack_state
from tests.alerts.play import cond, words
from tests.alerts.scene import NOW

# What each stands for: no delay; on- and off-delay; latching; held back by the first; passes everything.
ALERTS = {
    "forecast-stale/x": (),
    "low-fuel/x": (),
    "overfilled/x": (),
    "battery-low/y": ("forecast-stale/x",),
    "gas-detected/nose": (),
}
VERDICTS = ["holds", "clear", "band", "unknown"]
verdicts = st.fixed_dictionaries({key: st.sampled_from(VERDICTS) for key in ALERTS})
ranks = st.sampled_from([1.0, 1.2, 2.0, 3.0])
ACTIVE = {"unacknowledged", "acknowledged", "returned", "shelved"}


def condition(key: str, verdict: str, rank: float) -> Condition:
    kind, subject = key.split("/")
    holds = {"holds": True, "clear": False, "band": False, "unknown": None}[verdict]
    return cond(kind, subject, holds, band=verdict == "band", rank=rank, rests_on=ALERTS[key])


class Histories(RuleBasedStateMachine):
    """Plays a household's alerts; keeps its own book of what people were told."""

    def __init__(self) -> None:
        super().__init__()
        self.now: datetime = NOW
        self.states: dict[str, AlertState] = {}
        self.open: dict[str, str] = {}  # key -> occurrence that people know of
        self.ever: set[str] = set()  # occurrences ever raised
        self.ids: set[str] = set()
        self.last_number: dict[str, int] = {}

    def take(self, judgement: Judgement) -> None:
        keys = [n.key for n in judgement.notices]
        assert len(keys) == len(set(keys)), "two notices of one alert in one round"
        for notice in judgement.notices:
            self._book(notice)
        for t in judgement.transitions:
            assert t.reason
        quiet = {"normal", "pending", "suppressed"}
        began = sorted(t.key for t in judgement.transitions if t.after == "unacknowledged" and t.before in quiet)
        assert began == sorted(n.key for n in judgement.notices if n.what == "raised")
        for s in judgement.states:
            self.states[s.key] = s

    def _book(self, n: Notice) -> None:
        assert n.id not in self.ids, "one id for two notices"
        self.ids.add(n.id)
        assert n.id == f"{n.occurrence}#{self.last_number.get(n.occurrence, 0) + 1}"
        self.last_number[n.occurrence] = self.last_number.get(n.occurrence, 0) + 1
        if n.what == "raised":
            assert n.key not in self.open, "raised twice"
            assert n.occurrence not in self.ever, "one name for two occurrences"
            self.ever.add(n.occurrence)
            self.open[n.key] = n.occurrence
        else:
            assert self.open.get(n.key) == n.occurrence, f"{n.what} without a start"
            if n.what == "ended":
                del self.open[n.key]

    @rule(found=verdicts, rank=ranks, minutes=st.sampled_from([1, 10, 60, 300, 1500]))
    def round(self, found: dict[str, str], rank: float, minutes: int) -> None:
        self.now += timedelta(minutes=minutes)
        self._judge({k: condition(k, v, rank) for k, v in found.items()})

    @rule(verdict=st.sampled_from(VERDICTS), rounds=st.integers(2, 30))
    def stretch(self, verdict: str, rounds: int) -> None:
        """The same for a while: every delay passes."""
        for _ in range(rounds):
            self.now += timedelta(minutes=30)
            self._judge({k: condition(k, verdict, 1.0) for k in ALERTS})

    def _judge(self, conditions: dict[str, Condition]) -> None:
        before = dict(self.states)
        judgement = life.judge(list(conditions.values()), self.states, self.now, Limits({}), words)
        self.take(judgement)
        for key, c in conditions.items():
            state = self.states.get(key)
            if c.holds is None and key in self.open:
                assert state is not None
                assert state.occurrence == self.open[key], "ended without knowing"
            if c.kind == "gas-detected" and c.holds:
                assert key in self.open, "gas must be told at once"
        # Judging the same again at the same moment says nothing more.
        again = life.judge(list(conditions.values()), self.states, self.now, Limits({}), words)
        assert again.notices == (), (before, again.notices)

    @rule(step=st.sampled_from([-100_000, -5_000, -61, 61, 5_000, 500_000]))
    def clock_step(self, step: int) -> None:
        self.now += timedelta(minutes=step)

    @rule()
    def restart(self) -> None:
        """What the store keeps is all there is afterwards."""
        self.states = {k: unpack_state(pack_state(s)) for k, s in self.states.items()}

    @rule(gone=st.sampled_from(sorted(ALERTS)))
    def reload_without(self, gone: str) -> None:
        conditions = {k: condition(k, "clear", 1.0) for k in ALERTS if k != gone}
        self.now += timedelta(minutes=1)
        self.take(life.judge(list(conditions.values()), self.states, self.now, Limits({}), words))
        assert gone not in self.open

    @precondition(lambda self: self.states)
    @rule(data=st.data(), what=st.sampled_from(["ack", "shelve", "one shot", "unshelve", "out", "in"]))
    def hand(self, data: st.DataObject, what: str) -> None:
        state = self.states[data.draw(st.sampled_from(sorted(self.states)))]
        until = self.now + timedelta(hours=data.draw(st.integers(1, 300)))
        try:
            if what == "ack":
                judgement = operate.acknowledge(state, self.now, "Kim", words)
            elif what in {"shelve", "one shot"}:
                one = what == "one shot"
                judgement = operate.shelve(state, self.now, until, "Kim", words, one_shot=one)
            elif what == "unshelve":
                judgement = operate.unshelve(state, self.now, "Kim", words)
            elif what == "out":
                judgement = operate.out_of_service(state, self.now, "Kim", "away", words)
            else:
                judgement = operate.into_service(state, self.now, "Kim", words)
        except BadInput:
            return
        self.take(judgement)

    @invariant()
    def what_people_know_is_what_stands(self) -> None:
        known = {k: s.occurrence for k, s in self.states.items() if s.occurrence}
        assert known == self.open
        for key, state in self.states.items():
            if key in self.open:
                assert state.state in ACTIVE
            else:
                assert state.state in {"normal", "pending", "shelved", "suppressed", "out_of_service"}


TestHistories = Histories.TestCase
TestHistories.settings = settings(
    max_examples=120, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)
