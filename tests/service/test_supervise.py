"""Loops that die, hang, or end by themselves."""

from __future__ import annotations

import asyncio
import itertools
import time
from datetime import UTC, datetime

import pytest

from monitor.service import supervise
from monitor.service.clock import FastClock
from monitor.service.supervise import Beat, LoopHealth, Supervisor

START = datetime(2031, 1, 5, 14, 0, tzinfo=UTC)


async def test_a_loop_that_dies_is_started_again_with_growing_waits() -> None:
    told: list[LoopHealth] = []
    supervisor = Supervisor(FastClock(START, 200.0), told.append)
    starts: list[float] = []

    async def dies(beat: Beat) -> None:
        starts.append(time.monotonic())
        beat()
        raise RuntimeError("radio gone")

    supervisor.add("radio", dies, 60.0)
    while len(starts) < 6:
        await asyncio.sleep(0.01)
    await supervisor.stop()
    waits = [b - a for a, b in itertools.pairwise(starts)]
    for k, wait in enumerate(waits):
        assert wait >= 0.5 * 2.0**k / 200.0
    assert told[0].state == "waiting to restart"
    assert told[0].error == "RuntimeError: radio gone"
    assert {t.state for t in told} == {"waiting to restart", "running"}
    assert max(t.restarts for t in told) >= 5


def test_a_loop_that_dies_for_weeks_is_still_waited_for() -> None:
    """At most five minutes a time, 1,024 failures take less than four days: then 2**failures is no float any more."""
    supervisor = Supervisor(FastClock(START, 200.0))
    waits = [supervisor._wait_s(failures) for failures in (1, 10, 1_024, 1_025, 100_000)]
    assert 0.5 <= waits[0] <= 1.0
    assert all(150.0 <= wait <= 300.0 for wait in waits[2:])


async def test_the_others_run_on() -> None:
    supervisor = Supervisor(FastClock(START, 100.0))
    rounds = deaths = 0

    async def dies(beat: Beat) -> None:
        nonlocal deaths
        deaths += 1
        raise RuntimeError("no")

    async def lives(beat: Beat) -> None:
        nonlocal rounds
        while True:
            beat()
            rounds += 1
            await asyncio.sleep(0.001)

    supervisor.add("dies", dies, 60.0)
    supervisor.add("lives", lives, 60.0)
    while deaths < 3 or rounds <= 10:
        await asyncio.sleep(0.01)
    states = {h.name: h.state for h in supervisor.table()}
    assert states == {"dies": "waiting to restart", "lives": "running"}
    await supervisor.stop()


async def test_a_loop_that_ends_by_itself_is_started_again() -> None:
    supervisor = Supervisor(FastClock(START, 1000.0))
    starts = 0

    async def ends(beat: Beat) -> None:
        nonlocal starts
        starts += 1

    supervisor.add("ends", ends, 60.0)
    while starts < 3:
        await asyncio.sleep(0.005)
    assert supervisor.table()[0].error == "ended by itself"
    await supervisor.remove("ends")
    assert supervisor.table() == ()
    await supervisor.stop()


async def test_a_hung_loop_is_named_late_by_the_timer_then_hung(monkeypatch: pytest.MonkeyPatch) -> None:
    uptime_s = 100.0
    monkeypatch.setattr(supervise, "uptime_s", lambda: uptime_s)
    told: list[LoopHealth] = []
    supervisor = Supervisor(FastClock(START, 1000.0), told.append)
    go_on = asyncio.Event()

    async def hangs(beat: Beat) -> None:
        beat()
        await go_on.wait()
        while True:
            beat()
            await asyncio.sleep(0.01)

    supervisor.add("judge", hangs, 50.0)
    supervisor.add("extra", hangs, 50.0, vital=False)
    await asyncio.sleep(0.01)
    uptime_s += 29.0  # the least deadline is 30 s, however fast the clock
    supervisor.look()
    assert told == []
    uptime_s += 2.0
    supervisor.look()
    supervisor.look()
    assert sorted(h.name for h in told) == ["extra", "judge"]
    assert {h.state for h in told} == {"late"}
    assert supervisor.hung() == ()
    uptime_s += 60.0
    assert supervisor.hung() == ("judge",)
    go_on.set()
    while supervisor.hung() or len(told) < 4:
        await asyncio.sleep(0.01)
    assert {h.state for h in supervisor.table()} == {"running"}
    await supervisor.stop()
