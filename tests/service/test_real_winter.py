"""The real winter of 2017/18 in Illinois, played through the whole service hour by hour.

Thermometer and scales come in over a real broker, the forecast over HTTP, the store is a file, notices go out by mail
through a real mail server. The levels are made up: they fall by 1.3 kg a day from 34 kg (94 % of two 40-lb cylinders).
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.model.alert import Notice
from monitor.service.clock import SteppedClock
from monitor.service.daemon import Daemon
from monitor.service.round import Found
from tests.notify.sinks import mail_server
from tests.service import harness
from tests.service.real_winter import RealWinter, hourly_c
from tests.support.broker import Mosquitto, close

ZONE = ZoneInfo("America/Chicago")
FIRST = datetime(2017, 12, 20, 0, 0, tzinfo=ZONE).astimezone(UTC)
LAST = datetime(2018, 1, 10, 23, 0, tzinfo=ZONE).astimezone(UTC)
TARE_KG = 29 * 0.45359237
HOUR = timedelta(hours=1)

# What came of it, kept. Alerts: kind, raised, ended (local time).
ALERTS = [
    ("cold-shortfall", "22 Dec 15:00", "06 Jan 12:00"),
    ("cold-shortfall", "07 Jan 06:00", "stands"),
    ("run-out", "09 Jan 02:00", "stands"),
    ("low-fuel", "09 Jan 17:00", "stands"),
]
# Each stretch of hours that truly were uncovered when they came: its first hour (local time), hours, coldest degC, and
# how long before it the outlook began to say so without a break while the alert stood.
UNCOVERED = [
    ("01 Jan 05:00", 8, -24.4, 130),
    ("02 Jan 05:00", 6, -23.7, 130),
    ("06 Jan 05:00", 6, -22.2, 130),
]
TOLERANCE_H = 2

MAIL = """
[[channel]]
name = "mail"
url = "mailto://localhost:{port}/?smtp=localhost&mode=insecure&from=boiloff%40example.org&to=kim%40example.net"
"""
SERVICE = """
[service]
forecast_every = "6 h"
"""


def left_kg(hour: float) -> float:
    """What each cylinder holds (kg): 17 kg less 0.65 kg a day, burnt from 05:00 to 23:00 local time."""
    days, of_day = divmod(hour, 24.0)
    return 17.0 - 0.65 * (days + min(max(of_day - 5.0, 0.0), 18.0) / 18.0)


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert of the replay."""

    kind: str
    raised: datetime
    ended: datetime | None


@dataclass(frozen=True, slots=True)
class Uncovered:
    """A run of hours that were uncovered when they came. `said` is when the outlook began to say so, while warned."""

    first: datetime
    hours: int
    coldest_c: float
    said: datetime | None

    @property
    def lead_h(self) -> int:
        """Hours from the warning to the first hour, -1 where there was none."""
        return -1 if self.said is None else round((self.first - self.said) / HOUR)


async def _settle(daemon: Daemon, clock: SteppedClock) -> None:
    """Let outlook and alerts be made, and what there is to tell be handed over, before time goes on."""
    await harness.until(daemon.core.idle, what=f"outlook at {clock.now()}")
    with harness.look(daemon) as store:
        await harness.until(lambda: not store.due(clock.now()), what=f"delivery at {clock.now()}")


async def _play(folder: Path, broker: Mosquitto, port: int) -> tuple[harness.Seen, list[Notice]]:
    air, seen, clock = hourly_c(), harness.Seen(), SteppedClock(FIRST)
    client = broker.client()
    with RealWinter(FIRST, air) as server:
        server.horizon_days = 6
        path = harness.write_site(
            folder, harness.SITE, harness.sensors(), harness.broker_table(broker), harness.weather_table(server.url),
            MAIL.format(port=port), SERVICE,
        )  # fmt: skip
        async with harness.running(path, clock, seen.hooks(draw=random.Random(5))) as daemon:
            await harness.until(lambda: seen.rounds and seen.forecasts)
            await harness.until(lambda: harness.hears(daemon, broker))
            for k in range(int((LAST - FIRST) / HOUR) + 1):
                now = server.now = FIRST + k * HOUR
                clock.advance(now)
                count = len(seen.readings)
                for name in "AB":
                    client.publish(f"yard/{name}", f"{left_kg(k) + TARE_KG:.2f}", 1)
                client.publish("yard/air", f"{air[now]:.2f}", 1)
                await harness.until(lambda n=count: len(seen.readings) >= n + 3, what=f"readings at {now}")  # type: ignore[misc]
                clock.advance(now + timedelta(seconds=5))
                await _settle(daemon, clock)
                due = daemon.core.schedule.due("forecast")
                if due is not None and due < now + HOUR:
                    pulled = len(seen.forecasts)
                    clock.advance(due)
                    await harness.until(lambda n=pulled: len(seen.forecasts) > n, what=f"forecast at {now}")  # type: ignore[misc]
                    clock.advance(due + timedelta(seconds=5))
                    await _settle(daemon, clock)
            with harness.look(daemon) as store:
                notices = store.notices(1000)
                assert len(store.readings()) == 3 * (k + 1)
    close(client)
    return seen, notices


def alerts_of(notices: Sequence[Notice]) -> list[Alert]:
    """One for each occurrence, in the order in which they were raised."""
    found = []
    for first in sorted((n for n in notices if n.what == "raised"), key=lambda n: n.at):
        ended = next((n.at for n in notices if n.occurrence == first.occurrence and n.what == "ended"), None)
        found.append(Alert(first.key.split("/", 1)[0], first.at, ended))
    return found


def stretches(rounds: Sequence[Found], alerts: Sequence[Alert]) -> list[Uncovered]:
    """What truly was uncovered: by the first hour of the outlook made in each hour, on the air and levels that came."""
    true = {f.outlook.hours[0].time: f.outlook.hours[0] for f in rounds if f.outlook.hours}
    found: list[list[datetime]] = []
    for hour in sorted(t for t, h in true.items() if h.uncovered):
        if found and hour - found[-1][-1] == HOUR:
            found[-1].append(hour)
        else:
            found.append([hour])
    return [
        Uncovered(run[0], len(run), min((true[t].air_k or 0.0) - 273.15 for t in run), _said(rounds, alerts, run[0]))
        for run in found
    ]


def _said(rounds: Sequence[Found], alerts: Sequence[Alert], hour: datetime) -> datetime | None:
    """Since when every outlook said that `hour` would be uncovered, a shortfall alert standing."""
    shortfalls = [a for a in alerts if a.kind == "cold-shortfall"]
    since: datetime | None = None
    for made in rounds:
        if made.at > hour:
            break
        told = any(s.start <= hour < s.end for s in made.outlook.uncovered)
        stands = any(a.raised <= made.at and (a.ended is None or a.ended > made.at) for a in shortfalls)
        if not (told and stands):
            since = None
        elif since is None:
            since = made.at
    return since


def shown(time: datetime | None) -> str:
    """A time on the household's clock, to the hour."""
    if time is None:
        return "stands"
    return f"{(time + timedelta(minutes=30)).astimezone(ZONE).replace(minute=0):%d %b %H:%M}"


def _print(alerts: Sequence[Alert], uncovered: Sequence[Uncovered], notices: Sequence[Notice]) -> None:
    print("\nIllinois, 20 Dec 2017 - 10 Jan 2018, two 40-lb cylinders, 94 % falling to 20 %, 65,000 Btu/h for 60 min")
    print(f"{'alert':<16}{'raised':<15}{'ended':<15}")
    for alert in alerts:
        print(f"{alert.kind:<16}{shown(alert.raised):<15}{shown(alert.ended):<15}")
    print(f"{'truly uncovered':<16}{'hours':>6}{'coldest':>10}{'warned ahead':>15}")
    for run in uncovered:
        print(f"{shown(run.first):<16}{run.hours:>6}{run.coldest_c:>7.1f} °C{run.lead_h:>13} h")
    for notice in sorted(notices, key=lambda n: n.at):
        print(f"  {notice.at.astimezone(ZONE):%a %d %b %H:%M} {notice.what:<8} {notice.headline}")


def near(time: datetime | None, text: str) -> bool:
    """Whether a time is the kept one, give or take what an hour's round and rounding make."""
    if time is None or text == "stands":
        return time is None and text == "stands"
    local = time.astimezone(ZONE).replace(tzinfo=None)
    wanted = datetime.strptime(f"{local.year} {text}", "%Y %d %b %H:%M")  # noqa: DTZ007  a wall-clock time
    return abs(local - wanted) <= TOLERANCE_H * HOUR


@pytest.mark.timeout(300)
async def test_a_real_winter_through_the_whole_service(tmp_path: Path, broker: Mosquitto) -> None:
    with mail_server() as (letters, port):
        seen, notices = await _play(tmp_path / "site", broker, port)
    told = [n for n in notices if n.what != "digest"]
    alerts = alerts_of(told)
    uncovered = stretches(seen.rounds, alerts)
    _print(alerts, uncovered, told)

    assert [a.kind for a in alerts] == [kind for kind, _, _ in ALERTS]
    for alert, (_, raised, ended) in zip(alerts, ALERTS, strict=True):
        assert near(alert.raised, raised), alert
        assert near(alert.ended, ended), alert
    assert len(uncovered) == len(UNCOVERED)
    for run, (first, hours, coldest, lead) in zip(uncovered, UNCOVERED, strict=True):
        assert near(run.first, first), run
        assert abs(run.hours - hours) <= TOLERANCE_H, run
        assert run.coldest_c == pytest.approx(coldest, abs=0.1), run
        assert abs(run.lead_h - lead) <= 3 * TOLERANCE_H, run
        assert run.lead_h >= 24, run
    # Each notice is mailed once, alone or in a digest; none is mailed twice.
    ids = [str(letter["Message-ID"]) for letter in letters.taken]
    assert len(ids) == len(set(ids)) >= len(alerts)
    assert any("burners" in str(letter["Subject"]) for letter in letters.taken)
