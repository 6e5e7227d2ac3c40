"""Upkeep on real store files: mending at the start, copies that rotate, thinning, a database tied to its site."""

from __future__ import annotations

import asyncio
import contextlib
import random
import shutil
import subprocess
import sys
from collections import namedtuple
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.commands import _status
from monitor.model.errors import BadInput
from monitor.model.reading import Quantity, Reading
from monitor.service import repairing, upkeep
from monitor.service import status as view
from monitor.service.clock import SteppedClock
from monitor.service.daemon import Daemon
from monitor.site import load
from monitor.store import Store, backup, place, repair, schema
from tests.service import harness
from tests.service.test_faults import trouble
from tests.store import support

START = datetime(2026, 1, 5, 14, 0, tzinfo=UTC)
DAY = timedelta(days=1)
PAGE = schema.PAGE_BYTES
Usage = namedtuple("Usage", "total used free")


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("sound") / "store.db"
    with Store.open(path) as store:
        support.fill(store, 4000)
    return path.read_bytes()


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return harness.write_site(tmp_path, harness.SITE)


def noise(data: bytes, share: float = 0.05) -> bytes:
    """The file with noise in its middle, as a card that wears out leaves it."""
    middle, width = len(data) // PAGE // 2, max(1, round(len(data) / PAGE * share))
    return data[: middle * PAGE] + random.Random(3).randbytes(width * PAGE) + data[(middle + width) * PAGE :]


def elsewhere(site: Path, name: str = "other.toml") -> Path:
    path = site.with_name(name)
    path.write_text(harness.SITE.replace("Test yard", "Lake house").replace("40.12", "44.98"))
    return path


def boiloff(*args: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *map(str, args)], capture_output=True, text=True, timeout=60, check=False
    )


def files(folder: Path, pattern: str) -> list[Path]:
    return sorted(folder.glob(pattern))


# A damaged database ---------------------------------------------------------------------------------------------------


async def test_a_damaged_database_is_set_aside_and_made_anew_and_the_service_goes_on(site: Path, sound: bytes) -> None:
    path, seen, clock = site.with_name("store.db"), harness.Seen(), SteppedClock(START)
    spoilt = noise(sound)
    path.write_bytes(spoilt)
    async with harness.running(site, clock, seen.hooks()) as daemon:
        (aside,) = files(site.parent, "store.damaged-*.db")
        assert aside.read_bytes() == spoilt, "kept as it was found"
        await harness.until(lambda: seen.rounds)
        said = trouble(daemon, "database")
        assert said is not None
        assert "was damaged" in said.words
        assert str(aside) in said.words
        assert said.since == START
        await pass_until(daemon, clock, lambda: told(daemon, "store database"))
        daemon.core.writer.submit_reading(
            Reading(START, START, "A", Quantity.PROPANE_LEFT, 9.0, "hand"), at_once=True
        )  # collecting goes on
        await harness.until(lambda: 9.0 in values(daemon))
        kept = len(values(daemon)) - 1
    assert 0.9 * 4000 < kept < 4003
    with Store.open(path) as store:
        assert store.integrity(thorough=True) == []


async def pass_until(daemon: Daemon, clock: SteppedClock, true: Callable[[], object]) -> None:
    """Let time pass in steps of five minutes, as an alert waits a while before it is told."""
    for _ in range(24):
        clock.advance(clock.now() + timedelta(minutes=5))
        await harness.until(lambda: true() or daemon.core.idle(), what="the outlook of this step")
        with contextlib.suppress(AssertionError):
            return await harness.until(true, 0.5)
    return await harness.until(true, 0.1, "a notice within two hours")


def told(daemon: Daemon, subject: str) -> list[str]:
    with harness.look(daemon) as store:
        return [n.headline for n in store.notices() if n.key == f"part-failing/{subject}"]


def values(daemon: Daemon) -> list[float | None]:
    with harness.look(daemon) as store:
        return [r.value for r in store.readings(include_corrected=True)]


async def test_that_it_was_mended_is_told_for_a_day_and_over_a_restart(site: Path, sound: bytes) -> None:
    path, clock = site.with_name("store.db"), SteppedClock(START)
    path.write_bytes(noise(sound))
    async with harness.running(site, clock):
        pass
    async with harness.running(site, clock) as daemon:
        await harness.until(daemon.core.sane.is_set)
        assert len(files(site.parent, "store.damaged-*.db")) == 1, "not mended twice"
        await upkeep.job(daemon.core)
        entry = daemon.core.board.get("database")
        assert entry is not None
        assert "was damaged" in entry.error
        clock.advance(START + 1.1 * DAY)
        await upkeep.job(daemon.core)
        entry = daemon.core.board.get("database")
        assert entry is not None
        assert entry.working


def test_mended_twice_in_the_same_second_of_1970_loses_neither(site: Path, sound: bytes) -> None:
    path, epoch = site.with_name("store.db"), datetime(1970, 1, 1, 0, 0, 7, tzinfo=UTC)
    for _ in range(2):
        path.write_bytes(noise(sound))
        assert upkeep.mend(load(site), path, epoch) is not None
    assert len(files(site.parent, "store.damaged-19700101T000007Z*.db")) == 2


async def test_a_database_that_cannot_be_mended_leaves_no_lock(
    site: Path, sound: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    path = site.with_name("store.db")
    path.write_bytes(noise(sound))
    with monkeypatch.context() as patch:
        patch.setattr(repair, "mend", full)
        with pytest.raises(OSError, match="No space"):
            Daemon(site, path)
    async with harness.running(site, SteppedClock(START)):
        assert files(site.parent, "store.damaged-*.db")


async def test_damage_found_while_it_runs_is_told_and_ends_the_run_so_that_the_next_start_mends_it(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with harness.running(site, SteppedClock(START)) as daemon:
        await harness.until(daemon.core.sane.is_set)
        monkeypatch.setattr(Store, "integrity", lambda _: ["Tree 9 page 40: btreeInitPage() returns error code 11"])
        await upkeep.job(daemon.core)
        await harness.until(lambda: trouble(daemon, "database"))  # it is kept on the way out
        said = trouble(daemon, "database")
        assert said is not None
        assert "it is being mended" in said.words
        assert "btreeInitPage" in daemon.core.again
        assert daemon.core.stop.is_set()
        assert repairing.damaged_mark(daemon.store_path).exists()
    looked: list[object] = []

    def mend(*_: object, whole: bool | None = None) -> None:
        looked.append(whole)

    monkeypatch.setattr(repair, "mend", mend)
    async with harness.running(site, SteppedClock(START)) as daemon:
        assert looked == [True], "the whole file, however large"
        assert not repairing.damaged_mark(daemon.store_path).exists()


# Copies, thinning, the log --------------------------------------------------------------------------------------------


async def test_copies_are_made_at_three_at_night_looked_through_and_rotated(tmp_path: Path) -> None:
    site = harness.write_site(tmp_path, harness.SITE, "\n[service]\nbackups = 3\n")
    clock = SteppedClock(START)
    folder = tmp_path / "backup"
    async with harness.running(site, clock) as daemon:
        await harness.until(daemon.core.sane.is_set)
        due = daemon.core.schedule.due("upkeep")
        assert due == datetime(2026, 1, 6, 9, 0, tzinfo=UTC), "three in Chicago"
        for day in range(5):
            clock.advance(due + day * DAY)
            await kept_up(daemon)
        copies = backup.copies(daemon.store_path, folder)
        assert [c.name for c in copies] == [f"store-202601{d:02}T090000Z.db" for d in (10, 9, 8)]
        for copy in copies:
            backup.verify(copy)
        with harness.look(daemon) as store:
            found = view.look(daemon.core.site, store, daemon.store_path, due + 4 * DAY + timedelta(hours=10))
        entry = found.health["copy"]
        assert entry.working
        assert entry.value == backup.copies(daemon.store_path, folder)[0].stat().st_size
        assert files(folder, "*.part") == []


async def kept_up(daemon: Daemon) -> None:
    now = daemon.core.clock.now().isoformat()
    await harness.until(lambda: done(daemon) == now and not daemon.core.keeping, what=f"the upkeep of {now}")
    await asyncio.sleep(0.05)  # the scheduler notes that the job has come to its end


def done(daemon: Daemon) -> str | None:
    with harness.look(daemon) as store:
        return store.get(upkeep.DONE)


def test_status_says_when_the_last_copy_was(tmp_path: Path) -> None:
    from zoneinfo import ZoneInfo

    from monitor.model.health import SourceHealth

    site = load(harness.write_site(tmp_path, harness.SITE))
    zone = ZoneInfo(site.timezone)
    at = datetime(2026, 1, 6, 9, 10, tzinfo=UTC)
    with Store.open(tmp_path / "s.db") as store:
        none = _status._upkeep(view.look(site, store, store.path, at), zone)
        store.set_health(SourceHealth("copy", "store", at, ok_at=at, value=12.34e6))
        good = _status._upkeep(view.look(site, store, store.path, at + DAY), zone)
        store.set_health(SourceHealth("copy", "store", at + DAY, ok_at=at, failed_at=at + DAY, error="no room"))
        bad = view.look(site, store, store.path, at + DAY)
    assert none == "Database:  last copy: none yet"
    assert good == "Database:  last copy: yesterday 03:10, sound, 12.3 MB"
    assert _status._upkeep(bad, zone) == "Database:  last copy: yesterday 03:10, sound; [red]the newest try failed[/]"
    assert "no room" in [t.words for t in bad.troubles]


async def test_no_room_for_a_copy_is_said_and_no_copy_is_touched(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SteppedClock(START)
    async with harness.running(site, clock) as daemon:
        await harness.until(daemon.core.sane.is_set)
        await upkeep.job(daemon.core)
        (first,) = backup.copies(daemon.store_path, site.parent / "backup")
        monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(10**9, 10**9 - 1000, 1000))
        await upkeep.job(daemon.core)
        said = trouble(daemon, "copy")
        assert said is not None
        assert "no room for a copy" in said.words
        assert backup.copies(daemon.store_path, site.parent / "backup") == [first]
        await pass_until(daemon, clock, lambda: told(daemon, "store copy"))


async def test_a_copy_missed_while_the_machine_was_off_is_made_good(site: Path) -> None:
    clock = SteppedClock(START)
    async with harness.running(site, clock) as daemon:
        await harness.until(daemon.core.sane.is_set)
        assert done(daemon) is None
        clock.advance(START + timedelta(hours=1))
        await harness.until(lambda: done(daemon) is not None, what="the first copy within the hour")
        first = done(daemon)
        await upkeep.missed_job(daemon.core)
        assert done(daemon) == first, "no second one the same day"


async def test_thinning_leaves_what_a_person_entered(tmp_path: Path) -> None:
    site = harness.write_site(tmp_path, harness.SITE, '\n[service]\nretention = "60 days"\nthin_to = "2 h"\n')
    old = START - 100 * DAY
    minutes = [old + timedelta(minutes=k) for k in range(24 * 60)]
    with Store.open(tmp_path / "store.db") as store:
        store.add_readings([Reading(t, t, "A", Quantity.GROSS_WEIGHT, 25.0, "scale") for t in minutes])
        store.add_readings([Reading(t, t, "A", Quantity.PROPANE_LEFT, 9.0, "hand") for t in minutes[::10]])
        store.add_readings([Reading(t, t, "B", Quantity.PROPANE_LEFT, 9.0, "import") for t in minutes[::10]])
        store.add_readings([Reading(START, START, "A", Quantity.GROSS_WEIGHT, 24.0, "scale")])
    async with harness.running(site, SteppedClock(START)) as daemon:
        await harness.until(daemon.core.sane.is_set)
        await upkeep.job(daemon.core)
        with harness.look(daemon) as store:
            left = store.readings(until=old + 2 * DAY)
        assert sum(r.source == "hand" for r in left) == 144
        assert sum(r.source == "import" for r in left) == 144
        assert 12 <= sum(r.source == "scale" for r in left) <= 13, "one in two hours of a day"
        entry = daemon.core.board.get("thinning")
        assert entry is not None
        assert entry.working
        assert entry.value is not None
        assert entry.value > 1400
        (copy,) = backup.copies(daemon.store_path, tmp_path / "backup")
        assert backup.verify(copy).readings == 1440 + 2 * 144 + 1, "the copy comes before the thinning"


async def test_a_clock_that_runs_years_ahead_thins_nothing(site: Path) -> None:
    with Store.open(site.with_name("store.db")) as store:
        times = [START - timedelta(minutes=k) for k in range(600)]
        store.add_readings([Reading(t, t, "A", Quantity.GROSS_WEIGHT, 25.0, "scale") for t in times])
    async with harness.running(site, SteppedClock(START + 8 * 365 * DAY)) as daemon:
        await harness.until(daemon.core.sane.is_set)
        await upkeep.job(daemon.core)
        assert len(values(daemon)) == 600


async def test_nothing_is_done_before_the_clock_can_be_believed(site: Path) -> None:
    async with harness.running(site, SteppedClock(START)) as daemon:
        await harness.until(daemon.core.sane.is_set)
        daemon.core.sane.clear()
        await upkeep.job(daemon.core)
        await upkeep.missed_job(daemon.core)
        assert not (site.parent / "backup").exists()
        assert done(daemon) is None


async def test_the_log_is_taken_into_the_file(site: Path) -> None:
    async with harness.running(site, SteppedClock(START)) as daemon:
        await harness.until(daemon.core.sane.is_set)
        log = daemon.store_path.with_name("store.db-wal")
        for _ in range(50):
            await daemon.core.write(lambda store: store.put("x", "y" * 10_000))
        assert log.stat().st_size > 10_000
        await upkeep._take_in(daemon.core)
        assert log.stat().st_size < 5_000  # at most what was written since
        with closing(Store.open(daemon.store_path, readonly=True)) as reader, reader.look():
            reader.get("x")
            await daemon.core.write(lambda store: store.put("x", "z"))
            assert not await daemon.core.write(lambda store: store.take_in_log(0.05)), "a reader was in the way"


# Which site it is of --------------------------------------------------------------------------------------------------


@pytest.fixture
def tied(site: Path) -> Path:
    with Store.open(site.with_name("store.db")) as store:
        place.tie(store, load(site))
    return site.with_name("store.db")


async def test_the_service_marks_a_database_and_refuses_another_sites(site: Path) -> None:
    async with harness.running(site, SteppedClock(START)) as daemon:
        await harness.until(daemon.core.sane.is_set)
        with harness.look(daemon) as store:
            assert place.kept(store) == {"name": "Test yard (invented)", "latitude": 40.12, "longitude": -88.34}
    with pytest.raises(BadInput, match=r"Test yard.*Lake house") as refused:
        Daemon(elsewhere(site), site.with_name("store.db"))
    assert "boiloff same-place" in str(refused.value)
    async with harness.running(site, SteppedClock(START)):  # the lock was let go
        pass


def test_finer_coordinates_are_no_other_place(site: Path, tied: Path) -> None:
    site.write_text(harness.SITE.replace("40.12", "40.1234"))
    with Store.open(tied) as store:
        place.require(store, load(site))


def test_the_first_fact_by_a_command_marks_a_database_and_a_refused_one_does_not(site: Path) -> None:
    """Two site files in two folders share the usual place: before any service ran, the second must be told."""
    path = site.with_name("new.db")
    refused = boiloff("record", "trip", "--cost", "much", "--site", site, "--store", path)
    assert refused.returncode == BadInput.exit_code
    with Store.open(path) as store:
        assert place.kept(store) is None
    for command in (("record", "trip", "--cost", "5"), ("reading", "A", "--weighs", "50 lb")):
        assert boiloff(*command, "--site", site, "--store", path).returncode == 0
        said = boiloff(*command, "--site", elsewhere(site), "--store", path)
        assert said.returncode == BadInput.exit_code
        assert "boiloff same-place" in said.stderr


@pytest.mark.parametrize(
    "command",
    [
        ("reading", "A", "--weighs", "50 lb"),
        ("record", "trip", "--cost", "5"),
        ("first-start", "--done", "all"),
        ("import",),
        ("record", "import"),
    ],
)
def test_commands_that_write_refuse_another_sites_database(site: Path, tied: Path, command: tuple[str, ...]) -> None:
    table = site.with_name("facts.csv")
    table.write_text(
        "time,kind,cylinder\n2026-01-03,trip,\n"
        if command[0] == "record"
        else "time,cylinder,weighs_kg\n2026-01-03T10:00:00Z,A,20\n"
    )
    file = (table,) if command[-1] == "import" else ()
    said = boiloff(*command, *file, "--site", elsewhere(site), "--store", tied)
    assert said.returncode == BadInput.exit_code, said.stdout + said.stderr
    assert "Test yard" in said.stderr
    assert "Lake house" in said.stderr
    assert "boiloff same-place" in said.stderr
    with Store.open(tied) as store:
        assert store.readings() == []
        assert store.events() == []


def test_commands_that_read_warn(site: Path, tied: Path) -> None:
    said = boiloff("status", "--site", elsewhere(site), "--store", tied)
    assert said.returncode == 0
    assert "Careful" in said.stderr
    assert "Lake house" in said.stderr
    assert "Careful" not in boiloff("status", "--site", site, "--store", tied).stderr


def test_a_site_that_moved_takes_its_database_along(site: Path, tied: Path) -> None:
    moved = elsewhere(site)
    said = boiloff("same-place", "--site", moved, "--store", tied)
    assert said.returncode == 0, said.stderr
    assert "taken as the same site" in said.stdout
    assert boiloff("reading", "A", "--weighs", "50 lb", "--site", moved, "--store", tied).returncode == 0


async def test_a_site_file_read_again_that_is_another_sites_keeps_the_old_in_force_and_is_told(site: Path) -> None:
    seen = harness.Seen()
    clock = SteppedClock(START)
    async with harness.running(site, clock, seen.hooks()) as daemon:
        await harness.until(lambda: seen.rounds)
        elsewhere(site).replace(site)
        daemon.reload()
        await harness.until(lambda: trouble(daemon, "site file") is not None)
        said = trouble(daemon, "site file")
        assert said is not None
        assert "old one stays in force" in said.words
        assert "Lake house" in said.words
        assert daemon.core.site.name.startswith("Test yard")
        await pass_until(daemon, clock, lambda: told(daemon, "site file"))
        with Store.open(daemon.store_path) as other:  # as `boiloff same-place` does
            place.accept(other, load(site))
        daemon.reload()
        await harness.until(lambda: daemon.core.site.name.startswith("Lake house"))
