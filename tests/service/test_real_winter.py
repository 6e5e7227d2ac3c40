"""The real winter of 2017/18 in Illinois, played through the whole service hour by hour.

Thermometer and scales come in over a real broker, the forecast over HTTP, the store is a file, notices go out by mail
through a real mail server. The levels are made up: they fall by 1.3 kg a day from 34 kg (94 % of two 40-lb cylinders).
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
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

# What came of it, kept: kind, raised (local), what it warned of (local), lead in hours, ended (local).
# For a shortfall it is the first hour that truly was uncovered while the alert stood; for fuel, the hour in which the
# supply truly fell below 20 %, or (after the replay's end, by the line the levels fall on) ran out.
EXPECTED = [
    ("cold-shortfall", "22 Dec 09:00", "27 Dec 05:00", 116, "06 Jan 13:00"),
    ("cold-shortfall", "07 Jan 08:00", "none in the replay", None, "stands"),
    ("run-out", "09 Jan 02:00", "15 Jan 03:00", 145, "stands"),
    ("low-fuel", "09 Jan 15:00", "09 Jan 13:00", -2, "stands"),
]
TOLERANCE_H = 2

MAIL = """
[[channel]]
name = "mail"
url = "mailto://localhost:{port}/?smtp=localhost&mode=insecure&from=boiloff%40example.org&to=kim%40example.net"
"""
SERVICE = """
[service]
forecast_every = "3 h"
"""


def left_kg(hour: float) -> float:
    """What each cylinder holds (kg): 17 kg less 0.65 kg a day."""
    return 17.0 - 0.65 * hour / 24.0


@dataclass(frozen=True, slots=True)
class Row:
    """One alert of the replay."""

    kind: str
    raised: datetime
    event: datetime | None
    ended: datetime | None

    @property
    def lead_h(self) -> int | None:
        """Hours from the notice to the event."""
        return None if self.event is None else round((self.event - self.raised) / HOUR)


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
            await harness.until(lambda: (b := daemon.core.board.get("broker")) is not None and b.working)
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


def truly_uncovered(rounds: Iterable[Found]) -> set[datetime]:
    """Hours that were uncovered when they came: the first hour of the outlook made in them."""
    return {f.outlook.hours[0].time for f in rounds if f.outlook.hours and f.outlook.hours[0].uncovered}


def table(notices: Sequence[Notice], uncovered: set[datetime]) -> list[Row]:
    """One row for each occurrence, in the order in which they were raised."""
    rows = []
    for first in sorted((n for n in notices if n.what == "raised"), key=lambda n: n.at):
        ended = next((n.at for n in notices if n.occurrence == first.occurrence and n.what == "ended"), None)
        kind = first.key.split("/", 1)[0]
        event: datetime | None = None
        if kind == "cold-shortfall":
            event = min((h for h in uncovered if first.at <= h < (ended or LAST + HOUR)), default=None)
        elif kind == "low-fuel":
            event = next(t for k in range(1000) if 2 * left_kg(k) < 0.2 * 36.29 and (t := FIRST + k * HOUR))
        elif kind == "run-out":
            event = FIRST + timedelta(hours=17.0 / 0.65 * 24.0)
        rows.append(Row(kind, first.at, event, ended))
    return rows


def shown(time: datetime | None, otherwise: str) -> str:
    """A time on the household's clock, to the hour."""
    if time is None:
        return otherwise
    return f"{(time + timedelta(minutes=30)).astimezone(ZONE).replace(minute=0):%d %b %H:%M}"


def _print(rows: Sequence[Row], notices: Sequence[Notice], uncovered: set[datetime]) -> None:
    print(f"\nIllinois, 20 Dec 2017 - 10 Jan 2018: {len(uncovered)} hours truly uncovered, {len(notices)} notices")
    print(f"{'alert':<16}{'raised':<15}{'of':<20}{'lead':>6}  {'ended'}")
    for row in rows:
        lead = "–" if row.lead_h is None else f"{row.lead_h} h"
        of = shown(row.event, "none in the replay")
        print(f"{row.kind:<16}{shown(row.raised, ''):<15}{of:<20}{lead:>6}  {shown(row.ended, 'stands')}")
    for notice in sorted(notices, key=lambda n: n.at):
        print(f"  {notice.at.astimezone(ZONE):%a %d %b %H:%M} {notice.what:<8} {notice.headline}")


def _matches(row: Row, expected: tuple[str, str, str, int | None, str]) -> bool:
    def near(time: datetime | None, text: str) -> bool:
        try:
            wanted = datetime.strptime(f"2018 {text}", "%Y %d %b %H:%M")  # noqa: DTZ007  a wall-clock time
        except ValueError:
            return time is None
        if time is None:
            return False
        local = time.astimezone(ZONE).replace(tzinfo=None)
        return abs(local.replace(year=2018) - wanted) <= TOLERANCE_H * HOUR

    kind, raised, event, lead, ended = expected
    lead_fits = row.lead_h is None if lead is None else row.lead_h is not None and abs(row.lead_h - lead) <= TOLERANCE_H
    return (
        row.kind == kind
        and near(row.raised, raised)
        and near(row.event, event)
        and lead_fits
        and near(row.ended, ended)
    )


@pytest.mark.timeout(240)
async def test_a_real_winter_through_the_whole_service(tmp_path: Path, broker: Mosquitto) -> None:
    with mail_server() as (letters, port):
        seen, notices = await _play(tmp_path / "site", broker, port)
    uncovered = truly_uncovered(seen.rounds)
    told = [n for n in notices if n.what != "digest"]
    rows = table(told, uncovered)
    _print(rows, told, uncovered)

    assert all(_matches(row, expected) for row, expected in zip(rows, EXPECTED, strict=True)), rows
    # Every hour that was uncovered when it came had been warned of at least a day ahead.
    for hour in uncovered:
        warned = [r for r in rows if r.kind == "cold-shortfall" and r.raised <= hour - 24 * HOUR]
        assert any(r.ended is None or r.ended > hour for r in warned), hour
    # Each notice is mailed once, alone or in a digest; none is mailed twice.
    ids = [str(letter["Message-ID"]) for letter in letters.taken]
    assert len(ids) == len(set(ids)) >= len([n for n in told if n.what == "raised"])
    assert any("burners" in str(letter["Subject"]) for letter in letters.taken)
