"""States, steps, notices and outbox rows are one transaction; an id is told once to each channel."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.model.alert import AlertState, Judgement, Notice, Transition
from monitor.model.health import SourceHealth
from monitor.notify.ports import Outbox
from monitor.store import Store

NOW = datetime(2026, 1, 5, 12, tzinfo=UTC)
LATER = NOW + timedelta(minutes=5)
KEY = "cold-shortfall/site"


def notice(number: int = 1) -> Notice:
    return Notice(f"{KEY}@x#{number}", KEY, f"{KEY}@x", NOW, "raised", "Severe", "Future", "Likely", "Head", "Body")


def judgement(number: int = 1) -> Judgement:
    state = AlertState(KEY, "cold-shortfall", "site", "unacknowledged", NOW, occurrence=f"{KEY}@x", raised=NOW,
                       told_at=NOW, facts={"air_k": 250.0, "worst": "x", "n": None})  # fmt: skip
    step = Transition(KEY, f"{KEY}@x", NOW, "normal", "unacknowledged", "because", {"hold_s": 1.5})
    return Judgement((state,), (step,), (notice(number),))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "x.db") as opened:
        yield opened


def test_the_store_keeps_the_outbox_contract(store: Store) -> None:
    contract: Outbox = store  # checked by mypy
    assert contract.waiting() == []


def test_a_judgement_comes_back(store: Store) -> None:
    store.commit_judgement(judgement(), ["log", "mail"])
    assert store.alert_states() == {KEY: judgement().states[0]}
    assert [(t.before, t.after, dict(t.facts)) for t in store.transitions()] == [
        ("normal", "unacknowledged", {"hold_s": 1.5})
    ]
    assert store.notices() == [notice()]
    assert [(r.channel, r.state, r.notice) for r in store.due(NOW)] == [
        ("log", "waiting", notice()),
        ("mail", "waiting", notice()),
    ]


def test_a_judgement_is_written_whole_or_not_at_all(store: Store) -> None:
    bad = Judgement(judgement().states, judgement().transitions, (notice(), None))  # type: ignore[arg-type]
    with pytest.raises(AttributeError):
        store.commit_judgement(bad, ["log"])
    assert (store.alert_states(), store.transitions(), store.notices(), store.waiting()) == ({}, [], [], [])


def test_the_same_notice_twice_is_one_row_a_channel(store: Store) -> None:
    store.commit_judgement(judgement(), ["log"])
    store.commit_judgement(judgement(), ["log", "mail"])
    assert [(r.channel, r.attempts) for r in store.waiting()] == [("log", 0), ("mail", 0)]
    assert len(store.transitions()) == len(store.notices()) == 1


def test_a_bad_number_in_the_facts_does_not_cost_the_alert(store: Store) -> None:
    plain = judgement()
    state = replace(plain.states[0], facts={"air_k": math.nan, "worst": "x"}, told_rank=math.inf)
    step = replace(plain.transitions[0], facts={"hold_s": math.nan})
    store.commit_judgement(Judgement((state,), (step,), plain.notices), ["log"])
    assert store.alert_states()[KEY].facts == {"air_k": None, "worst": "x"}
    assert store.alert_states()[KEY].told_rank is None
    assert store.transitions()[0].facts == {"hold_s": None}
    assert len(store.waiting()) == 1


def test_rows_of_one_channel_newest_first(store: Store) -> None:
    store.commit_judgement(judgement(1), ["log", "mail"])
    store.commit_judgement(judgement(2), ["log", "mail"])
    assert [r.notice.id[-2:] for r in store.outbox(1, "mail")] == ["#2"]
    assert {r.channel for r in store.outbox()} == {"log", "mail"}
    assert [r.notice.id[-2:] for r in store.due(NOW, 10, "log")] == ["#1", "#2"]


def test_the_way_of_a_row(store: Store) -> None:
    store.commit_judgement(judgement(), ["mail"])
    row = store.waiting("mail")[0]
    store.attempt_started(row.id, NOW)
    store.failed(row.id, NOW, "451 busy", LATER)
    assert store.due(NOW) == []
    again = store.due(LATER)[0]
    assert (again.attempts, again.error, again.tried_at) == (1, "451 busy", NOW)
    store.failed(row.id, LATER, "550 no such user", None)
    assert store.waiting() == []
    assert store.revive("mail", LATER, NOW - timedelta(days=1)) == 1
    store.delivered(row.id, LATER)
    assert [(r.state, r.error, r.escalated) for r in store.outbox()] == [("delivered", "", True)]


def test_a_digest_takes_the_place_of_rows(store: Store) -> None:
    store.commit_judgement(judgement(1), ["mail"])
    store.commit_judgement(judgement(2), ["mail"])
    ids = [r.id for r in store.waiting()]
    digest = Notice("digest@1", "digest/site", "digest@1", LATER, "digest", "Minor", "Past", "Observed", "H", "B")
    made = store.gather(ids, digest, "mail", LATER)
    assert [r.id for r in store.waiting()] == [made]
    assert [r.id for r in store.gathered("digest@1")] == ids
    assert store.gather(ids, digest, "mail", LATER) == made


def test_a_dropped_row_waits_again_only_where_forced(store: Store) -> None:
    store.commit_judgement(judgement(), ["mail"])
    row = store.waiting()[0]
    store.dropped(row.id, NOW, "quiet hours")
    assert store.enqueue(notice(), ["mail"], LATER) == []
    assert store.waiting() == []
    store.enqueue(notice(), ["mail"], LATER, forced=True)
    assert [r.forced for r in store.waiting()] == [True]


def test_health_comes_back(store: Store) -> None:
    one = SourceHealth("scale-A", "sensor", NOW, ok_at=NOW, interval_s=60.0)
    store.set_health(one)
    store.set_health(SourceHealth("scale-A", "sensor", LATER, ok_at=NOW, failed_at=LATER, error="silent"))
    assert store.health()["scale-A"].error == "silent"
    assert store.health()["scale-A"].ok_at == NOW
