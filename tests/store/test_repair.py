"""A damaged database is set aside whole and made anew from what can be read and from a copy; no other is touched."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

import pytest

from monitor.model.errors import BadInput
from monitor.store import Store, backup, repair, schema
from tests.store.support import DAY, HOUR, NOW, content, fill, weight

PAGE = schema.PAGE_BYTES
MINUTES = 6000


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("sound") / "x.db"
    with Store.open(path) as store:
        fill(store, MINUTES)
    return path.read_bytes()


def hurt(path: Path, data: bytes, pages: list[int], draw: random.Random | None = None) -> None:
    """Write the database with some pages (from 0) of zeros, or of noise."""
    spoilt = bytearray(data)
    for page in pages:
        spoilt[page * PAGE : (page + 1) * PAGE] = draw.randbytes(PAGE) if draw else bytes(PAGE)
    path.write_bytes(bytes(spoilt))


def root_of(data: bytes, table: str, folder: Path) -> int:
    path = folder / "look.db"
    path.write_bytes(data)
    with closing(sqlite3.connect(path)) as db:
        found = int(db.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()[0])
    for left in folder.glob("look.db*"):
        left.unlink()
    return found - 1


def kept(path: Path) -> int:
    with Store.open(path) as store:
        assert store.integrity(thorough=True) == []
        assert store._rows("PRAGMA foreign_key_check") == []
        return len(store.readings(include_corrected=True))


def test_a_sound_one_or_none_is_left_as_it_is(tmp_path: Path, sound: bytes) -> None:
    path = tmp_path / "x.db"
    assert repair.mend(path, NOW, tmp_path / "backup") is None
    path.write_bytes(sound)
    before = content(path)
    assert repair.mend(path, NOW, tmp_path / "backup") is None
    assert content(path) == before
    assert [p.name for p in tmp_path.iterdir() if "damaged" in p.name] == []


@pytest.mark.parametrize("seed", range(8))
def test_pages_lost_anywhere_cost_little_more_than_what_was_on_them(tmp_path: Path, sound: bytes, seed: int) -> None:
    draw, path = random.Random(seed), tmp_path / "x.db"
    pages = len(sound) // PAGE
    inner = {root_of(sound, t, tmp_path) for t in ("reading", "outlook", "forecast", "event")}
    spoilt = draw.sample([n for n in range(1, pages) if n not in inner], 1 + seed % 4)
    hurt(path, sound, spoilt, draw if seed % 2 else None)
    damaged = path.read_bytes()
    mended = repair.mend(path, NOW, tmp_path / "backup")
    if mended is None:  # a page of packed data or of an index that quick_check does not compare: nothing to rebuild
        assert kept(path) >= MINUTES - 200 * len(spoilt)
        return
    assert kept(path) == mended.readings
    assert mended.readings >= MINUTES - 200 * len(spoilt)  # a page holds some hundred readings
    assert mended.damaged.read_bytes() == damaged
    assert repair.mend(path, NOW + HOUR, tmp_path / "backup") is None


def test_the_first_page_alone_costs_nothing(tmp_path: Path, sound: bytes) -> None:
    path = tmp_path / "x.db"
    path.write_bytes(sound)
    before = content(path)
    hurt(path, sound, [0])
    (tmp_path / "x.db.lock").touch()  # the service ran on it: it is ours though its header is gone
    mended = repair.mend(path, NOW, tmp_path / "backup")
    assert mended is not None
    after = content(path)
    silent = [r for r in after["outbox"] if "dropped" in r]
    assert {t: rows for t, rows in after.items() if t != "outbox"} == {
        t: rows for t, rows in before.items() if t != "outbox"
    }
    assert len(after["outbox"]) == len(before["outbox"])
    assert silent == []  # what waits goes out


def test_what_cannot_be_read_comes_from_the_newest_sound_copy(tmp_path: Path, sound: bytes) -> None:
    path, folder = tmp_path / "x.db", tmp_path / "backup"
    path.write_bytes(sound)
    good = backup.backup(path, folder, NOW - DAY)
    unsound = backup.backup(path, folder, NOW)
    unsound.path.write_bytes(b"x" * 9999)
    with Store.open(path) as store:
        store.add_readings([weight(9.0, 99_999)])
        store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    hurt(path, path.read_bytes(), [root_of(sound, "reading", tmp_path), root_of(sound, "outbox", tmp_path)])
    mended = repair.mend(path, NOW + HOUR, folder)
    assert mended is not None
    assert mended.from_copy == good.path
    assert kept(path) == good.readings == mended.readings  # the one after the copy was on the lost tree
    with Store.open(path) as store:
        assert store.waiting() == []  # old news from the copy is not told again
        assert sorted(store.alert_states()) == ["low-fuel/0", "low-fuel/1", "low-fuel/2"]
    assert "gaps filled from" in str(mended)
    assert str(mended.damaged) in str(mended)


def test_an_emptied_file_is_filled_from_a_copy(tmp_path: Path, sound: bytes) -> None:
    path, folder = tmp_path / "x.db", tmp_path / "backup"
    path.write_bytes(sound)
    good = backup.backup(path, folder, NOW)
    for left in tmp_path.glob("x.db*"):
        left.unlink()
    path.write_bytes(b"")
    mended = repair.mend(path, NOW, folder)
    assert mended is not None
    assert mended.why == "the file is empty"
    assert kept(path) == good.readings


def test_what_was_committed_to_the_log_is_not_lost_with_a_page_of_the_file(tmp_path: Path, sound: bytes) -> None:
    path = tmp_path / "x.db"
    path.write_bytes(sound)
    with Store.open(path) as store:
        store.add_readings([weight(7.0, 50_000 + k) for k in range(5)])
        log = (tmp_path / "x.db-wal").read_bytes()
    hurt(path, sound, [root_of(sound, "outlook", tmp_path)])
    (tmp_path / "x.db-wal").write_bytes(log)  # as after a power cut: the log was not yet taken into the file
    mended = repair.mend(path, NOW, tmp_path / "backup")
    assert mended is not None
    with Store.open(path) as store:
        assert [r.value for r in store.readings(since=NOW + 50_000 * (HOUR / 60))] == [7.0] * 5
    assert mended.damaged.with_name(mended.damaged.name + "-wal").read_bytes() == log


def test_a_file_that_is_not_ours_is_never_moved(tmp_path: Path) -> None:
    path = tmp_path / "letter.db"
    path.write_text("Dear neighbour, " * 1000)
    with pytest.raises(BadInput, match="a database of boiloff"):
        repair.mend(path, NOW, tmp_path / "backup")
    assert path.read_text().startswith("Dear neighbour")
    assert [p.name for p in tmp_path.iterdir()] == ["letter.db"]


@pytest.mark.parametrize("at", range(1, 7))
def test_an_end_in_the_midst_of_mending_loses_nothing(
    tmp_path: Path, sound: bytes, at: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The power goes before the n-th change of a name; at the next start it is mended all the same."""
    path, folder = tmp_path / "x.db", tmp_path / "backup"
    hurt(path, sound, [root_of(sound, "outlook", tmp_path)])
    count = 0

    def counting(name: str) -> None:
        real = getattr(Path, name)

        def step(self: Path, *args: object, **more: object) -> object:
            nonlocal count
            if self.exists() or name == "hardlink_to":
                count += 1
                if count == at:
                    raise KeyboardInterrupt
            return real(self, *args, **more)

        monkeypatch.setattr(Path, name, step)

    with monkeypatch.context():
        for name in ("unlink", "replace", "hardlink_to"):
            counting(name)
        with suppress(KeyboardInterrupt):
            repair.mend(path, NOW, folder)
        monkeypatch.undo()
    repair.mend(path, NOW + HOUR, folder)
    assert kept(path) == MINUTES + 3
    assert len(list(tmp_path.glob("*.damaged-*.db"))) == 1


def test_a_copy_of_what_was_before_a_restore_fills_no_gap(tmp_path: Path) -> None:
    path, folder = tmp_path / "home.db", tmp_path / "backup"
    with Store.open(path) as store:
        store.add_readings([weight(30.0, k, "A") for k in range(50)])
    first = backup.backup(path, folder, NOW + DAY)
    with Store.open(path) as store:
        store.add_readings([weight(20.0, k, "wrong") for k in range(2000)])
    backup.backup(path, folder, NOW + 2 * DAY)
    backup.restore(first.path, path, NOW + 2 * DAY + HOUR)
    with Store.open(path) as store:
        store.add_readings([weight(10.0, k, "B") for k in range(600)])
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = path.read_bytes()
    # leaves of a table with many rows (sqlite.org/fileformat2.html, 1.6): those of the readings
    leaves = [k for k in range(1, len(data) // PAGE) if data[k * PAGE] == 0x0D and data[k * PAGE + 4] > 15]
    hurt(path, data, [leaves[len(leaves) // 2]], random.Random(1))
    made = repair.mend(path, NOW + 3 * DAY, folder)
    assert made is not None
    assert made.from_copy == first.path
    with Store.open(path) as store:
        subjects = [r.subject for r in store.readings()]
    assert subjects.count("A") == 50
    assert "wrong" not in subjects
    assert 500 < subjects.count("B") < 600
