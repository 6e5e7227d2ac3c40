"""What the parts of one running service share, and the hooks by which a demo or a test stands in for the world."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeVar

from monitor.model.forecast import Forecast
from monitor.model.reading import Reading
from monitor.model.site import Site, WeatherSource
from monitor.notify.direct import Direct
from monitor.service.board import Board
from monitor.service.callout import Callouts
from monitor.service.clock import Clock
from monitor.service.levels import Levels
from monitor.service.remake import Remake
from monitor.service.schedule import Schedule
from monitor.service.systemd import Notifier

if TYPE_CHECKING:
    from monitor.notify.homie import HomiePublisher
    from monitor.service.intake import Intake
    from monitor.service.round import Found
    from monitor.store import Store
    from monitor.store.writer import Writer

T = TypeVar("T")

STORE_S = 60.0  # real seconds for the writer to take a turn: a card that stalls may need many


class Source(Protocol):
    """One way in: starts threads or tasks of its own, hands readings to the intake."""

    def start(self) -> None:
        """Begin; returns at once and raises nothing."""

    def stop(self) -> None:
        """End; returns within a second whatever hangs."""


MakeSources = Callable[[Site, "Intake", Board, Clock], Sequence[Source]]
Fetch = Callable[[WeatherSource, Site], Forecast]


def real_sources(site: Site, intake: Intake, board: Board, clock: Clock) -> Sequence[Source]:
    """Return the ways in that the site file describes."""
    from monitor.sensors.mqtt import SESSION_S, MqttSource

    found: list[Source] = []
    if any(s.way == "mqtt" for s in site.sensors):
        kept_s = SESSION_S if intake.dated else 0
        found.append(MqttSource(site, intake.reading, intake.set_aside, board.put, clock, session_s=kept_s))
    if any(s.way == "ble" for s in site.sensors):
        from monitor.sensors.ble import BleSource

        found.append(BleSource(site, intake.reading, intake.set_aside, board.put, clock))
    return found


def publisher(site: Site, board: Board, clock: Clock) -> HomiePublisher | None:
    """Return what shows the outlook on the broker, None where the site file does not ask for it."""
    if site.broker is None or not site.broker.publish:
        return None
    from monitor.notify.homie import HomiePublisher

    return HomiePublisher(site, board.put, clock)


def real_fetch(clock: Clock) -> Fetch:
    """Return what asks a forecast source, in the time of `clock`."""
    from monitor import weather
    from monitor.weather.memory import Memory

    context = weather.Context(now=clock.now, memory=Memory())
    return lambda source, site: weather.fetch(source, site, context)


@dataclass
class Hooks:
    """Stand-ins for the world, and who wants to be told what. Called from whatever thread is at work."""

    sources: MakeSources = real_sources
    fetch: Fetch | None = None
    on_reading: Callable[[Reading], None] = lambda _: None
    on_forecast: Callable[[Forecast], None] = lambda _: None
    on_round: Callable[[Found], None] = lambda _: None
    draw: random.Random = field(default_factory=random.Random)
    page: bool = False  # whether to serve it, where the site file says so too


@dataclass
class Core:
    """One running service. `site` is replaced as a whole when the site file is read again."""

    site: Site
    site_path: Path
    store_path: Path
    clock: Clock
    hooks: Hooks
    writer: Writer
    board: Board
    remake: Remake
    schedule: Schedule
    calls: Callouts
    notifier: Notifier
    direct: Direct  # tells what the store cannot be asked to tell
    stop: asyncio.Event
    sane: asyncio.Event  # the clock can be believed
    reload: asyncio.Event = field(default_factory=asyncio.Event)  # the site file is to be read again
    told: list[Callable[[Found], None]] = field(default_factory=list)  # who shows each round's outcome elsewhere
    levels: Levels = field(default_factory=Levels)
    rounds: int = 0
    busy: bool = False  # an outlook is being made
    keeping: bool = False  # the database's upkeep is under way
    doubt: str = ""  # why the clock cannot be believed, while that is waited for
    failing_s: float | None = None  # uptime since which no round of outlook and alerts could be kept
    damage: str = ""  # what a read found wrong with the database's file
    given_up: str = ""  # why it is not begun anew any more
    again: str = ""  # why the run ends to be begun anew in this process

    def idle(self) -> bool:
        """Return whether no outlook is being made or due."""
        return not self.busy and self.remake.due() > self.clock.now()

    async def write(self, function: Callable[[Store], T]) -> T:
        """Run `function` in the writer's thread; raises TimeoutError where it does not come to its turn."""
        future: Future[T] = self.writer.submit(function)
        return await asyncio.wait_for(asyncio.wrap_future(future), STORE_S)

    async def peek(self, function: Callable[[Store], T]) -> T:
        """Run `function`, which only reads, in the writer's thread; readings that wait go on waiting."""
        future: Future[T] = self.writer.peek(function)
        return await asyncio.wait_for(asyncio.wrap_future(future), STORE_S)
