"""APScheduler's asyncio scheduler on a clock of ours: sped up, stepped forward, stepped back."""

from __future__ import annotations

import asyncio
import random
from datetime import UTC, datetime, timedelta

import pytest

from monitor.service.clock import FastClock, SteppedClock
from monitor.service.schedule import Schedule, daily, every, hourly
from tests.support.stalls import running

START = datetime(2031, 1, 5, 14, 0, tzinfo=UTC)


async def _until(condition: object, seconds: float = 30.0) -> None:
    loop = asyncio.get_running_loop()
    end = loop.time() + seconds
    while not condition():  # type: ignore[operator]
        assert loop.time() < end, "not in time"
        await asyncio.sleep(0.005)


async def test_sped_up_jobs_run_at_their_time_of_our_clock() -> None:
    clock = FastClock(START, 3600.0)  # an hour a second
    schedule = Schedule(clock)
    runs: list[datetime] = []

    async def job() -> None:
        runs.append(clock.now())

    with running() as took:
        schedule.add("ten", job, every(600))
        schedule.start()
        await _until(lambda: len(runs) >= 5)
        slack_s = 3600.0 * took.taken_s  # while the machine stood still our clock ran on
    await schedule.stop()
    for k, run in enumerate(runs[:5]):
        late = (run - (START + timedelta(minutes=10 * (k + 1)))).total_seconds()
        assert 0.0 <= late < 540.0 + slack_s, (k, run)


async def test_stepping_forward_runs_what_is_overdue_once() -> None:
    clock = SteppedClock(START)
    schedule = Schedule(clock)
    runs: list[datetime] = []

    async def job() -> None:
        runs.append(clock.now())

    schedule.add("hour", job, every(3600))
    schedule.start()
    await asyncio.sleep(0.05)
    assert runs == []
    clock.set(START + timedelta(hours=5, minutes=20))
    await _until(lambda: runs)
    await asyncio.sleep(0.05)
    assert runs == [START + timedelta(hours=5, minutes=20)]
    assert schedule.due("hour") == START + timedelta(hours=6)
    await schedule.stop()


async def test_stepping_back_does_not_leave_a_job_waiting() -> None:
    clock = SteppedClock(START)
    schedule = Schedule(clock)
    runs: list[datetime] = []

    async def job() -> None:
        runs.append(clock.now())

    schedule.add("hour", job, every(3600))
    schedule.start()
    clock.set(START - timedelta(days=30))
    assert schedule.due("hour") == START - timedelta(days=30) + timedelta(hours=1)
    clock.set(START - timedelta(days=30) + timedelta(hours=1, seconds=1))
    await _until(lambda: runs)
    await schedule.stop()


async def test_first_run_at_once_and_bring_forward() -> None:
    clock = SteppedClock(START)
    schedule = Schedule(clock)
    runs: list[datetime] = []

    async def job() -> None:
        runs.append(clock.now())

    schedule.add("pull", job, every(3600), now=True)
    schedule.start()
    await _until(lambda: len(runs) == 1)
    assert schedule.due("pull") == START + timedelta(hours=1)
    schedule.bring_forward("pull", START + timedelta(minutes=5))
    assert schedule.due("pull") == START + timedelta(minutes=5)
    schedule.bring_forward("pull", START + timedelta(minutes=50))
    assert schedule.due("pull") == START + timedelta(minutes=5)
    clock.set(START + timedelta(minutes=6))
    await _until(lambda: len(runs) == 2)
    await _until(lambda: schedule.due("pull") == START + timedelta(hours=1))
    await schedule.stop()


async def test_a_job_that_fails_or_hangs_does_not_stop_the_rest(caplog: pytest.LogCaptureFixture) -> None:
    clock = FastClock(START, 36_000.0)
    schedule = Schedule(clock)
    runs: list[str] = []

    async def bad() -> None:
        runs.append("bad")
        raise RuntimeError("no luck")

    async def hung() -> None:
        runs.append("hung")
        await asyncio.sleep(3600.0)

    async def good() -> None:
        runs.append("good")

    schedule.add("bad", bad, every(3600))
    schedule.add("hung", hung, every(3600))
    schedule.add("good", good, every(3600))
    schedule.start()
    await _until(lambda: runs.count("good") >= 3 and runs.count("bad") >= 3)
    await schedule.stop()
    assert runs.count("hung") == 1
    assert "no luck" in caplog.text


async def test_ending_in_the_midst_of_a_run_is_no_fault(caplog: pytest.LogCaptureFixture) -> None:
    clock = FastClock(START, 36_000.0)
    schedule = Schedule(clock)
    begun = asyncio.Event()

    async def long() -> None:
        begun.set()
        await asyncio.sleep(3600.0)

    async def short() -> None:
        await asyncio.sleep(0)

    schedule.start()
    schedule.add("long", long, every(3600), now=True)
    await begun.wait()
    schedule.add("short", short, every(60), now=True)
    await asyncio.wait_for(schedule.stop(), 30.0)
    await asyncio.sleep(0.05)
    assert caplog.text == ""


def test_hourly_keeps_away_from_the_turn_of_the_hour() -> None:
    for seed in range(50):
        trigger = hourly(random.Random(seed))
        first = trigger.get_next_fire_time(None, START)
        second = trigger.get_next_fire_time(None, first + timedelta(seconds=1))
        assert 3 <= first.minute <= 57
        assert second - first == timedelta(hours=1)


def test_daily_follows_the_sites_zone_across_the_change() -> None:
    trigger = daily(7, "America/Chicago")
    before = trigger.get_next_fire_time(None, datetime(2031, 3, 8, 0, 0, tzinfo=UTC))
    after = trigger.get_next_fire_time(None, datetime(2031, 3, 9, 18, 0, tzinfo=UTC))
    assert before.astimezone(UTC).hour == 13
    assert after.astimezone(UTC).hour == 12


def test_every_refuses_what_does_not_divide_an_hour() -> None:
    for seconds in (0, 7, 90, 3601):
        with pytest.raises(ValueError, match=r"."):
            every(seconds)
