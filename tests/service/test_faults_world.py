"""The whole service when the world around it fails: no names, no network for a week, a broker that comes and goes, ...

Faults of the forecast server and the broker down at start are in test_faults.py, SIGKILL anywhere in test_killed.py.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import shlex
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from monitor.sensors.bthome import UUID
from monitor.service.clock import SteppedClock
from monitor.service.daemon import Daemon
from tests.service import faulting, harness
from tests.service.conftest import Note
from tests.service.test_faults import another_round, pull, status, trouble
from tests.support.bluez import Bluez
from tests.support.broker import Mosquitto, wait_for
from tests.support.stalls import running
from tests.weather.servers.base import Asked, Reply, json_reply
from tests.weather.servers.open_meteo import OpenMeteo

START = datetime(2026, 1, 5, 14, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
SENDER = "C0:FF:EE:00:00:07"
RADIO = f"""
[[sensor]]
name = "radio scale"
way = "ble"
cylinder = "A"
quantity = "gross_weight"
address = "{SENDER}"
interval = "1 min"
"""


def words(daemon: Daemon, what: str) -> str:
    """What status says of one thing that is wrong with it."""
    said = trouble(daemon, what)
    assert said is not None, [t.what for t in status(daemon).troubles]
    return f"{what}: {said.words}"


async def test_names_do_not_resolve(tmp_path: Path, fault: Note) -> None:
    """Neither the broker's name nor the forecast's resolves (RFC 6761: .invalid never does); it goes on and says so."""
    clock, seen = SteppedClock(START), harness.Seen()
    (tmp_path / "password").write_text("x\n")
    (tmp_path / "password").chmod(0o600)
    table = harness.BROKER.format(port=1883, user="u", password_file=tmp_path / "password", client="boiloff-dns")
    path = harness.write_site(
        tmp_path / "site", harness.SITE, harness.sensors(), table.replace("127.0.0.1", "broker.invalid"),
        harness.weather_table("https://forecast.invalid").rstrip() + '\noptions = {timeout = "2 s"}\n',
    )  # fmt: skip
    async with harness.running(path, clock, seen.hooks()) as daemon:
        await harness.until(lambda: trouble(daemon, "open-meteo") and trouble(daemon, "broker"), what="both in status")
        told = f"{words(daemon, 'open-meteo')}; {words(daemon, 'broker')}"
        await harness.until(lambda: seen.rounds, what="a round all the same")
        assert seen.rounds[-1].outlook.hours == ()  # with no forecast ever nothing is said about the hours ahead
        assert words(daemon, "forecast") == "forecast: none has ever come in"
        with OpenMeteo(clock.now()) as server:  # the name resolves again
            path.write_text(path.read_text().replace("https://forecast.invalid", server.url))
            started = time.monotonic()
            daemon.reload()
            await harness.until(lambda: seen.forecasts, what="a forecast")
            took = time.monotonic() - started
            await harness.until(lambda: trouble(daemon, "open-meteo") is None)
    fault("DNS dead", lost="nothing", recovered_s=took, told=told)


async def test_no_network_for_a_week(tmp_path: Path, stopped_broker: Mosquitto, fault: Note) -> None:
    """Forecast and broker gone for 7 days, hour by hour: the outlook goes on by climate, and says that it is blind."""
    broker, clock, seen = stopped_broker, SteppedClock(START), harness.Seen()
    broker.start()
    with OpenMeteo(START) as server:
        path = harness.write_site(
            tmp_path / "site", harness.SITE, harness.sensors(), harness.broker_table(broker),
            harness.weather_table(server.url), "\n[alerts]\nquiet = false\n",
        )  # fmt: skip
        async with harness.running(path, clock, seen.hooks(draw=random.Random(1))) as daemon:
            await harness.until(lambda: seen.forecasts and harness.hears(daemon, broker))
            broker.publish("yard/A", "25.5")
            await harness.until(lambda: seen.readings)
            server.trap(Reply(503))
            broker.kill()
            for _ in range(7 * 24 // 4):
                clock.advance(clock.now() + 4 * HOUR)
                await asyncio.sleep(0.02)
            while seen.rounds[-1].at < START + timedelta(days=7):
                await another_round(seen, clock)
            found = seen.rounds[-1]
            assert found.outlook.hours
            assert trouble(daemon, "forecast") is not None
            assert trouble(daemon, "broker") is not None
            standing = {a["key"].split("/")[0] for a in status(daemon).alerts}
            assert standing & {"forecast-stale", "sources-failing"}, standing
            assert standing & {"broker-down", "level-old"}, standing
            told = f"alerts {', '.join(sorted(standing))}; {words(daemon, 'forecast')}"
            server.clear()
            server.now, server.run = clock.now() + HOUR, clock.now() - 6 * HOUR
            broker.start()
            back_at = clock.now()
            with running() as took:
                for _ in range(4):
                    await pull(daemon, clock)
                    server.now = clock.now()
                    with contextlib.suppress(AssertionError):
                        await harness.until(lambda: len(seen.forecasts) > 1, 5.0)
                        break
                after = clock.now() - back_at
                await harness.until(lambda: trouble(daemon, "broker") is None, 60.0, "broker back")
                took_s = took.s
            await harness.until(lambda: harness.hears(daemon, broker))
            broker.publish("yard/A", "24.5")
            await harness.until(lambda: len(seen.readings) == 2)
            assert len(seen.forecasts) > 1
    assert took_s < 10.0  # the broker; the forecast comes with the next pull
    assert after <= 1.5 * HOUR
    fault("no network for a week", lost="nothing (kept at the broker)", recovered_s=after.total_seconds(), told=told)


def test_broker_flapping(tmp_path: Path, broker: Mosquitto, fault: Note) -> None:
    """Killed and started five times while readings come: what it was told is safe (QoS 1) is kept, once each."""
    values = faulting.several(100)
    with faulting.served(tmp_path / "site", broker, tmp_path / "store.db") as run:
        for k in range(5):
            faulting.publish(broker, values[20 * k : 20 * k + 20])
            broker.save()  # a broker writes its queue down only now and then: what it loses is not ours to keep
            broker.kill()
            if k == 0:
                wait_for(lambda: "broker" in run.troubles())
                told = run.troubles()["broker"]
            broker.start()
        started = time.monotonic()
        wait_for(lambda: set(values) <= set(run.values()), 90.0)
        took = time.monotonic() - started
        assert len(run.values()) == len(values)
        wait_for(lambda: "broker" not in run.troubles())
        assert run.end() == 0
    fault(
        "broker killed 5 times", lost=f"0 of {len(values)} readings, 0 twice", recovered_s=took, told=f"broker: {told}"
    )


@pytest.fixture
def bluez(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bluez]:
    fake = Bluez()
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", fake.address)
    yield fake
    fake.close()


async def test_adapter_gone(tmp_path: Path, bluez: Bluez, fault: Note) -> None:
    """The Bluetooth adapter is pulled out of the running service and plugged in again."""
    seen = harness.Seen()
    path = harness.write_site(tmp_path, harness.SITE, RADIO, faulting.QUICK)
    packet = 0

    async def heard(more_than: int) -> None:
        nonlocal packet
        ends = time.monotonic() + 60.0
        while len(seen.readings) <= more_than:
            assert time.monotonic() < ends, "not heard"
            packet += 1
            weight = (2000 + packet).to_bytes(2, "little")  # BTHome v2: packet id (00), mass in kg (06, 0.01)
            service = {UUID: bytes([0x40, 0x00, packet % 256, 0x06]) + weight}
            await asyncio.to_thread(bluez.advertise, SENDER, service=service)
            await asyncio.sleep(0.05)

    async with harness.running(path, hooks=seen.hooks()) as daemon:
        await heard(0)
        await asyncio.to_thread(bluez.remove_adapter)
        gone = time.monotonic()
        await harness.until(
            lambda: any(t.what.startswith(("radio", "bluetooth")) for t in status(daemon).troubles), 60.0
        )
        noticed = time.monotonic() - gone
        said = next(t for t in status(daemon).troubles if t.what.startswith(("radio", "bluetooth")))
        await asyncio.to_thread(bluez.add_adapter)
        started, before = time.monotonic(), len(seen.readings)
        await heard(before)
        took = time.monotonic() - started
        await harness.until(lambda: not any(t.what == said.what for t in status(daemon).troubles), 60.0)
    fault(
        "Bluetooth adapter gone", lost="what was sent meanwhile (radio: no queue)", recovered_s=took,
        told=f"{said.what}: {said.words} (after {noticed:.1f} s)",
    )  # fmt: skip


def poison(name: str, server: OpenMeteo, asked: Asked) -> Reply | None:
    """An answer of the right form with something absurd in it."""
    if asked.path.endswith("meta.json"):
        return None
    answer = server.answer(asked.query, ensemble=asked.path.endswith("ensemble"))
    hourly = answer["hourly"]
    for column, values in hourly.items():
        if column.startswith("temperature"):
            if name == "hot":
                values[:] = [90.0] * len(values)
            elif name == "cold":
                values[:] = [-120.0] * len(values)
            elif name == "step":
                values[:] = [v + (60.0 if k % 2 else 0.0) for k, v in enumerate(values)]
    if name == "1970":
        unix = asked.query.get("timeformat") == "unixtime"
        count = len(hourly["time"])
        old = [datetime(1970, 1, 1, tzinfo=UTC) + k * HOUR for k in range(count)]
        hourly["time"] = [int(t.timestamp()) if unix else t.strftime("%Y-%m-%dT%H:%M") for t in old]
    return json_reply(answer)


@pytest.mark.parametrize("name", ["hot", "cold", "step", "1970"])
async def test_poisoned_forecast(tmp_path: Path, fault: Note, name: str) -> None:
    """Absurd but well-formed: it is told and the last good one stays in force, not an outlook on +90 °C."""
    clock, seen = SteppedClock(START), harness.Seen()
    with OpenMeteo(START) as server:
        path = harness.write_site(tmp_path, harness.SITE, harness.weather_table(server.url))
        async with harness.running(path, clock, seen.hooks(draw=random.Random(1))) as daemon:
            await harness.until(lambda: seen.forecasts)
            while not seen.rounds or not seen.rounds[-1].outlook.hours:  # the first may be older than the forecast
                await another_round(seen, clock)
            good = [h.air_k for h in seen.rounds[-1].outlook.hours]
            server.now = START + HOUR
            server._traps.append((lambda asked: poison(name, server, asked), -1))
            await pull(daemon, clock)
            await harness.until(lambda: trouble(daemon, "open-meteo") is not None, what="a trouble in status")
            told = words(daemon, "open-meteo")
            await another_round(seen, clock)
            after = [h.air_k for h in seen.rounds[-1].outlook.hours]
            assert len(seen.forecasts) == 1
            assert np.ptp(np.asarray(after, dtype=float)) <= np.ptp(np.asarray(good, dtype=float)) + 5.0
            server.clear()
            started = time.monotonic()
            for _ in range(6):
                server.now = clock.now() + HOUR
                await pull(daemon, clock)
                if len(seen.forecasts) == 2:
                    break
            took = time.monotonic() - started
            await harness.until(lambda: trouble(daemon, "open-meteo") is None, what="recovery")
    shown = {"hot": "+90 °C", "cold": "-120 °C", "step": "steps of 60 K", "1970": "hours of 1970"}[name]
    fault(f"forecast of {shown}", lost="nothing: the last good one stays", recovered_s=took, told=told)


async def test_bad_site_file_at_reload(tmp_path: Path, broker: Mosquitto, fault: Note) -> None:
    """The old one stays in force, and readings go on coming in; every way to spoil the file."""
    seen, clock = harness.Seen(), SteppedClock(START)
    good = harness.SITE + harness.sensors() + harness.broker_table(broker)
    path = harness.write_site(tmp_path / "site", good)
    bad = {
        "psi": good.replace('"29 lb"', '"29 psi"'), "half": good[: len(good) // 3], "empty": "",
        "binary": None, "gone": None,
    }  # fmt: skip
    told = ""
    async with harness.running(path, clock, seen.hooks()) as daemon:
        await harness.until(lambda: harness.hears(daemon, broker))
        for number, (name, text) in enumerate(bad.items()):
            if name == "gone":
                path.unlink()
            elif text is None:
                path.write_bytes(bytes(range(256)))
            else:
                path.write_text(text)
            daemon.reload()
            await harness.until(lambda: trouble(daemon, "site file") is not None, what=f"{name} in status")
            told = told or words(daemon, "site file")
            broker.publish("yard/A", str(25.5 - 0.01 * number))
            while len(seen.readings) <= number:  # the test's time-out ends it
                await asyncio.sleep(0.01)
            path.write_text(good)
            started = time.monotonic()
            daemon.reload()
            await harness.until(lambda: trouble(daemon, "site file") is None, what=f"mended after {name}")
            took = time.monotonic() - started
        assert [c.name for c in daemon.core.site.cylinders] == ["A", "B"]
    fault("bad site file at reload", lost=f"0 of {len(bad)} readings", recovered_s=took, told=told)


async def test_command_that_hangs(tmp_path: Path, fault: Note) -> None:
    """A forecast command that never ends is ended at its deadline, with its children; the rest goes on."""
    seen, mark = harness.Seen(), tmp_path / "mark"
    script = tmp_path / "command"
    script.write_text(f"#!/bin/sh\nsleep 4321.5 &\necho $! > {mark}\nwait\n")
    script.chmod(0o755)
    table = '\n[[weather]]\nkind = "command"\noptions = {{command = {}, timeout = "1 s"}}\n'
    path = harness.write_site(tmp_path / "site", harness.SITE, table.format(f'"{script}"'))
    async with harness.running(path, hooks=seen.hooks()) as daemon:
        with running() as clock:
            await harness.until(lambda: trouble(daemon, "command") is not None, what="the command in status")
            noticed = clock.s
        told = words(daemon, "command")
        child = Path("/proc") / mark.read_text().strip()
        await harness.until(
            lambda: not child.exists() or "(sleep) Z" in (child / "stat").read_text(), what="child ended"
        )
        await harness.until(lambda: seen.rounds, what="an outlook without it")
        now = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
        lines = "".join(f"{now + k * HOUR:%Y-%m-%dT%H:%MZ},-5\\n" for k in range(48))
        code = f"import sys; sys.stdout.write('time,air_temperature_c\\n{lines}')"
        path.write_text(path.read_text().replace(f'"{script}"', f"'''{shlex.join([sys.executable, '-c', code])}'''"))
        began = time.monotonic()
        daemon.reload()
        await harness.until(lambda: seen.forecasts, what="a forecast of the mended command")
        took = time.monotonic() - began
    assert noticed < 8.0
    fault("command hangs", lost="nothing", recovered_s=took, told=told)
