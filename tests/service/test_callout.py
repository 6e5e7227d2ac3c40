"""Calls that hang, fail or come back late."""

from __future__ import annotations

import asyncio
import threading
import time

import pytest

from monitor.service.callout import Callouts, StillHanging


async def test_hands_back_value_and_error() -> None:
    calls = Callouts()
    assert await calls.call("a", lambda: 7, 30.0) == 7

    def fails() -> int:
        raise ConnectionError("refused")

    with pytest.raises(ConnectionError, match="refused"):
        await calls.call("a", fails, 30.0)


async def test_a_hanging_call_delays_nobody_and_is_not_repeated() -> None:
    calls = Callouts()
    release = threading.Event()
    started = time.monotonic()
    with pytest.raises(TimeoutError, match="did not come back"):
        await calls.call("hung", release.wait, 0.05)
    with pytest.raises(StillHanging, match="hung"):
        await calls.call("hung", release.wait, 0.05)
    assert await calls.call("other", lambda: 1, 30.0) == 1
    assert time.monotonic() - started < 30.0  # the one that hangs does so until it is let go
    assert calls.hanging() == ("hung",)
    release.set()
    while calls.hanging():
        await asyncio.sleep(0.01)
    assert await calls.call("hung", lambda: 2, 30.0) == 2


async def test_a_thread_that_is_slow_to_end_after_its_result_is_no_hanging_call(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As on a busy machine: the result is there, the thread has not yet been let run to its end."""
    release = threading.Event()

    class Slow(threading.Thread):
        def run(self) -> None:
            super().run()
            release.wait(30.0)

    calls = Callouts()
    monkeypatch.setattr(threading, "Thread", Slow)
    try:
        assert [await calls.call("round", lambda: 7, 30.0) for _ in range(3)] == [7, 7, 7]
        assert calls.hanging() == ()
        assert sum(t.name == "round" for t in threading.enumerate()) == 3
    finally:
        release.set()


async def test_cancelling_the_wait_leaves_the_loop_free() -> None:
    calls = Callouts()
    release = threading.Event()
    waiting = asyncio.create_task(calls.call("hung", release.wait, 60.0))
    await asyncio.sleep(0.02)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    release.set()
