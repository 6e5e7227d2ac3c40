"""The outbox at work with real servers: retry, deadline, another way, digest after an outage, a channel that hangs."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from random import Random

import pytest

from monitor.model.alert import Notice
from monitor.model.health import SourceHealth
from monitor.model.site import Channel, Site
from monitor.notify import retry
from monitor.notify.lane import Lane, fallbacks
from monitor.notify.outbox import Worker
from monitor.notify.outcome import Outcome
from tests.notify.memory import HOUR, MINUTE, NOW, AtOnce, Memory, Stepped, active, notice, site
from tests.notify.sinks import Web, web_server
from tests.support.broker import free_port
from tests.support.stalls import running


def push(name: str, port: int, **options: object) -> Channel:
    return Channel(name, f"json://127.0.0.1:{port}/?rto=30&cto=30", options={"quiet_hours": (3, 3), **options})


class Bench:
    """A store in memory, a clock set by hand, and lanes that are turned by hand."""

    def __init__(self, *channels: Channel, deadline_s: float = 5.0) -> None:
        self.store = Memory()
        self.clock = Stepped()
        self.health: dict[str, SourceHealth] = {}
        self.site: Site = site(*channels)
        self.names = [c.name for c in channels]
        self.lanes = {
            c.name: Lane(
                self.site, c, AtOnce(self.store), self.clock, self._heard, deadline_s=deadline_s, chance=Random(1)
            )
            for c in channels
        }

    def _heard(self, health: SourceHealth) -> None:
        self.health[health.name] = health

    def add(self, *notices: Notice, standing: bool = True) -> None:
        for n in notices:
            self.store.enqueue(n, self.names, self.clock.time)
            if standing and n.what != "ended":
                self.store.states[n.key] = active(n)
            if n.what == "ended":
                self.store.states.pop(n.key, None)

    def turn(self, name: str = "push", after: timedelta = timedelta(0)) -> float:
        self.clock.time += after
        return self.lanes[name].turn()

    def states(self, channel: str = "push") -> list[str]:
        return [r.state for r in self.store.rows.values() if r.channel == channel]


@contextmanager
def bench(**options: object) -> Iterator[tuple[Bench, Web]]:
    with web_server() as web:
        yield Bench(push("push", web.port, **options)), web


def test_delivered_once_with_its_id() -> None:
    with bench() as (b, web):
        b.add(notice())
        b.turn()
        b.turn(after=HOUR)
        assert web.ids == [notice().id]
    assert b.states() == ["delivered"]
    assert b.health["push"].working


def test_transient_failures_are_tried_again_and_the_reason_is_kept() -> None:
    with bench() as (b, web):
        web.answers(500, 503, 200)
        b.add(notice())
        b.turn()
        row = b.store.rows[1]
        assert (row.state, row.attempts) == ("waiting", 1)
        assert row.error == "the server answers 500 Internal Server Error"
        assert b.clock.time <= row.next_at <= b.clock.time + timedelta(seconds=10)
        assert b.health["push"].error == row.error
        assert not b.health["push"].permanent
        b.turn(after=10 * timedelta(seconds=1))
        b.turn(after=20 * timedelta(seconds=1))
        assert web.ids == [notice().id]
    assert b.store.rows[1].attempts == 3
    assert b.health["push"].working


def test_retry_after_is_obeyed() -> None:
    with bench() as (b, web):
        web.answers(429, 200, headers={"Retry-After": "300"})
        b.add(notice())
        b.turn()
        assert b.store.rows[1].next_at >= b.clock.time + timedelta(seconds=300)
        b.turn(after=timedelta(seconds=299))
        assert web.ids == []
        assert len(web.times) == 1
        b.turn(after=timedelta(seconds=300))
        assert web.ids == [notice().id]


def test_full_jitter() -> None:
    chance = Random(7)
    for attempts, most in ((0, 5.0), (1, 10.0), (5, 160.0), (8, 900.0), (500, 900.0)):
        waits = [retry.wait_s(attempts, chance) for _ in range(4000)]
        assert 0.0 <= min(waits) < 0.01 * most
        assert 0.99 * most < max(waits) <= most
        assert sum(waits) / len(waits) == pytest.approx(most / 2, rel=0.05)
    assert retry.wait_s(0, chance, Outcome("x", retry_after_s=9e9)) == 86_400.0


def test_permanent_failure_goes_another_way_at_once() -> None:
    with web_server() as bad, web_server() as good:
        bad.answers(401)
        b = Bench(push("push", bad.port), Channel("sms", f"json://127.0.0.1:{good.port}", severities=("Extreme",)))
        b.add(notice())
        b.turn("sms")
        assert b.states("sms") == ["dropped"]
        b.turn("push")
        assert b.states("push") == ["failed"]
        b.turn("sms")
        assert good.ids == [notice().id]
        health = b.health["push"]
        assert (health.permanent, health.value) == (True, 1.0)
        b.turn("push", after=HOUR)
        assert len(bad.times) == 1


def test_past_its_deadline_it_goes_another_way_and_keeps_trying() -> None:
    with web_server() as bad, web_server() as good:
        bad.answers(500)
        b = Bench(push("push", bad.port), push("sms", good.port))
        bad_news = notice("cold-shortfall/site", severity="Severe")
        b.store.enqueue(bad_news, ["push"], b.clock.time)
        b.store.states[bad_news.key] = active(bad_news)
        b.turn("push")
        assert b.health["push"].value == 0.0
        for _ in range(11):
            b.turn("push", after=5 * MINUTE)
            b.turn("sms")
        assert good.ids == []
        for _ in range(4):
            b.turn("push", after=5 * MINUTE)
        b.turn("sms")
        ((_, body),) = good.got
        assert body["title"] == bad_news.headline
        assert bad_news.body in body["message"]
        assert b.health["push"].value == 1.0
        tried = len(bad.times)
        b.turn("push", after=HOUR)
        assert len(bad.times) > tried


def test_quiet_hours_are_no_failure() -> None:
    with bench(quiet_hours=(11, 23)) as (b, web):
        b.add(notice())
        for _ in range(5):
            b.turn(after=HOUR)
        assert web.times == []
        assert not b.store.rows[1].escalated
        assert b.health == {}


def test_a_day_without_network_ends_with_one_digest_in_order() -> None:
    port = free_port()
    b = Bench(push("push", port))
    first = notice("battery-low/x")
    cold = notice("cold-shortfall/site", severity="Severe", at=NOW + 2 * HOUR)
    b.add(first)
    b.turn()
    b.turn(after=2 * HOUR)
    b.add(cold)
    gone = notice("sensor-silent/s", at=NOW + 3 * HOUR)
    for hour in range(3, 24):
        b.turn(after=HOUR)
        if hour == 3:
            b.add(gone)
        if hour == 6:
            b.add(notice("sensor-silent/s", 2, "ended", at=NOW + 6 * HOUR, occurrence=gone.occurrence))
        if hour == 9:
            b.add(replace(cold, id=f"{cold.occurrence}#2", what="updated", at=NOW + 9 * HOUR, headline="worse"))
        if hour == 20:
            b.add(replace(cold, id=f"{cold.occurrence}#3", what="ended", at=NOW + 20 * HOUR, headline="Over: cold"))
    with web_server() as web:
        b.lanes["push"]._way = None
        b.lanes["push"].channel = push("push", web.port)
        b.turn(after=HOUR)
        b.turn(after=HOUR)
        (got,) = web.got
    body = got[1]["message"]
    assert got[1]["title"] == "raised battery-low/x"
    assert "Standing now:\n- Mon 12:00: raised battery-low/x" in body
    assert "Over by now:\n- Mon 14:00: worse (over)" in body
    assert "sensor-silent" not in body
    assert not b.store.waiting("push")


def test_a_channel_that_is_mended_hears_what_stands() -> None:
    with bench() as (b, web):
        web.answers(401)
        old, standing = notice("forecast-stale/site"), notice("low-fuel/site", at=NOW + MINUTE)
        b.add(old, standing)
        b.turn()
        assert b.states() == ["failed", "failed"]
        b.store.states.pop(old.key)
        web.answers(200)
        b.store.enqueue(notice("test/push", what="test", at=NOW + HOUR), ["push"], NOW + HOUR)
        b.turn(after=HOUR)
        assert [body["title"] for _, body in web.got] == ["test test/push", "raised low-fuel/site"]


def test_after_a_restart_a_mended_channel_is_tried_with_what_stands() -> None:
    with bench() as (b, web):
        web.answers(401)
        b.add(notice())
        b.turn()
        assert b.states() == ["failed"]
        b.store.kept_health = dict(b.health)
        web.answers(200)
        again = Bench(push("push", web.port))
        again.store = b.store
        again.clock.time = b.clock.time + HOUR
        lane = Lane(
            again.site, again.site.channels[0], AtOnce(b.store), again.clock, again._heard, deadline_s=5.0,
            chance=Random(1),
        )  # fmt: skip
        lane.turn()
        assert [body["title"] for _, body in web.got] == ["raised low-fuel/site"]
        assert again.health["push"].working


def test_an_attempt_that_hangs_is_left_and_heard_when_it_comes_back() -> None:
    with web_server() as web:
        web.answers("hang")
        b = Bench(push("push", web.port), deadline_s=0.2)
        b.add(notice())
        begun = time.monotonic()
        b.turn()
        assert time.monotonic() - begun < 15.0  # the plugin itself would wait 30 s
        assert b.store.rows[1].error == "no answer within 0 s (it may have arrived)"
        until(lambda: bool(web.times))
        assert b.turn(after=timedelta(seconds=10)) == 1.0
        assert len(web.times) == 1  # not tried again while the first one hangs
        lane = b.lanes["push"]
        (hung,) = lane._attempts._hung
        hung.result.append(Outcome())  # it got through after all
        web.release.set()
        hung.thread.join(30)
        b.turn()
        assert b.states() == ["delivered"]
        assert len(web.times) == 1


def test_a_fault_of_the_plugin_does_not_end_the_channel(monkeypatch: pytest.MonkeyPatch) -> None:
    with bench() as (b, web):
        b.add(notice())

        def broken(*_: object) -> Outcome:
            raise RuntimeError("secret words")

        lane = b.lanes["push"]
        monkeypatch.setattr(lane, "_hand_over", broken)
        b.turn()
        assert b.store.rows[1].error == "failed: RuntimeError"
        monkeypatch.undo()
        b.turn(after=MINUTE)
        assert web.ids == [notice().id]


def test_a_channel_that_cannot_be_read_fails_for_good_with_the_key() -> None:
    b = Bench(Channel("push", "nonsense://x"))
    b.add(notice())
    b.turn()
    assert b.states() == ["failed"]
    assert b.store.rows[1].error.startswith("channel push: url: got nonsense://…; expected an apprise URL")


def test_fallbacks() -> None:
    home = site(Channel("a"), Channel("b"), Channel("c", options={"fallback": True}))
    assert fallbacks(home, "a") == ("c",)
    assert fallbacks(home, "c") == ("a", "b")


def until(condition: Callable[[], bool], seconds: float = 30.0) -> None:
    begun = time.monotonic()
    while not condition():
        assert time.monotonic() - begun < seconds, "it did not happen in time"
        time.sleep(0.005)


@pytest.mark.timing
def test_one_that_hangs_delays_no_other_and_not_the_end() -> None:
    with web_server() as slow, web_server() as quick:
        slow.answers("hang")
        home = site(push("slow", slow.port), push("quick", quick.port))
        store = Memory()
        worker = Worker(home, AtOnce(store), Stepped(), deadline_s=20.0)
        worker.start()
        store.enqueue(notice(), ["slow", "quick", "log"], NOW)
        worker.wake()
        until(lambda: bool(slow.times))
        store.enqueue(notice(number=2, what="updated"), ["slow", "quick", "log"], NOW)
        with running() as took:
            worker.wake()
            until(lambda: len(quick.ids) == 2)
            assert took.s < 1.0
        assert worker.alive()
        with running() as took:
            worker.stop()
            assert took.s < 1.0
        until(lambda: len([t for t in threading.enumerate() if t.name in {"channel quick", "channel log"}]) == 0)


def test_the_worker_lives_through_a_store_that_fails(caplog: pytest.LogCaptureFixture) -> None:
    with web_server() as web:
        store = Memory()
        broken = AtOnce(store)
        home = site(push("push", web.port))
        broken.fault = OSError("disk full")
        worker = Worker(home, broken, Stepped())
        worker.start()
        try:
            until(lambda: "cannot be read or written" in caplog.text)
            broken.fault = None
            store.enqueue(notice(), ["push"], NOW)
            until(lambda: web.ids == [notice().id])
        finally:
            worker.stop()
