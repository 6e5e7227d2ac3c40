"""The small rules every way in shares: thinning, doubles, receipts, health with its beginning, the ladder's rungs."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial

from monitor.model.health import SourceHealth
from monitor.model.reading import Reading, SetAside
from monitor.sensors import decode
from monitor.sensors.condition import Condition
from monitor.sensors.gate import Gate
from monitor.sensors.ladder import RUNGS, SLOWLY, Ladder, Step
from monitor.sensors.receipts import Receipts
from monitor.sensors.sent import Sent
from monitor.sensors.thin import BURST, Thinner, gap_s
from monitor.service.clock import SteppedClock
from tests.sensors.scene import AT, Caught, site, spec


def test_the_gap_follows_the_interval_within_limits() -> None:
    assert [gap_s(s) for s in (1.0, 60.0, 600.0, 3600.0, 86_400.0)] == [1.0, 1.0, 10.0, 60.0, 60.0]
    assert gap_s(86_400.0, switch=True) == 1.0


def test_a_burst_is_kept_then_the_newest_of_each_gap() -> None:
    thinner: Thinner[str, int] = Thinner()
    kept: list[int] = []
    for k in range(1000):  # a hundred a second for ten seconds
        now = k / 100
        kept += thinner.ripe(now)
        go, _ = thinner.offer("a", k, 1.0, now, now)
        kept += [] if go is None else [go]
    kept += thinner.ripe(20.0)
    assert kept[: int(BURST)] == list(range(int(BURST)))
    assert kept[-1] == 999  # the last word
    assert BURST + 8 <= len(kept) <= BURST + 12
    assert len(kept) + thinner.dropped == 1000
    assert kept == sorted(kept)
    assert thinner.holding == 0


def test_readings_with_a_time_of_their_own_are_counted_by_it() -> None:
    thinner: Thinner[str, int] = Thinner()
    day = [thinner.offer("a", k, 10.0, 600.0 * k, 5.0)[0] for k in range(500)]  # queued for days, delivered at once
    assert day == list(range(500))


def gate(caught: Caught, clock: SteppedClock) -> Gate:
    return Gate(clock, caught.reading, caught.set_aside, {"s": Condition("s", "sensor", clock, caught.tell, 60.0)})


def test_done_is_called_once_for_everything_whatever_becomes_of_it() -> None:
    caught, clock = Caught(), SteppedClock(AT)
    one = gate(caught, clock)
    count = [0] * 400

    def counter(k: int) -> Callable[[], None]:
        def done() -> None:
            count[k] += 1

        return done

    def decoded(k: int) -> Callable[[datetime], list[Reading | SetAside]]:
        def read(received: datetime) -> list[Reading | SetAside]:
            if k % 4 == 0:
                return []
            if k % 4 == 1:
                return [decode.set_aside(spec(), received, "x", "nonsense")]
            found = decode.to_reading(spec(), site(), Sent(20.0 + k / 1000, time=AT - timedelta(minutes=k)), received)
            return [found] if k % 4 == 2 else [found, decode.set_aside(spec(), received, "x", "the other half")]

        return read

    for k in range(400):
        one.offer(spec(), decoded(k), counter(k), timed=k % 2 == 0)
        if k % 7 == 0:
            clock.set(clock.now() + timedelta(seconds=1))
            one.look()
    clock.set(clock.now() + timedelta(seconds=200))
    one.look(all_of_them=True)
    assert count == [1] * 400
    assert one.thinned > 0


def _read(sent: Sent, received: datetime) -> list[Reading | SetAside]:
    return [decode.to_reading(spec(), site(), sent, received)]


def test_doubles_with_a_time_are_dropped_and_late_ones_kept() -> None:
    caught, clock = Caught(), SteppedClock(AT)
    one = gate(caught, clock)
    for minutes, value in ((5, 20.0), (3, 21.0), (5, 20.0), (4, 20.5), (3, 21.0), (3, 21.5)):
        sent = Sent(value, time=AT - timedelta(minutes=minutes))
        one.offer(spec(), partial(_read, sent), timed=True)
    assert caught.values() == [20.0, 21.0, 20.5, 21.5]
    assert one.doubles == 2


def test_rubbish_is_thinned_too_and_makes_the_sensor_fail() -> None:
    caught, clock = Caught(), SteppedClock(AT)
    one = gate(caught, clock)
    for _ in range(600):
        one.offer(spec(), lambda received: [decode.set_aside(spec(), received, "x", "nonsense")])
        clock.set(clock.now() + timedelta(seconds=1))
        one.look()
    assert 38 <= len(caught.aside) <= 42  # 30, then one a minute
    health = caught.last("s")
    assert health is not None
    assert "nonsense" in health.error
    one.offer(spec(), lambda received: [decode.to_reading(spec(), site(), Sent(20.0), received)])
    health = caught.last("s")
    assert health is not None
    assert health.working


def receipts() -> tuple[Receipts, list[int]]:
    acks: list[int] = []
    made = Receipts(lambda mid, _qos: acks.append(mid))
    made.connect(session_present=False)
    return made, acks


def test_a_message_is_acknowledged_after_its_last_part_and_once() -> None:
    made, acks = receipts()
    one = made.take(7, 1, 1, dup=False)
    assert one is not None
    made.more(one, 2)
    for _ in range(2):
        made.done(one)
        assert acks == []
    made.done(one)
    made.done(one)
    assert acks == [7]
    zero = made.take(0, 0, 2, dup=False)
    assert zero is not None
    made.done(zero)
    assert acks == [7]


def test_what_became_durable_while_away_is_acknowledged_when_it_comes_again() -> None:
    made, acks = receipts()
    one, two = made.take(1, 1, 11, dup=False), made.take(2, 1, 22, dup=False)
    assert one is not None
    assert two is not None
    made.disconnect()
    made.done(one)
    made.connect(session_present=True)
    assert made.take(1, 1, 11, dup=True) is None
    assert acks == [1]
    assert made.take(2, 1, 22, dup=True) is None  # still in hand
    made.done(two)
    assert acks == [1, 2]


def test_an_identifier_of_a_new_session_is_another_message() -> None:
    made, acks = receipts()
    old = made.take(1, 1, 11, dup=False)
    assert old is not None
    made.disconnect()
    made.connect(session_present=False)
    new = made.take(1, 1, 11, dup=False)
    assert new is not None
    made.done(old)
    assert acks == []  # it would have been taken for the new one
    made.done(new)
    assert acks == [1]
    other = made.take(1, 1, 99, dup=True)  # the same number, another payload
    assert other is not None


def test_health_keeps_when_it_began_and_tells_only_news() -> None:
    clock = SteppedClock(AT)
    told: list[SourceHealth] = []
    one = Condition("s", "sensor", clock, told.append, 60.0)
    one.works()
    for _ in range(30):
        clock.set(clock.now() + timedelta(seconds=1))
        one.works()
    assert len(told) == 1
    clock.set(AT + timedelta(seconds=90))
    one.works()
    assert len(told) == 2
    assert told[-1].since == AT
    one.fails("broken")
    clock.set(AT + timedelta(seconds=95))
    one.fails("broken otherwise")
    assert told[-1].since == AT + timedelta(seconds=90)
    assert told[-1].ok_at == AT + timedelta(seconds=90)
    assert told[-1].error == "broken otherwise"
    one.works()
    assert told[-1].since == AT + timedelta(seconds=95)
    assert told[-1].failed_at == AT + timedelta(seconds=95)


def test_the_ladder_is_climbed_in_order_given_up_and_left_at_once() -> None:
    ladder = Ladder(quiet_s=120.0)
    ladder.started(0.0)
    assert not ladder.silent(120.0)
    assert ladder.silent(121.0)
    steps = [ladder.climb() for _ in range(len(RUNGS))]
    assert steps == list(RUNGS)
    assert not ladder.given_up  # the last rung is still to be tried
    assert [ladder.climb() for _ in range(4)] == [*SLOWLY, SLOWLY[0]]
    assert ladder.given_up
    assert {s for s, _ in RUNGS} == set(Step)
    ladder.heard(130.0)
    assert not ladder.given_up
    assert [ladder.look_again() for _ in range(6)] == [1.0, 2.0, 4.0, 8.0, 15.0, 15.0]
    # An adapter that is away for a month is looked for some 170,000 times.
    assert {ladder.look_again() for _ in range(5_000)} == {15.0}
    ladder.started(0.0)
    assert ladder.look_again() == 1.0
