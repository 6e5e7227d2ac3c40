"""The service goes on, and status says what is wrong and since when: broker away, forecast server with every fault."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.service import status as view
from monitor.service.clock import SteppedClock
from monitor.service.daemon import Daemon
from monitor.service.round import Found
from tests.service import harness
from tests.support.broker import Mosquitto
from tests.weather.servers.base import Reply, html, json_reply
from tests.weather.servers.open_meteo import OpenMeteo

START = datetime(2026, 1, 5, 14, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def status(daemon: Daemon) -> view.Status:
    """What `boiloff status` would show now."""
    core = daemon.core
    with harness.look(daemon) as store:
        return view.look(core.site, store, core.store_path, core.clock.now())


def trouble(daemon: Daemon, what: str) -> view.Trouble | None:
    """What status says is wrong with one thing."""
    return next((t for t in status(daemon).troubles if t.what == what), None)


async def pull(daemon: Daemon, clock: SteppedClock) -> datetime:
    """Let time pass to the next pull and let it come to its end; return when it was."""
    due = daemon.core.schedule.due("forecast")
    assert due is not None
    clock.advance(due)
    await harness.until(lambda: daemon.core.schedule.due("forecast") != due, what="pull")
    await asyncio.sleep(0.02)  # the job is handed over, and begins with the loop's next turns
    await harness.until(lambda: not daemon.core.schedule._running and not daemon.core.calls.hanging(), what="pull")
    return due


async def another_round(seen: harness.Seen, clock: SteppedClock) -> None:
    """Let time pass until one more outlook has been made."""
    before = len(seen.rounds)
    for _ in range(50):
        clock.advance(clock.now() + timedelta(seconds=5))
        await asyncio.sleep(0.1)
        if len(seen.rounds) > before:
            return
    # It was due within these minutes; a slow machine may still be at it.
    await harness.until(lambda: len(seen.rounds) > before, what="an outlook")


async def round_where(seen: harness.Seen, clock: SteppedClock, true: Callable[[Found], object]) -> None:
    """Let time pass until an outlook has been made of which something is true: one may be under way that is older."""
    for _ in range(5):
        await another_round(seen, clock)
        if true(seen.rounds[-1]):
            return
    raise AssertionError("no such outlook was made")


def old_answer(server: OpenMeteo) -> Reply:
    """A 200 with what was right four days ago."""
    now, server.now = server.now, server.now - timedelta(days=4)
    try:
        return json_reply(
            server.answer({"latitude": "40", "longitude": "-88", "hourly": "temperature_2m", "past_days": "2"})
        )
    finally:
        server.now = now


def nulls(server: OpenMeteo) -> Reply:
    """A 200 in which every value is null."""
    answer = server.answer({"latitude": "40", "longitude": "-88", "hourly": "temperature_2m", "past_days": "2"})
    answer["hourly"]["temperature_2m"] = [None] * len(answer["hourly"]["time"])
    return json_reply(answer)


FAULTS = ["500", "429", "html", "empty", "nulls", "old", "nothing"]


def fault(name: str, server: OpenMeteo) -> Reply:
    """The answer with that fault."""
    return {
        "500": lambda: json_reply({"error": True, "reason": "Something went wrong."}, 500),
        "429": lambda: json_reply({"error": True, "reason": "Hourly API request limit exceeded."}, 429),
        "html": lambda: html(200, "Bad gateway"),
        "empty": lambda: Reply(200, b"", {"Content-Type": "application/json"}),
        "nulls": lambda: nulls(server),
        "old": lambda: old_answer(server),
        "nothing": lambda: Reply(how="hang"),
    }[name]()


@pytest.mark.parametrize("name", FAULTS)
async def test_forecast_server_with_a_fault(tmp_path: Path, broker: Mosquitto, name: str) -> None:
    clock, seen = SteppedClock(START), harness.Seen()
    with OpenMeteo(START) as server:
        path = harness.write_site(
            tmp_path / "site", harness.SITE, harness.sensors(), harness.broker_table(broker),
            harness.weather_table(server.url).rstrip() + '\noptions = {timeout = "1 s"}\n',
        )  # fmt: skip
        async with harness.running(path, clock, seen.hooks(draw=random.Random(1))) as daemon:
            await harness.until(lambda: len(seen.forecasts) == 1)
            await another_round(seen, clock)
            assert trouble(daemon, "open-meteo") is None
            broken = START + HOUR
            server.now = broken
            server.trap(fault(name, server))
            failed_at = await pull(daemon, clock)
            await harness.until(lambda: trouble(daemon, "open-meteo") is not None, what="a trouble in status")
            said = trouble(daemon, "open-meteo")
            assert said is not None
            assert said.since == failed_at
            assert len(said.words) > 10
            # collecting and judging go on, on the last good forecast
            await harness.until(lambda: harness.hears(daemon, broker))
            broker.publish("yard/A", "25.5")
            await harness.until(lambda: len(seen.readings) == 1)
            await round_where(seen, clock, lambda found: found.levels[0].reading_time is not None)
            assert seen.rounds[-1].outlook.hours
            assert seen.rounds[-1].levels[0].left_kg == pytest.approx(25.5 - 13.15, abs=1.5)
            # still failing: since when it failed, not the last time
            await pull(daemon, clock)
            again = trouble(daemon, "open-meteo")
            assert again is not None
            assert again.since == failed_at
            server.clear()
            server.now = clock.now() + HOUR
            for _ in range(12):  # as long as it asked to be left alone, or the wait after many failures
                await pull(daemon, clock)
                if len(seen.forecasts) == 2:
                    break
            await harness.until(lambda: trouble(daemon, "open-meteo") is None, what="recovery")


async def test_broker_down_at_start_then_up_then_restarted(tmp_path: Path, stopped_broker: Mosquitto) -> None:
    broker, clock, seen = stopped_broker, SteppedClock(START), harness.Seen()
    with OpenMeteo(START) as server:
        path = harness.write_site(
            tmp_path / "site", harness.SITE, harness.sensors(), harness.broker_table(broker),
            harness.weather_table(server.url),
        )  # fmt: skip
        async with harness.running(path, clock, seen.hooks()) as daemon:
            await harness.until(lambda: trouble(daemon, "broker") is not None, what="broker down in status")
            said = trouble(daemon, "broker")
            assert said is not None
            assert said.since == START
            await harness.until(lambda: len(seen.forecasts) == 1)
            # judged all the same
            await round_where(seen, clock, lambda found: found.outlook.forecast_source == "open-meteo")
            assert {t.what for t in status(daemon).troubles} >= {"scale A", "scale B", "yard air"}

            broker.start()
            await harness.until(lambda: trouble(daemon, "broker") is None, 60.0, "broker up in status")
            await harness.until(lambda: harness.hears(daemon, broker))
            broker.publish("yard/A", "25.5")
            await harness.until(lambda: len(seen.readings) == 1)

            clock.advance(START + timedelta(minutes=30))
            broker.kill()
            await harness.until(lambda: trouble(daemon, "broker") is not None, what="broker gone in status")
            gone = trouble(daemon, "broker")
            assert gone is not None
            assert gone.since == START + timedelta(minutes=30)
            broker.start()
            await harness.until(lambda: trouble(daemon, "broker") is None, 60.0, "broker back in status")
            await harness.until(lambda: harness.hears(daemon, broker))
            broker.publish("yard/B", "24.5")
            await harness.until(lambda: len(seen.readings) == 2)
