"""When an outlook is made again."""

from __future__ import annotations

import asyncio
import threading
from datetime import UTC, datetime, timedelta

import pytest

from monitor.service.clock import SteppedClock
from monitor.service.remake import Remake

START = datetime(2031, 1, 5, 14, 0, tzinfo=UTC)


def _after(clock: SteppedClock, seconds: float) -> None:
    clock.advance(clock.now() + timedelta(seconds=seconds))


def test_first_at_once_then_ordinary_readings_wait_for_the_gap() -> None:
    clock = SteppedClock(START)
    remake = Remake(clock)
    assert remake.due() == START
    assert remake.taken() == ("start",)
    _after(clock, 60)
    remake.poke("reading of A")
    remake.poke("reading of A")
    remake.poke("reading of B")
    assert remake.due() == START + timedelta(seconds=600)
    _after(clock, 900)
    assert remake.taken() == ("reading of A", "reading of B")
    _after(clock, 650)
    remake.poke("reading of A")
    assert remake.due() == clock.now() + timedelta(seconds=2)


def test_what_matters_comes_soon_and_is_not_pushed_back() -> None:
    clock = SteppedClock(START)
    remake = Remake(clock)
    remake.taken()
    _after(clock, 10)
    remake.poke("A swapped", matters=True)
    soon = clock.now() + timedelta(seconds=2)
    assert remake.due() == soon
    remake.poke("reading of A")
    assert remake.due() == soon


def test_each_hour_anyhow_just_after_its_turn() -> None:
    clock = SteppedClock(START + timedelta(minutes=40))
    remake = Remake(clock)
    remake.taken()
    assert remake.due() == START + timedelta(hours=1, seconds=2)
    _after(clock, 1500)
    assert remake.taken() == ("another hour",)


def test_a_poke_does_not_put_off_what_is_due_anyhow() -> None:
    clock = SteppedClock(START + timedelta(minutes=57))
    remake = Remake(clock)
    remake.taken()
    _after(clock, 60)
    remake.poke("reading of A")
    assert remake.due() == START + timedelta(hours=1, seconds=2)


def test_a_jump_of_the_clock_is_a_reason() -> None:
    clock = SteppedClock(START)
    remake = Remake(clock)
    remake.taken()
    clock.set(START - timedelta(days=400))
    assert remake.due() == clock.now() + timedelta(seconds=2)
    _after(clock, 10)
    assert "the clock jumped" in remake.taken()


def test_a_clock_set_back_holds_nothing_up() -> None:
    clock = SteppedClock(START)
    remake = Remake(clock)
    remake.taken()
    clock._listeners.clear()  # as if nobody had noticed
    clock.set(START - timedelta(days=1))
    remake.poke("reading of A")
    assert remake.due() <= clock.now() + timedelta(seconds=600)


async def test_wait_ends_by_a_poke_from_another_thread() -> None:
    clock = SteppedClock(START)
    remake = Remake(clock)
    assert await remake.wait() is True
    remake.taken()
    waiting = asyncio.create_task(remake.wait())
    await asyncio.sleep(0.03)
    assert not waiting.done()
    thread = threading.Thread(target=lambda: remake.poke("forecast", matters=True))
    thread.start()
    thread.join()
    await asyncio.sleep(0.03)
    assert not waiting.done()
    _after(clock, 3)
    assert await asyncio.wait_for(waiting, 30.0) is True


async def test_wait_ends_with_the_beat_where_nothing_is_due() -> None:
    clock = SteppedClock(START)
    remake = Remake(clock)
    remake.taken()
    waiting = asyncio.create_task(remake.wait(beat_s=60.0))
    await asyncio.sleep(0.02)
    _after(clock, 61)
    assert await asyncio.wait_for(waiting, 30.0) is False


class _Long:
    """A real clock that stands still but for what an outlook is said to take."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_s = 0.0
        monkeypatch.setattr("monitor.service.remake.time.monotonic", lambda: self.now_s)


def _made(remake: Remake, clock: SteppedClock, real: _Long, seconds: float) -> None:
    remake.taken()
    _after(clock, seconds)
    real.now_s += seconds
    remake.done()


def test_after_a_long_outlook_the_rest_grows_in_proportion(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, real = SteppedClock(START), _Long(monkeypatch)
    remake = Remake(clock)
    _made(remake, clock, real, 20.0)
    remake.poke("reading of A")
    assert remake.due() == START + timedelta(seconds=600)  # 20 s each ten minutes are 3 % of a core
    _after(clock, 580)
    remake.taken()
    began = clock.now()
    remake.poke("reading of B")  # before anybody knows how long this one takes
    _after(clock, 110)
    real.now_s += 110
    remake.done()
    assert remake.due() == began + timedelta(seconds=7 * 110)
    remake.poke("reading of A")
    assert remake.due() == began + timedelta(seconds=7 * 110)


def test_changes_that_matter_one_after_the_other_leave_half_the_core(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, real = SteppedClock(START), _Long(monkeypatch)
    remake = Remake(clock)
    _made(remake, clock, real, 30.0)
    remake.poke("A swapped", matters=True)  # the first is taken at once, whatever an outlook takes
    assert remake.due() == clock.now() + timedelta(seconds=2)
    _after(clock, 2)
    began = clock.now()
    _made(remake, clock, real, 30.0)
    remake.poke("B swapped", matters=True)
    assert remake.due() == began + timedelta(seconds=60)
    _after(clock, 300)  # rested as long as it should
    _made(remake, clock, real, 30.0)
    remake.poke("C swapped", matters=True)
    assert remake.due() == clock.now() + timedelta(seconds=2)


def test_a_short_outlook_of_a_fast_clock_needs_no_longer_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, real = SteppedClock(START), _Long(monkeypatch)
    remake = Remake(clock)
    remake.taken()
    _after(clock, 300)  # a second at three hundred times the speed
    real.now_s += 1.0
    remake.done()
    remake.poke("reading of A")
    assert remake.due() == START + timedelta(seconds=600)


def test_whoever_waits_for_the_next_has_made_the_last(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, real = SteppedClock(START), _Long(monkeypatch)
    remake = Remake(clock)
    remake.taken()
    _after(clock, 200)
    real.now_s += 200
    assert asyncio.run(remake.wait(0.0)) is False
    remake.poke("reading of A")
    assert remake.due() == START + timedelta(seconds=1400)
