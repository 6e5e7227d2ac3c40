"""The site file is read anew while notices are on their way: nothing twice at once, nothing left for ever."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from datetime import timedelta
from random import Random

from monitor.model.site import Channel
from monitor.notify.lane import Lane
from monitor.notify.outbox import Worker, rehome
from monitor.notify.outcome import Outcome
from monitor.notify.row import OutboxRow
from tests.notify.memory import NOW, AtOnce, Memory, Stepped, active, notice, site

SECOND = timedelta(seconds=1)


class Quiet(Lane):
    """A lane whose channel takes everything, and keeps what it took."""

    took: list[str]

    def _hand_over(self, row: OutboxRow) -> Outcome:
        self.took.append(row.notice.id)
        return Outcome()


def lane(store: Memory, clock: Stepped, stop: threading.Event | None = None) -> Quiet:
    home = site(Channel("push", options={"quiet_hours": (3, 3)}))
    made = Quiet(
        home, home.channels[0], AtOnce(store), clock, lambda _: None, deadline_s=60.0, chance=Random(1), stop=stop
    )
    made.took = []
    return made


def add(store: Memory, *keys: str, channels: Sequence[str] = ("push",)) -> None:
    for key in keys:
        n = notice(key)
        store.enqueue(n, channels, NOW)
        store.states[n.key] = active(n)


def test_a_new_lane_leaves_what_the_old_one_is_sending() -> None:
    store, clock = Memory(), Stepped()
    add(store, "low-fuel/site")
    store.attempt_started(1, NOW)  # by a lane that was told to stop
    clock.time = NOW + SECOND
    new = lane(store, clock)
    assert new.turn() == 30.0
    assert new.took == []
    clock.time = NOW + 59 * SECOND
    assert new.turn() == 1.0
    assert new.took == []
    add(store, "battery-low/x")
    new.turn()
    assert new.took == [notice("battery-low/x").id]
    clock.time = NOW + 60 * SECOND
    new.turn()
    assert new.took == [notice("battery-low/x").id, notice("low-fuel/site").id]


def test_what_the_old_one_delivered_is_not_sent_again() -> None:
    store, clock = Memory(), Stepped()
    add(store, "low-fuel/site")
    store.attempt_started(1, NOW)
    new = lane(store, clock)
    new.turn()
    store.delivered(1, NOW)
    clock.time = NOW + 100 * SECOND
    new.turn()
    assert new.took == []


def test_a_lane_told_to_stop_begins_nothing_more() -> None:
    store, clock, stop = Memory(), Stepped(), threading.Event()
    add(store, "low-fuel/site", "battery-low/x")
    old = lane(store, clock, stop)
    hand_over = old._hand_over

    def last(row: OutboxRow) -> Outcome:
        stop.set()
        return hand_over(row)

    old._hand_over = last  # type: ignore[method-assign]
    old.turn()
    assert len(old.took) == 1
    assert [r.state for r in store.rows.values()] == ["delivered", "waiting"]


def test_what_waits_for_a_channel_that_is_gone_goes_to_those_there_are() -> None:
    store = Memory()
    add(store, "low-fuel/site", "battery-low/x", channels=("old",))
    store.states.pop("battery-low/x")
    add(store, "level-old/A", channels=("old", "push"))
    assert rehome(store, ["log", "push"], NOW) == 3
    gone = [r for r in store.rows.values() if r.channel == "old"]
    assert {(r.state, r.error) for r in gone} == {("dropped", "channel old is no longer in the site file")}
    waits = sorted((r.notice.key, r.channel) for r in store.waiting())
    assert waits == [
        ("level-old/A", "log"), ("level-old/A", "push"), ("low-fuel/site", "log"), ("low-fuel/site", "push"),
    ]  # fmt: skip
    assert rehome(store, ["log", "push"], NOW) == 0


def test_a_worker_looks_after_them_at_its_start() -> None:
    store = Memory()
    add(store, "low-fuel/site", channels=("old",))
    worker = Worker(site(), AtOnce(store), Stepped())
    worker.start()
    worker.stop()
    assert store.rows[1].state == "dropped"
    assert [r.channel for r in store.rows.values()] == ["old", "log"]
