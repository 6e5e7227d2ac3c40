"""The whole service when the time of day cannot be relied on: not set at boot, set by hours, DST, a day asleep.

The service's clock is the machine's with an offset that the test sets, seen by the service as a step of the time of day
against the uptime; a suspend is the same with the uptime counted on (CLOCK_BOOTTIME) and the monotonic clock not.
"""

from __future__ import annotations

import asyncio
import json
import time
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.service import clock as clocks
from monitor.service import outage
from monitor.service.clock import RealClock, SteppedClock
from monitor.service.daemon import Daemon
from tests.notify.sinks import web_server
from tests.service import faulting, harness
from tests.service.conftest import Note
from tests.service.test_faults import another_round, status, trouble
from tests.service.test_faults_store import GAS, channel, titles
from tests.support.broker import Mosquitto
from tests.weather.servers.open_meteo import OpenMeteo

REAL = clocks.offsets


class Machine(RealClock):
    """The machine's clock, off by `off`; `asleep_s` is how long it was suspended."""

    off = timedelta(0)
    asleep_s = 0.0

    def now(self) -> datetime:
        return super().now() + self.off

    def monotonic(self) -> float:
        return super().monotonic() + self.asleep_s

    def real(self, when: datetime) -> datetime:
        return when - self.off

    def offsets(self) -> tuple[float, float]:
        wall, asleep = REAL()
        return wall + self.off.total_seconds() - self.asleep_s, asleep + self.asleep_s


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Machine:
    clock = Machine()
    monkeypatch.setattr(clocks, "offsets", clock.offsets)
    monkeypatch.setattr("monitor.service.loops.LOOK_S", 0.1)  # 5 s: a step is noticed that much later
    return clock


def _site(folder: Path, broker: Mosquitto, server: OpenMeteo) -> Path:
    return harness.write_site(
        folder / "site", harness.SITE, harness.sensors(), harness.broker_table(broker),
        harness.weather_table(server.url), faulting.QUICK,
    )  # fmt: skip


def standing(daemon: Daemon) -> set[str]:
    with harness.look(daemon) as store:
        return {key for key, state in store.alert_states().items() if state.state != "normal"}


TIMED_GAS = f'{GAS}pointer = "/gas"\ntime_pointer = "/at"\n'  # it knows the time, the board does not
UNSET = datetime(1970, 1, 1, 0, 2, tzinfo=UTC)


async def test_1970_at_boot_then_set(tmp_path: Path, broker: Mosquitto, machine: Machine, fault: Note) -> None:
    """Readings that come before the clock is set wait at the broker; none is stored with a time in 1970."""
    seen = harness.Seen()
    machine.off = UNSET - datetime.now(UTC)
    with OpenMeteo(datetime.now(UTC)) as server:
        path = _site(tmp_path, broker, server)
        # its session is at the broker from the run before
        machine.off, was = timedelta(0), machine.off
        async with harness.running(path, machine) as daemon:
            await harness.until(lambda: harness.hears(daemon, broker))
        machine.off = was
        async with harness.running(path, machine, seen.hooks()) as daemon:
            await harness.until(lambda: trouble(daemon, "clock") is not None, what="the clock in status")
            said = trouble(daemon, "clock")
            assert said is not None
            await asyncio.to_thread(broker.publish, "yard/A", "25.5")
            await asyncio.sleep(0.5)
            assert (seen.readings, seen.rounds) == ([], [])
            machine.off = timedelta(0)
            started = time.monotonic()
            await harness.until(lambda: seen.forecasts and seen.rounds, what="work once the clock is set")
            took = time.monotonic() - started
            await harness.until(lambda: seen.readings, what="what waited at the broker")
            assert all(r.time.year > 2000 and r.received.year > 2000 for r in seen.readings)
            assert trouble(daemon, "clock") is None
    fault("clock 1970 at boot", lost="0 of 1 readings", recovered_s=took, told=f"clock: {said.words}")


async def test_gas_is_told_before_the_clock_is_set(
    tmp_path: Path, broker: Mosquitto, machine: Machine, fault: Note, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A board that never learns the time hears its gas sensor, tells of it, and says that it can do nothing else."""
    monkeypatch.setattr(outage, "BLIND_S", 1.0)
    machine.off, seen = UNSET - datetime.now(UTC), harness.Seen()
    with web_server() as web:
        text = (harness.SITE, harness.sensors(), TIMED_GAS, harness.broker_table(broker), channel(web), faulting.QUICK)
        async with harness.running(harness.write_site(tmp_path, *text), machine, seen.hooks()) as daemon:
            started = time.monotonic()
            await harness.until(lambda: len(web.got) > 0, what="that the clock is not set")
            assert titles(web) == ["boiloff cannot work: the machine's clock cannot be believed"]
            assert "before this program existed" in web.got[0][1]["message"]
            while len(web.got) < 2:  # it may be told before the broker has us
                word = {"gas": 1, "at": datetime.now(UTC).isoformat()}
                await asyncio.to_thread(broker.publish, "house/gas", json.dumps(word))
                await asyncio.sleep(0.2)
                assert time.monotonic() - started < 60.0, "gas is not told"
            assert "Get everyone out" in web.got[1][1]["message"]
            assert outage.WRONG_TIME in web.got[1][1]["message"]
            await asyncio.to_thread(broker.publish, "yard/A", "25.5")
            await asyncio.sleep(0.5)
            assert (seen.readings, seen.rounds) == ([], [])
            machine.off = timedelta(0)
            set_at = time.monotonic()
            await harness.until(lambda: "gas-detected/nose" in standing(daemon), what="its alert once the clock is set")
            took = time.monotonic() - set_at
            assert all(r.time.year > 2000 for r in seen.readings)
            entry = daemon.core.board.get("nose")
            assert entry is not None
            assert entry.ok_at is None or entry.ok_at.year > 2000
    fault("gas while 1970", lost="nothing", recovered_s=took, told=f"by push: {titles(web)[0]}; then of gas")


async def test_a_clock_that_was_ahead_does_not_blind_it_for_good(
    tmp_path: Path, broker: Mosquitto, machine: Machine, fault: Note, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Facts of next year, from an hour in which the clock was ahead, are told and passed over after an hour's wait."""
    monkeypatch.setattr("monitor.service.start.HOLD_S", 2.0)
    seen = harness.Seen()
    with OpenMeteo(datetime.now(UTC)) as server:
        path = _site(tmp_path, broker, server)
        machine.off = timedelta(days=400)
        async with harness.running(path, machine, seen.hooks()) as daemon:
            await harness.until(lambda: seen.rounds and harness.hears(daemon, broker))
            await asyncio.to_thread(broker.publish, "yard/A", "20.5")
            await harness.until(lambda: seen.readings, what="a reading of next year")
        machine.off, seen = timedelta(0), harness.Seen()
        async with harness.running(path, machine, seen.hooks()) as daemon:
            started = time.monotonic()
            await harness.until(lambda: trouble(daemon, "clock") is not None, what="the clock in status")
            assert seen.rounds == []
            await harness.until(lambda: seen.rounds and harness.hears(daemon, broker), what="work all the same")
            took = time.monotonic() - started
            said = trouble(daemon, "clock")
            assert said is not None
            assert "goes by it" in said.words
            entry = daemon.core.board.get("scale A")
            assert entry is not None
            assert entry.ok_at is not None
            assert entry.ok_at <= machine.now(), "or its silence would be noticed next year"
            assert all(lv.reading_time is None for lv in seen.rounds[-1].levels), "next year's weight is no level now"
            await asyncio.to_thread(broker.publish, "yard/A", "25.5")
            await harness.until(
                lambda: any(lv.reading_time is not None for lv in seen.rounds[-1].levels), 45.0, "a level of today"
            )
        monkeypatch.setattr("monitor.service.start.HOLD_S", 3600.0)
        again = harness.Seen()
        async with harness.running(path, machine, again.hooks()) as daemon:
            await harness.until(lambda: again.rounds, what="work at once after the next start")
            assert trouble(daemon, "clock") is None
    fault("clock was a year ahead", lost="0 of 2 readings", recovered_s=took, told=f"clock: {said.words}")


@pytest.mark.parametrize("hours", [7, -7])
async def test_clock_set_by_hours(tmp_path: Path, broker: Mosquitto, machine: Machine, fault: Note, hours: int) -> None:
    """Set by hours while it runs: told; readings and outlooks go on at the new time."""
    seen = harness.Seen()
    with OpenMeteo(datetime.now(UTC)) as server:
        async with harness.running(_site(tmp_path, broker, server), machine, seen.hooks()) as daemon:
            await harness.until(lambda: seen.rounds and harness.hears(daemon, broker))
            await asyncio.to_thread(broker.publish, "yard/A", "25.5")
            await harness.until(lambda: seen.readings)
            machine.off = timedelta(hours=hours)
            started, rounds = time.monotonic(), len(seen.rounds)
            await harness.until(lambda: trouble(daemon, "clock") is not None, what="the step in status")
            said = trouble(daemon, "clock")
            assert said is not None
            await asyncio.to_thread(broker.publish, "yard/B", "24.5")
            await harness.until(lambda: len(seen.readings) == 2, what="a reading after the step")
            await harness.until(lambda: len(seen.rounds) > rounds, 45.0, "an outlook after the step")
            took = time.monotonic() - started
            assert abs(seen.rounds[-1].at - machine.now()) < timedelta(seconds=90)
            assert abs(seen.readings[-1].time - machine.now()) < timedelta(seconds=90)
    fault(f"clock set by {hours:+d} h", lost="0 of 2 readings", recovered_s=took, told=f"clock: {said.words}")


async def test_daylight_saving_changes(tmp_path: Path, broker: Mosquitto, fault: Note) -> None:
    """Both changes of the year in America/Chicago, hour by hour (tz database): no hour twice, none left out."""
    for change in (datetime(2026, 3, 8, 8, 0, tzinfo=UTC), datetime(2026, 11, 1, 7, 0, tzinfo=UTC)):
        began, seen = change - timedelta(hours=3), harness.Seen()
        clock = SteppedClock(began)
        with OpenMeteo(began) as server:
            path = _site(tmp_path / f"{change:%m}", broker, server)
            async with harness.running(path, clock, seen.hooks()) as daemon:
                await another_round(seen, clock)
                await harness.until(seen.forecasts.__len__, what="a forecast")
                assert len(seen.forecasts) == 1
                for hour in range(1, 7):
                    clock.advance(began + timedelta(hours=hour))
                    server.now = clock.now()
                    await another_round(seen, clock)
                    times = [h.time for h in seen.rounds[-1].outlook.hours]
                    assert all(b - a == timedelta(hours=1) for a, b in pairwise(times))
                    # cooking from 05 to 23 by the household's clock, whichever holds
                    for at in seen.rounds[-1].outlook.hours:
                        local = at.time.astimezone(ZoneInfo(daemon.core.site.timezone))
                        assert at.may_burn == (5 <= local.hour < 23), local
                assert trouble(daemon, "clock") is None
                assert trouble(daemon, "outlook") is None
    fault("DST, both ways", lost="nothing", recovered_s=0.0, told="nothing: no hour is lost or twice")


async def test_suspended_for_a_day(tmp_path: Path, broker: Mosquitto, machine: Machine, fault: Note) -> None:
    """Asleep for 24 hours: on waking, the forecast is pulled and the outlook made at once."""
    seen = harness.Seen()
    with OpenMeteo(datetime.now(UTC)) as server:
        async with harness.running(_site(tmp_path, broker, server), machine, seen.hooks()) as daemon:
            await harness.until(lambda: seen.forecasts and seen.rounds and harness.hears(daemon, broker))
            machine.off, machine.asleep_s = timedelta(days=1), 86_400.0
            server.now = machine.now()
            started, rounds, pulls = time.monotonic(), len(seen.rounds), len(seen.forecasts)
            first = {t.what: t.words for t in status(daemon).troubles}
            await harness.until(lambda: len(seen.forecasts) > pulls, what="the forecast pulled")
            await harness.until(lambda: len(seen.rounds) > rounds, 45.0, "an outlook after waking")
            took = time.monotonic() - started
            await asyncio.to_thread(broker.publish, "yard/A", "25.5")
            await harness.until(lambda: seen.readings)
            assert abs(seen.readings[-1].time - machine.now()) < timedelta(seconds=90)
            assert trouble(daemon, "clock") is None  # asleep is not a clock that was set
            assert "forecast" in first
            assert trouble(daemon, "forecast") is None
    told = f"until then forecast: {first['forecast']}"
    fault("suspended for a day", lost="nothing (kept at the broker)", recovered_s=took, told=told)
