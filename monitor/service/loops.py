"""The bodies of the service's loops. Each beats at least once a minute of real time while it does well."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import shutil
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path

from monitor import alerts, outlook
from monitor.model.alert import Judgement
from monitor.model.errors import BoiloffError
from monitor.model.forecast import Forecast
from monitor.service import regular, repairing, start
from monitor.service.clock import JumpWatch, RealClock, uptime_s
from monitor.service.core import Core
from monitor.service.lock import leave_word
from monitor.service.outage import Outage
from monitor.service.pull import Pull
from monitor.service.round import Found, work
from monitor.service.supervise import Beat, Supervisor
from monitor.service.systemd import watchdog_s
from monitor.store import Store
from monitor.store.opening import damage_of

log = logging.getLogger(__name__)

ROUND_S = 120.0  # real seconds that a round of outlook and alerts may take
LOOK_S = 5.0  # real seconds between looks at the clock, the loops and the site file
FOREIGN_S = 3.0  # real seconds between looks for facts that a command wrote
DISK_S = 600.0


async def outlook_loop(core: Core, beat: Beat, wake: Callable[[], None]) -> None:
    """Make outlook and alerts whenever there is reason to; `wake` tells the ways out that there are notices."""
    await core.sane.wait()
    while True:
        beat()
        if not await core.remake.wait(60.0):
            continue
        core.busy = True
        reasons = core.remake.taken()
        log.debug("outlook made for %s", ", ".join(reasons))
        try:
            found, telling = await _round(core)
        except Exception as error:
            core.damage = core.damage or damage_of(error)
            core.failing_s = core.failing_s if core.failing_s is not None else uptime_s()
            core.board.fails("outlook", "loop", f"{type(error).__name__}: {error}")
            core.remake.poke("the last round failed", matters=True)  # the supervisor waits longer each time
            raise
        finally:
            core.busy = False
        core.failing_s, core.damage = None, core.damage or found.damage
        if found.failed:
            core.board.fails("outlook", "loop", found.failed, interval_s=3600.0)
            core.remake.poke("the outlook could not be made")
        else:
            core.board.works("outlook", "loop", interval_s=3600.0)
        core.rounds += 1
        core.hooks.on_round(found)
        for tell in core.told:
            tell(found)
        if telling:
            wake()


async def _round(core: Core) -> tuple[Found, bool]:
    """Make and keep one outlook and its alerts; return it, and whether there is something to tell."""
    await asyncio.wait_for(asyncio.wrap_future(core.writer.flush()), ROUND_S)
    site, now, health = core.site, core.clock.now(), core.board.all()

    def compute() -> Found:
        with contextlib.closing(Store.open(core.store_path, readonly=True)) as store:
            return work(site, store, now, health, core.levels)

    found = await core.calls.call("outlook", compute, ROUND_S)
    channels = ["log", *(c.name for c in site.channels if c.name != "log")]

    def keep(store: Store) -> tuple[Judgement, bool]:
        with store.transaction():
            # Judged again here, on the states as they are now: somebody may have acknowledged or shelved meanwhile.
            judgement = alerts.judge(found.conditions, store.alert_states(), found.at, found.site)
            if not found.failed:
                store.add_outlook(found.at, outlook.jsonable(found.outlook, found.site))
            store.commit_judgement(judgement, channels)
            regular_one = regular.summarize(site, store, found, core)
            if regular_one is not None:
                store.enqueue(regular_one, channels, found.at)
        return judgement, bool(judgement.notices) or regular_one is not None

    judgement, telling = await core.write(keep)
    return replace(found, judgement=judgement), telling


async def pull_job(core: Core, pull: Pull) -> None:
    """Pull the forecast once, and see to it that a failure is made good before the next hour."""
    if not core.sane.is_set():
        return
    forecast, again = await pull.round(core.site)
    if again is not None:
        core.schedule.bring_forward("forecast", again)
    due = core.schedule.due("forecast")
    await core.write(lambda store: store.put(start.NEXT_PULL, due.isoformat() if due is not None else ""))
    if forecast is not None:
        core.hooks.on_forecast(forecast)
        core.remake.poke("a new forecast", matters=True)
    else:
        core.remake.poke("no forecast came")


def keeper(core: Core) -> Callable[[Forecast], Awaitable[None]]:
    """Return what stores a forecast."""

    async def keep(forecast: Forecast) -> None:
        await core.write(lambda store: store.add_forecast(forecast))

    return keep


async def foreign_loop(core: Core, beat: Beat) -> None:
    """Notice facts that a command wrote. The writer's own connection sees only what others changed."""
    last = await core.peek(lambda store: store.data_version())
    while True:
        beat()
        await asyncio.sleep(FOREIGN_S)
        version = await core.peek(lambda store: store.data_version())
        if version != last:
            last = version
            core.remake.poke("a fact entered by hand", matters=True)


async def clock_loop(core: Core, beat: Beat) -> None:
    """Wait for a sane clock, then watch for jumps."""
    if not core.sane.is_set():  # begun anew, it does not ask again
        await _believed(core, beat)
    core.board.no_later()
    core.doubt = ""
    core.sane.set()
    watch = JumpWatch(core.clock)
    while True:
        beat()
        await asyncio.sleep(LOOK_S)
        stepped, slept = watch.look()
        if slept:
            log.warning("the machine was suspended for %s", timedelta(seconds=round(slept)))
        if stepped and isinstance(core.clock, RealClock):
            way = "forward" if stepped > 0 else "back"
            text = f"the clock was set {way} by {timedelta(seconds=round(abs(stepped)))}"
            log.warning("%s", text)
            core.board.fails("clock", "clock", text, value=stepped)
            core.board.no_later()


async def _believed(core: Core, beat: Beat) -> None:
    """Wait for a clock that can be believed: without end where it was never set, an hour where only a fact is younger.

    A clock may have been ahead for a while and been put right: what was kept meanwhile must not keep us blind for good.
    """
    newest, began_s = await core.peek(start.newest_fact), uptime_s()
    # a clock of a demo or a replay is what it is told to be
    while isinstance(core.clock, RealClock) and (trouble := start.clock_trouble(core.clock.now(), newest)):
        beat()
        if newest is not None and not start.unset(core.clock.now()) and uptime_s() - began_s >= start.HOLD_S:
            text = f"{trouble}; nobody set it for an hour, so boiloff goes by it, and that fact waits for its time"
            log.warning("%s", text)
            core.board.fails("clock", "clock", text, value=(core.clock.now() - newest).total_seconds())
            with contextlib.suppress(BoiloffError, TimeoutError):
                await core.write(partial(start.pass_over, fact=newest))  # the next start waits no more
            return
        core.doubt = trouble
        core.board.fails("clock", "clock", trouble)
        await asyncio.sleep(LOOK_S)
    core.board.works("clock", "clock", value=0.0)


async def disk_job(core: Core) -> None:
    """Note the free share of the disk where the store is."""
    try:
        usage = shutil.disk_usage(core.store_path.parent)
    except OSError as error:
        core.board.fails("disk", "disk", f"{error.strerror}")
    else:
        core.board.works("disk", "disk", value=usage.free / max(usage.total, 1), interval_s=DISK_S)


async def watch_loop(core: Core, beat: Beat, supervisor: Supervisor, outage: Outage) -> None:
    """The timer that keeps the deadlines and feeds the watchdog, and speaks where the store cannot."""
    every_s = min(LOOK_S, (watchdog_s() or 3 * LOOK_S) / 3)
    left = ""
    while True:
        beat()
        await asyncio.sleep(every_s)
        supervisor.look()
        if core.writer.error != left:  # what cannot be written cannot say so in the store
            left = core.writer.error
            leave_word(core.store_path, left)
        outage.look(core.writer.error, core.writer.waiting)
        if wrong := core.writer.damage or core.damage:
            repairing.set_right(core, wrong)
        elif not core.writer.alive():
            repairing.begin_anew(core, "the thread that writes the store has died")
        if core.writer.error:
            core.board.fails("store", "store", f"{core.writer.error}; {core.writer.waiting} readings wait in memory")
        else:
            core.board.works("store", "store")
        hung = supervisor.hung()
        if hung:
            log.error("hung: %s; the watchdog is not fed", ", ".join(hung))
        else:
            core.notifier.alive()


def stamp_of(path: Path) -> tuple[int, int, int] | None:
    """Return what changes when a file is written or replaced."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size, status.st_ino
