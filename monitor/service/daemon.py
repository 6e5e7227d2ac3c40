"""The service on one site: readings in -> store -> outlook -> alerts -> outbox -> notices out, kept running.

One event loop that only waits; everything that can hang has a daemon thread of its own with a deadline.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.interval import IntervalTrigger

from monitor.model.errors import BadInput, SourceFailed
from monitor.model.health import SourceHealth
from monitor.model.reading import Quantity
from monitor.model.site import Site
from monitor.notify.direct import Direct
from monitor.notify.outbox import Worker
from monitor.outlook import record
from monitor.service import closing, loops, official, regular, start, upkeep
from monitor.service.board import Board
from monitor.service.callout import Callouts
from monitor.service.clock import Clock, RealClock
from monitor.service.core import Core, Hooks, Source, publisher, real_fetch
from monitor.service.intake import Intake
from monitor.service.lock import Lock
from monitor.service.outage import Outage, started
from monitor.service.pull import INTERVAL_S, Pull, source_names
from monitor.service.remake import Remake
from monitor.service.schedule import Schedule, every, hourly
from monitor.service.supervise import Beat, LoopHealth, Supervisor
from monitor.service.systemd import Notifier
from monitor.site import load
from monitor.store import place
from monitor.store.writer import Writer
from monitor.web import serve as page

log = logging.getLogger(__name__)

SITE_FILE = "site file"  # its name on the board
SERVICE = "service"
_TURN_S = 20.0  # real seconds between beats of a loop that only waits


class Daemon:
    """One run of the service. Raises BadInput where the site file is bad or another service has the store."""

    def __init__(
        self, site_path: Path, store_path: Path, clock: Clock | None = None, hooks: Hooks | None = None
    ) -> None:
        self._stop_asked = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        site = load(site_path)
        clock = clock or RealClock()
        hooks = hooks or Hooks()
        self.store_path = store_path
        self._lock = Lock(store_path)
        self._lock.take()
        try:
            with Notifier().busy():  # a large database on a slow card takes longer than a start may
                mended = upkeep.mend(site, store_path, clock.now())
            commit_s = clock.real_s(float(site.settings.get("service.commit_every", 300.0)))
            writer = upkeep.tied(Writer(store_path, commit_every_s=commit_s), site)
        except BaseException:
            self._lock.release()
            raise

        def keep(health: SourceHealth) -> None:
            with contextlib.suppress(RuntimeError):  # at the very end the writer is closed
                writer.submit(lambda store: store.set_health(health))

        self.core = Core(
            site=site,
            site_path=site_path,
            store_path=store_path,
            clock=clock,
            hooks=hooks,
            writer=writer,
            board=Board(clock, keep),
            remake=Remake(clock, float(site.settings.get("service.outlook_every", 600.0))),
            schedule=Schedule(clock),
            calls=Callouts(),
            notifier=Notifier(),
            direct=Direct(clock),
            stop=asyncio.Event(),
            sane=asyncio.Event(),
        )
        if mended is not None:
            upkeep.tell_mended(self.core, mended)
        self.supervisor = Supervisor(clock, lambda loop: _to_board(self.core.board, loop))
        self._intake = Intake(site, writer, self.core.remake, hooks.on_reading)
        self._pull = Pull(
            clock, self.core.board, self.core.calls, hooks.fetch or real_fetch(clock), loops.keeper(self.core)
        )
        self._worker = Worker(site, writer, clock, self.core.board.put)
        self._outage = Outage(self.core, self._intake.gas)

    def stop(self) -> None:
        """Ask for the end; from any thread, at any time."""
        self._stop_asked.set()
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self.core.stop.set)

    @property
    def anew(self) -> bool:
        """Whether another run is to follow: one that was asked to end, be it at the last moment, has none."""
        return bool(self.core.again) and not self._stop_asked.is_set()

    def reload(self) -> None:
        """Read the site file again soon; from any thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self.core.reload.set)

    async def run(self) -> None:
        """Run until `stop`."""
        self._loop = asyncio.get_running_loop()
        core = self.core
        try:
            if not self._stop_asked.is_set():
                await self._begin()
                core.notifier.ready()
                log.info("watching %s", core.site.name)
                started(core.site, core.store_path, core.direct, core.clock)
                await core.stop.wait()
        finally:
            if self.anew:
                core.notifier.reloading()  # the process stays: the next run says that it is ready
            else:
                core.notifier.stopping()
            await self._end()
            self._lock.release()

    async def _begin(self) -> None:
        core, add = self.core, self.supervisor.add
        await self._look_back()
        self._worker.start()
        core.schedule.start()
        core.schedule.add("disk", lambda: loops.disk_job(core), every(600), now=True)
        upkeep.schedule(core)
        add("clock", lambda beat: loops.clock_loop(core, beat), 60.0)
        add("watch", lambda beat: loops.watch_loop(core, beat, self.supervisor, self._outage), 60.0)
        add("commands", lambda beat: loops.foreign_loop(core, beat), 120.0)
        add("outlook", lambda beat: loops.outlook_loop(core, beat, self._wake), 300.0)
        add("inputs", self._inputs, 120.0)
        add(SITE_FILE, self._site_file, 120.0)
        if core.hooks.page:
            add(page.NAME, lambda beat: page.loop(core, beat), 120.0, vital=False)

    async def _look_back(self) -> None:
        """Take over what the last run knew, and note this start."""
        core = self.core
        kept = await core.peek(lambda store: store.health())
        names = [s.name for s in core.site.sensors] + [n for n, _ in source_names(core.site)]
        names += ["broker", SERVICE, "clock", *(c.name for c in core.site.channels)]
        # What is not of a sensor or a source goes by its kind, so that its alert does not end with a restart.
        names += [name for name, health in kept.items() if health.kind in {"radio", "disk", "store"}]
        core.board.load(kept, names)
        starts, unclean = await core.write(lambda s: start.begin(s, core.clock.now(), str(core.site_path)))
        if unclean:
            core.board.fails(SERVICE, "service", "the last run ended without notice", value=float(starts))
        else:
            core.board.works(SERVICE, "service", value=float(starts))
        self._expect()

    def _expect(self) -> None:
        core = self.core
        for spec in core.site.sensors:
            core.board.expects(spec.name, "sensor", spec.interval_s)
        for name, _ in source_names(core.site):
            core.board.expects(name, "forecast", INTERVAL_S)

    def _wake(self) -> None:
        self._worker.wake()

    async def _inputs(self, beat: Beat) -> None:
        """Listen and pull, once the clock can be believed."""
        core = self.core
        await self._gas_alone(beat)
        core.schedule.add("forecast", lambda: loops.pull_job(core, self._pull), _pull_trigger(core), now=True)
        core.schedule.add("official warnings", lambda: official.job(core), every(official.EVERY_S), now=True)
        beats_s = int(core.site.settings.get("service.heartbeat_every", 900.0))
        sign_of_life = IntervalTrigger(seconds=beats_s, start_date=core.clock.now())
        core.schedule.add("heartbeat", lambda: regular.heartbeat_job(core), sign_of_life)
        here = await self._as_marked(core.site)
        while True:
            here = await self._listen(here, beat)
            log.info("another cylinder stands there or its stamps were read: the inputs go by it")

    async def _gas_alone(self, beat: Beat) -> None:
        """Wait for a clock that can be believed; until then gas sensors alone are heard, and nothing is kept.

        What they report is told past the store (`outage`). Everything else waits at the broker for its right time.
        """
        core = self.core
        sources: list[Source] | None = None
        try:
            while not core.sane.is_set():
                beat()
                if core.doubt and sources is None:
                    unseen = Board(core.clock, lambda _: None)  # no sensor was last heard in 1970
                    sources = list(core.hooks.sources(_of_gas(core.site), self._intake.undated(), unseen, core.clock))
                    for source in sources:
                        source.start()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(core.sane.wait(), 1.0 if sources is None else _TURN_S)
        finally:
            await _stop_all(core.calls, sources or [])
        now = core.clock.now()
        for word in tuple(self._intake.gas.values()) if sources else ():
            self._intake.reading(replace(word, time=now, received=now))  # it stands until the sensor takes it back

    async def _listen(self, here: Site, beat: Beat) -> Site:
        """Run the sources on the site as the record marks it; return it as it is once the record marks another."""
        core = self.core
        self._intake.site = here
        sources = list(core.hooks.sources(here, self._intake, core.board, core.clock))
        core.told.clear()
        if (shown := publisher(here, core.board, core.clock)) is not None:
            sources.append(shown)
            core.told.append(lambda found: shown.judged(found.outlook, found.judgement))
        try:
            for source in sources:
                source.start()
            while True:
                beat()
                await asyncio.sleep(loops.FOREIGN_S)
                marked = await self._as_marked(here)
                if marked != here:
                    return marked
        finally:
            await _stop_all(core.calls, sources)

    async def _as_marked(self, otherwise: Site) -> Site:
        """Return the site with each cylinder's tare and limit as the record says: what a weight may be goes by them.

        `otherwise` where the store does not answer now: readings are listened to in any case.
        """
        core = self.core
        try:
            told = await core.peek(lambda store: store.entries(record.MARKING))
        except (SourceFailed, TimeoutError):
            return otherwise
        return record.marked(core.site, told, core.clock.now())

    async def _site_file(self, beat: Beat) -> None:
        """Read the site file again when it changed or when asked; a bad one changes nothing and is told."""
        core = self.core
        stamp = loops.stamp_of(core.site_path)
        while True:
            beat()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(core.reload.wait(), loops.LOOK_S)
            seen = loops.stamp_of(core.site_path)
            if not core.reload.is_set() and seen == stamp:
                continue
            core.reload.clear()
            stamp = seen
            try:
                await self._reload()
            except Exception:  # no memory for it, say: this loop begins anew, and must not take the change for read
                core.reload.set()
                raise

    async def _reload(self) -> None:
        core = self.core
        core.notifier.reloading()
        try:
            site = await core.calls.call(SITE_FILE, lambda: load(core.site_path), 30.0)
            await core.peek(lambda store: place.require(store, site))
        except BadInput as error:
            log.error("the site file is bad, the old one stays in force:\n%s", error)
            core.board.fails(
                SITE_FILE, "site", f"bad, so the old one stays in force: {' / '.join(str(error).splitlines())}"
            )
        except (OSError, TimeoutError, SourceFailed) as error:
            core.board.fails(SITE_FILE, "site", f"cannot be read, so the old one stays in force: {error}")
        else:
            core.board.works(SITE_FILE, "site")
            if site != core.site:
                await self._take_over(site)
        finally:
            core.remake.poke("the site file was read again", matters=True)  # what is wrong with it is told now
            core.notifier.ready()

    async def _take_over(self, site: Site) -> None:
        core = self.core
        log.info("the site file changed: %s", site.name)
        old = {s.name for s in core.site.sensors} | {n for n, _ in source_names(core.site)}
        core.site = self._intake.site = site
        for name in old - {s.name for s in site.sensors} - {n for n, _ in source_names(site)}:
            core.board.forget(name)
        self._expect()
        await self.supervisor.remove("inputs")
        self._worker.stop(0.5)
        self._worker = Worker(site, core.writer, core.clock, core.board.put)
        self._worker.start()
        self.supervisor.add("inputs", self._inputs, 120.0)
        upkeep.schedule(core)

    async def _end(self) -> None:
        """End in order, each part within its time: within two seconds whatever hangs, later where the store goes on."""
        core = self.core
        core.direct.stop()
        await core.schedule.stop()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self.supervisor.stop(), 1.1)
        self._worker.stop(0.2)
        if not closing.closed(core.writer, core.board.unwritten(), core.clock.now()):
            log.error("the store did not come to rest in time; what was acknowledged is safe")


def _to_board(board: Board, loop: LoopHealth) -> None:
    if loop.state == "running":
        board.works(f"loop {loop.name}", "loop", interval_s=loop.deadline_s)
    else:
        reason = f": {loop.error}" if loop.error else ""
        board.fails(f"loop {loop.name}", "loop", f"{loop.state}{reason}", interval_s=loop.deadline_s)


def _pull_trigger(core: Core) -> BaseTrigger:
    seconds = int(core.site.settings.get("service.forecast_every", INTERVAL_S))
    if seconds == INTERVAL_S:
        return hourly(core.hooks.draw)
    # counted from a moment drawn once, so that many houses do not ask at the same second
    first = core.clock.now().replace(minute=core.hooks.draw.randint(0, 59), second=core.hooks.draw.randint(0, 59))
    return IntervalTrigger(seconds=seconds, start_date=first)


def _of_gas(site: Site) -> Site:
    """Return the site with its gas sensors alone, heard in a session of their own: the other keeps what waits."""
    # Without the sender's own time: against a clock of 1970 it would lie in the future, and the word be refused.
    gas = tuple(replace(s, time_pointer="") for s in site.sensors if s.quantity == Quantity.GAS_DETECTED.value)
    broker = site.broker and replace(site.broker, client_id=f"{site.broker.client_id}-gas")
    return replace(site, sensors=gas, broker=broker)


async def _stop_all(calls: Callouts, sources: Sequence[Source]) -> None:
    stops = [calls.call(f"end of source {k}", source.stop, 1.0) for k, source in enumerate(sources)]
    for result in await asyncio.gather(*stops, return_exceptions=True):
        if isinstance(result, Exception):
            log.error("a source did not end: %s", result)
