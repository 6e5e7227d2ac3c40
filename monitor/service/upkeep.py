"""What the database needs to last for years with nobody looking: a copy each day, old readings thinned, the file looked
through, the log taken in. Each part stands on the board; a part that fails is told as an alert."""

from __future__ import annotations

import asyncio
import logging
import shutil
import time
from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.model.errors import BoiloffError
from monitor.model.site import Site
from monitor.sensors import csvfile
from monitor.service import start
from monitor.service.callout import StillHanging
from monitor.service.clock import RealClock
from monitor.service.core import STORE_S, Core
from monitor.service.repairing import DATABASE, damaged_mark, set_right
from monitor.service.schedule import daily, every
from monitor.store import Retention, Store, place, repair
from monitor.store import backup as copying
from monitor.store.repair import Mended

if TYPE_CHECKING:
    from monitor.store.writer import Writer

log = logging.getLogger(__name__)

# Names on the board, all of the kind "store": one that fails is an alert, and outlives a restart.
COPY, THINNING, LOG = "copy", "thinning", "write-ahead log"
NAMES = (COPY, DATABASE, THINNING, LOG)
DONE, LOOKED = "upkeep done", "looked through"  # under which the store keeps when
HOUR = 3  # of the night at the site
DAY = timedelta(days=1)
_MISSED = timedelta(hours=26)  # the machine was off at that hour: it is made good within the hour
_WEEK = timedelta(days=6.5)
_LONG_S = 3600.0  # real seconds that a copy or a look may take: a card of 10 MB/s does 30 GB
_SLICES = 4  # of thinning at one turn of the writer, so that readings never wait for long
_PAUSE_S = 0.1
_TURNS = 20_000
_SPARE_BYTES = 32 << 20  # free beyond the copy, for what comes in meanwhile
_LOG_BYTES = 64 << 20  # a log of this size that cannot be taken in is a fault


def schedule(core: Core) -> None:
    """Put the jobs in the schedule; again where the site's time zone may have changed."""
    core.schedule.add("upkeep", lambda: job(core), daily(HOUR, core.site.timezone))
    core.schedule.add("upkeep that was missed", lambda: missed_job(core), every(3600))


async def missed_job(core: Core) -> None:
    """Do what is due where the last time is more than a day back, or lies ahead of a clock that was set back."""
    if not core.sane.is_set():
        return
    last, now = _time(await core.peek(lambda store: store.get(DONE))), core.clock.now()
    if last is None or not -DAY < now - last < _MISSED:
        await job(core)


async def job(core: Core) -> None:
    """Do all of it in order: the copy first, so that what is thinned is in one; nothing while the clock is wrong."""
    if not core.sane.is_set() or core.keeping:
        return
    core.keeping = True
    try:
        await _all(core)
    finally:
        core.keeping = False


async def _all(core: Core) -> None:
    newest = await core.peek(start.newest_fact)
    if isinstance(core.clock, RealClock) and (trouble := start.clock_trouble(core.clock.now(), newest)):
        log.warning("no upkeep: %s", trouble)
        return
    now = core.clock.now()
    await _part(core, DATABASE, lambda: _look_through(core, now))
    if core.again:
        return  # damaged: the rest is for the run that comes after it was mended
    await _part(core, COPY, lambda: _copy(core, now))
    await _part(core, THINNING, lambda: _thin(core, min(now, newest) if newest is not None else None))
    await _part(core, LOG, lambda: _take_in(core))
    try:
        await core.write(lambda store: store.put(DONE, now.isoformat()))
    except (BoiloffError, TimeoutError) as error:
        log.error("that the upkeep was done cannot be kept: %s", error)


async def _part(core: Core, name: str, part: Callable[[], Awaitable[None]]) -> None:
    try:
        await part()
    except (BoiloffError, OSError, TimeoutError, StillHanging) as error:
        words = " ".join(str(error).split()) or type(error).__name__
        log.error("%s: %s", name, words)
        core.board.fails(name, "store", words)


def mend(site: Site, store: Path, now: datetime) -> Mended | None:
    """Mend a damaged database before it is opened, the lock being held; None where nothing is wrong.

    Raises as `repair.mend` does.
    """
    mark = damaged_mark(store)
    mended = repair.mend(store, now, _folder(site, store), whole=True if mark.exists() else None)
    mark.unlink(missing_ok=True)
    if mended is not None:
        log.error("%s", mended)
    return mended


def tied(writer: Writer, site: Site) -> Writer:
    """Return the writer of a database that is of this site, marked so; raise BadInput where it is of another."""
    try:
        writer.peek(lambda store: place.require(store, site)).result(STORE_S)
    except BaseException:
        writer.close()
        raise
    writer.submit(lambda store: place.tie(store, site))  # not waited for: the disk may be full just now
    return writer


def _folder(site: Site, store: Path) -> Path:
    return copying.folder_of(store, str(site.settings.get("service.backup_dir", "") or ""))


def tell_mended(core: Core, mended: Mended) -> None:
    """Say what became of a damaged database: on the board, and so as an alert to the user."""
    core.board.fails(DATABASE, "store", str(mended), permanent=True)


async def _look_through(core: Core, now: datetime) -> None:
    """Look through the whole file once a week, and say of one that was mended that all is well a day later."""
    last = _time(await core.peek(lambda store: store.get(LOOKED)))
    entry = core.board.get(DATABASE)
    wrong = entry is not None and bool(entry.error)
    if last is not None and timedelta(0) <= now - last < _WEEK and not wrong:
        return

    def look() -> list[str]:
        with Store.open(core.store_path, readonly=True) as store:
            return store.integrity()

    found = await core.calls.call("look through the database", look, _LONG_S)
    if found:
        set_right(core, found[0])
        return
    if entry is not None and entry.permanent and now - entry.since < DAY:
        return  # mended less than a day ago: that is to be heard before it is well again
    core.board.works(DATABASE, "store", value=float(core.store_path.stat().st_size))
    await core.write(lambda store: store.put(LOOKED, now.isoformat()))


async def _copy(core: Core, now: datetime) -> None:
    """Make a copy, look it through and let go of the oldest, where there is room for it."""
    store, settings = core.store_path, core.site.settings
    folder = _folder(core.site, store)
    keep = int(settings.get("service.backups", 7))

    def make() -> copying.Copy | str:
        if words := _no_room(store, folder):
            return words
        _clear(store, folder)
        return copying.backup(store, folder, now, keep)

    made = await core.calls.call("copy of the database", make, _LONG_S)
    if isinstance(made, str):
        core.board.fails(COPY, "store", made)
        return
    log.info("copy %s: %d readings, sound", made.path, made.readings)
    core.board.works(COPY, "store", interval_s=DAY.total_seconds(), value=float(made.size))


def _no_room(store: Path, folder: Path) -> str:
    there = next(p for p in (folder, *folder.absolute().parents) if p.exists())
    need = _size(store) + _size(store.with_name(store.name + "-wal")) + _SPARE_BYTES
    free = shutil.disk_usage(there).free
    if free >= need:
        return ""
    return f"no room for a copy in {folder}: {need / 1e6:.0f} MB are needed, {free / 1e6:.0f} MB are free"


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def _clear(store: Path, folder: Path) -> None:
    """Remove what a copy left that a power cut ended; one under way by hand is younger than a day."""
    for part in folder.glob(f"{store.stem}-*.part*"):
        if abs(time.time() - part.stat().st_mtime) > DAY.total_seconds():
            part.unlink(missing_ok=True)


def retention(site: Site) -> Retention:
    """Return what the site file says is kept whole and for how long."""
    whole, step = site.settings.get("service.retention"), site.settings.get("service.thin_to")
    usual = Retention()
    return Retention(
        readings=usual.readings if whole is None else timedelta(seconds=float(whole)),
        readings_step=usual.readings_step if step is None else timedelta(seconds=float(step)),
        by_hand=(*usual.by_hand, csvfile.SOURCE),  # what a person kept on paper or in a table is no sensor's
    )


async def _thin(core: Core, until: datetime | None) -> None:
    """Thin in turns. Ages count from the newest fact: a clock that runs ahead must not make young readings old."""
    gone, keep = 0, retention(core.site)
    if until is not None:
        for _ in range(_TURNS):
            done, more = await core.write(lambda store: store.thin(until, keep, slices=_SLICES))
            gone += done
            if not more:
                break
            await asyncio.sleep(_PAUSE_S)
    if gone:
        log.info("thinned: %d rows", gone)
    core.board.works(THINNING, "store", value=float(gone))


async def _take_in(core: Core) -> None:
    """Take the log into the file and cut it to nothing, so that a start after a power cut is short."""
    taken = await core.write(lambda store: store.take_in_log())
    size = _size(core.store_path.with_name(core.store_path.name + "-wal"))
    if not taken and size > _LOG_BYTES:
        core.board.fails(LOG, "store", f"{size / 1e6:.0f} MB cannot be taken into the database: a program reads it")
    else:
        core.board.works(LOG, "store", value=float(size))


def _time(text: str | None) -> datetime | None:
    try:
        found = datetime.fromisoformat(text or "")
    except ValueError:
        return None
    return found if found.tzinfo is not None else None
