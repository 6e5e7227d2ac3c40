"""When an outlook is made again."""

from __future__ import annotations

import asyncio
import threading
from datetime import UTC, datetime, timedelta

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
    threading.Thread(target=lambda: remake.poke("forecast", matters=True)).start()
    await asyncio.sleep(0.03)
    assert not waiting.done()
    _after(clock, 3)
    assert await asyncio.wait_for(waiting, 5.0) is True


async def test_wait_ends_with_the_beat_where_nothing_is_due() -> None:
    clock = SteppedClock(START)
    remake = Remake(clock)
    remake.taken()
    waiting = asyncio.create_task(remake.wait(beat_s=60.0))
    await asyncio.sleep(0.02)
    _after(clock, 61)
    assert await asyncio.wait_for(waiting, 5.0) is False
