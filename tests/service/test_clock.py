"""The three clocks, and the watch for steps and suspends."""

from __future__ import annotations

import asyncio
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from monitor.service import clock as clocks

START = datetime(2031, 1, 5, 14, 0, tzinfo=UTC)


def test_real_clock_is_the_machines() -> None:
    clock = clocks.RealClock()
    first, told, second = datetime.now(UTC), clock.now(), datetime.now(UTC)
    assert first <= told <= second
    assert clock.real(START) == START
    before = clock.monotonic()
    clock.sleep(0.02)
    assert 0.02 <= clock.monotonic() - before < 30.0


def test_fast_clock_runs_at_its_speed() -> None:
    clock = clocks.FastClock(START, 1000.0)
    assert START <= clock.now() < START + timedelta(hours=12)
    real = time.monotonic()
    before = clock.monotonic()
    clock.sleep(60.0)
    assert 0.06 <= time.monotonic() - real < 30.0  # 60 s if it ran at the machine's speed
    assert clock.monotonic() - before >= 60.0
    first = datetime.now(UTC)
    ahead = clock.real(clock.now() + timedelta(seconds=1000)) - timedelta(seconds=1)
    assert first - timedelta(seconds=0.1) <= ahead <= datetime.now(UTC) + timedelta(seconds=0.1)


def test_fast_clock_refuses_standing_still() -> None:
    with pytest.raises(ValueError, match="above 0"):
        clocks.FastClock(START, 0.0)


def test_stepped_clock_wakes_who_waits() -> None:
    asleep, woken = threading.Event(), []

    class Waiting(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            asleep.set()  # it has reckoned until when
            return super().wait(timeout)

    clock = clocks.SteppedClock(START)

    def sleeper() -> None:
        clock.wait(Waiting(), 3600.0)
        woken.append(clock.now())

    thread = threading.Thread(target=sleeper)
    thread.start()
    assert asleep.wait(30.0)
    clock.set(START + timedelta(minutes=59))
    time.sleep(0.05)
    assert not woken
    clock.set(START + timedelta(minutes=61))
    thread.join(30.0)
    assert woken == [START + timedelta(minutes=61)]


def test_stepped_clock_never_counts_back() -> None:
    clock = clocks.SteppedClock(START)
    clock.set(START + timedelta(hours=1))
    clock.set(START)
    assert clock.now() == START
    assert clock.monotonic() == 3600.0


async def test_stepped_pause_lets_others_run() -> None:
    clock = clocks.SteppedClock(START)
    waiting = asyncio.create_task(clock.pause(10.0))
    await asyncio.sleep(0.03)
    assert not waiting.done()
    clock.set(START + timedelta(seconds=10))
    await asyncio.wait_for(waiting, 30.0)


def test_wait_ends_with_the_event() -> None:
    for clock in (clocks.RealClock(), clocks.FastClock(START, 10.0), clocks.SteppedClock(START)):
        event = threading.Event()
        threading.Timer(0.02, event.set).start()
        assert clock.wait(event, 3600.0)


def test_jump_watch_tells_a_step_from_a_suspend(monkeypatch: pytest.MonkeyPatch) -> None:
    wall, asleep = 1000.0, 0.0
    monkeypatch.setattr(clocks, "offsets", lambda: (wall, asleep))
    clock = clocks.RealClock()
    told: list[int] = []
    clock.on_jump(lambda: told.append(1))
    watch = clocks.JumpWatch(clock)
    assert watch.look() == (0.0, 0.0)
    wall += 7200.0
    assert watch.look() == (7200.0, 0.0)
    assert watch.look() == (0.0, 0.0)
    asleep += 86_400.0
    assert watch.look() == (0.0, 86_400.0)
    wall -= 50.0
    assert watch.look() == (-50.0, 0.0)
    wall += 5.0  # what a time daemon may do at any moment
    assert watch.look() == (0.0, 0.0)
    assert len(told) == 3


def test_offsets_hold_still_on_a_quiet_machine() -> None:
    tries = [(clocks.offsets(), clocks.offsets()) for _ in range(20)]  # a machine may stand still within one of them
    assert any(first == pytest.approx(second, abs=0.1) for first, second in tries)
