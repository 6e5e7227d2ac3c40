"""The demo: the whole service on an invented household, its clock sped up, told line by line as it happens."""

from __future__ import annotations

import asyncio
import random
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from monitor import weather
from monitor.model.alert import Notice
from monitor.model.forecast import Forecast
from monitor.model.outlook import Outlook, Stretch
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site, WeatherSource
from monitor.model.units_out import show
from monitor.sensors.simulated import SimulatedSource
from monitor.service import household
from monitor.service.board import Board
from monitor.service.clock import Clock, FastClock
from monitor.service.core import Hooks, Source
from monitor.service.daemon import Daemon
from monitor.service.files import example
from monitor.service.intake import Intake
from monitor.service.round import Found
from monitor.site import load

if TYPE_CHECKING:
    from rich.console import Console

HOURS = 118.0  # of the household's time that the demo shows
_LINE_HOURS = 6.0  # between two lines about the state of things
_SETTINGS = """
[service]
outlook_every = "1 h"
commit_every = "10 min"
"""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the demo saw happen."""

    readings: int
    rounds: int
    turned: bool  # the outlook went from covered to uncovered
    raised: tuple[str, ...]  # kinds of alert
    ended: tuple[str, ...]


class Teller:
    """Prints what happens. Called from the service's threads."""

    def __init__(self, console: Console, site: Site) -> None:
        self._console = console
        self._site = site
        self._zone = ZoneInfo(site.timezone)
        self._lock = threading.Lock()
        self._next_line = household.START
        self._latest: dict[tuple[str, Quantity], Reading] = {}
        self._covered: bool | None = None
        self.readings = self.rounds = 0
        self.turned = False
        self.raised: list[str] = []
        self.ended: list[str] = []

    def reading(self, reading: Reading) -> None:
        """A reading was taken in."""
        with self._lock:
            self.readings += 1
            self._latest[(reading.subject, reading.quantity)] = reading

    def round(self, found: Found) -> None:
        """An outlook was made and judged."""
        with self._lock:
            self.rounds += 1
            if found.at >= self._next_line or self._turns(found.outlook):
                self._next_line = found.at + timedelta(hours=_LINE_HOURS)
                self._line(found)
            for notice in found.judgement.notices:
                self._notice(notice)

    def say(self, text: str, style: str = "") -> None:
        """Print a line of the demo's own."""
        self._console.print(text, style=style or None, highlight=False)

    def _turns(self, outlook: Outlook) -> bool:
        if not outlook.hours:
            return False
        covered = not outlook.uncovered
        turned = self._covered is not None and covered != self._covered
        self.turned = self.turned or (turned and not covered)
        self._covered = covered
        return turned

    def _line(self, found: Found) -> None:
        site = self._site
        air = self._latest.get(("site", Quantity.AIR_TEMPERATURE))
        left = ", ".join(
            f"{level.cylinder} not read yet"
            if level.reading_time is None
            else f"{level.cylinder} {show(level.left_kg, 'mass', site.units)}"
            f" ({level.left_kg / site.cylinder(level.cylinder).full_kg:.0%})"
            for level in found.levels
        )
        outside = show(air.value, "temperature", site.units) if air is not None else "unknown"
        self._console.print(
            f"[bold]{self._when(found.at)}[/]  air {outside:>6}   left: {left}   {self._answer(found.outlook)}",
            highlight=False, soft_wrap=True,
        )  # fmt: skip

    def _answer(self, outlook: Outlook) -> str:
        if not outlook.hours:
            return "[yellow]no outlook yet[/]"
        if not outlook.uncovered:
            return f"[green]covered through {self._when(outlook.hours[-1].time)}[/]"
        return f"[red]uncovered {self._span(outlook.uncovered)}[/]"

    def _span(self, stretches: Sequence[Stretch]) -> str:
        first = stretches[0]
        more = f" and {len(stretches) - 1} more" if len(stretches) > 1 else ""
        return f"{self._when(first.start)}-{first.end.astimezone(self._zone):%H:%M}{more}"

    def _when(self, time: datetime) -> str:
        return time.astimezone(self._zone).strftime("%a %H:%M")

    def _notice(self, notice: Notice) -> None:
        kind = notice.key.split("/", 1)[0]
        if notice.what == "raised":
            self.raised.append(kind)
        elif notice.what == "ended":
            self.ended.append(kind)
        style = {"raised": "bold red", "updated": "yellow", "ended": "bold green"}.get(notice.what, "")
        self._console.print(
            f"  >> {notice.what}: {notice.headline}", style=style or None, highlight=False, soft_wrap=True
        )
        for line in notice.body.splitlines() if notice.what == "raised" else ():
            self._console.print(f"     {line}", style="dim", highlight=False, soft_wrap=True)


async def play(console: Console, *, seconds: float, hours: float = HOURS, page: bool = False) -> Seen:
    """Run the demo for about `seconds` of real time; return what was seen. Leaves nothing behind."""
    with tempfile.TemporaryDirectory(prefix="boiloff-demo-") as folder:
        site_path = Path(folder) / "site.toml"
        site_path.write_text(example("demo.toml").read_text() + _SETTINGS)
        return await _play(console, site_path, seconds, hours, page=page)


async def _play(console: Console, site_path: Path, seconds: float, hours: float, *, page: bool) -> Seen:
    folder = site_path.parent
    clock = FastClock(household.START, hours * 3600.0 / seconds)
    forecast = folder / "demo-forecast.csv"
    world = household.household()
    site = load(site_path)
    teller = Teller(console, site)

    def sources(site: Site, intake: Intake, board: Board, clock: Clock) -> Sequence[Source]:
        return [SimulatedSource(site, world, intake.reading, intake.set_aside, board.put, clock)]

    def fetch(source: WeatherSource, site: Site) -> Forecast:
        household.write_forecast(forecast, clock.now())
        return weather.fetch(source, site, weather.Context(now=clock.now))

    hooks = Hooks(
        sources=sources, fetch=fetch, on_reading=teller.reading, on_round=teller.round,
        draw=random.Random(1),  # noqa: S311  the same demo each time
        page=page,
    )  # fmt: skip
    daemon = Daemon(site_path, folder / "demo.db", clock, hooks)
    running = asyncio.create_task(daemon.run())
    refilled = 0
    while not running.done() and household.hours_since(clock.now()) < hours:
        await asyncio.sleep(0.05)
        if len(world.refilled) > refilled:
            refilled += 1
            teller.say(f"  ** {world.refilled[-1]} comes back from the station, full", "bold cyan")
    daemon.stop()
    await running
    return Seen(teller.readings, teller.rounds, teller.turned, tuple(teller.raised), tuple(teller.ended))
