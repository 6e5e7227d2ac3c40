"""Copies: whole though written to meanwhile, looked through, rotated; the way back, with the old one kept."""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path

import pytest

from monitor.model.errors import BadInput, SourceFailed
from monitor.store import Store, backup
from monitor.store.writer import Writer
from tests.store.support import DAY, HOUR, NOW, content, fill, weight


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "home.db"
    with Store.open(path) as store:
        fill(store, 200)
    return path


def test_a_copy_holds_everything_in_one_file(path: Path, tmp_path: Path) -> None:
    made = backup.backup(path, tmp_path / "copies", NOW)
    assert content(made.path) == content(path)
    assert [p.name for p in (tmp_path / "copies").iterdir()] == ["home-20260105T120000Z.db"]
    assert (made.readings, made.newest) == (203, NOW + HOUR)
    assert made.size == made.path.stat().st_size


def test_a_copy_made_while_readings_come_is_of_one_moment(path: Path, tmp_path: Path) -> None:
    """Pairs are written in one transaction each: a copy never holds half of one."""
    writer, stop = Writer(path), threading.Event()

    def pour() -> None:
        n = 0
        while not stop.is_set():
            n += 1

            def pair(store: Store, n: int = n) -> None:
                with store.transaction():
                    store.add_readings([weight(float(n), n, "left", "pairs")])
                    store.add_readings([weight(float(n), n, "right", "pairs")])

            writer.submit(pair).result(30)

    thread = threading.Thread(target=pour)
    thread.start()
    try:
        made = [backup.backup(path, tmp_path / "copies", NOW + k * HOUR) for k in range(5)]
    finally:
        stop.set()
        thread.join()
        writer.close()
    counts = []
    for copy in made:
        with Store.open(copy.path, readonly=True) as store:
            left = [r.value for r in store.readings(subject="left")]
            assert left == [r.value for r in store.readings(subject="right")]
            counts.append(len(left))
    assert counts == sorted(counts)
    assert counts[-1] > counts[0]


def test_the_newest_stay_and_other_files_are_not_touched(path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    folder.mkdir()
    others = [folder / "letter.txt", folder / "other-20200101T000000Z.db", folder / "home-old.db"]
    for other in others:
        other.write_text("mine")
    for day in range(5):
        backup.backup(path, folder, NOW + day * DAY, keep=3)
    assert [p.name for p in backup.copies(path, folder)] == [f"home-202601{5 + day:02}T120000Z.db" for day in (4, 3, 2)]
    assert all(other.read_text() == "mine" for other in others)
    twice = backup.backup(path, folder, NOW + 4 * DAY, keep=3)
    assert twice.path.name == "home-20260109T120000Z-2.db"
    assert backup.copies(path, folder)[0] == twice.path


def test_a_copy_that_is_not_sound_counts_for_nothing(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "copies"
    first = backup.backup(path, folder, NOW, keep=1)
    copy = backup._copy

    def spoil(source: object, part: Path) -> None:
        copy(source, part)  # type: ignore[arg-type]
        data = bytearray(part.read_bytes())
        data[4096 * 3 : 4096 * 9] = bytes(4096 * 6)
        part.write_bytes(bytes(data))

    monkeypatch.setattr(backup, "_copy", spoil)
    with pytest.raises(SourceFailed):
        backup.backup(path, folder, NOW + DAY, keep=1)
    assert [p.name for p in folder.iterdir()] == [first.path.name]


def test_the_way_back_keeps_the_one_before(path: Path, tmp_path: Path) -> None:
    made = backup.backup(path, tmp_path / "copies", NOW)
    before = content(path)
    with Store.open(path) as store:
        store.add_readings([weight(1.0, 9999)])
    later = content(path)
    aside = backup.restore(made.path, path, NOW + DAY)
    assert aside is not None
    assert aside.name == "home.replaced-20260106T120000Z.db"
    assert content(aside) == later
    after = content(path)
    assert {t: r for t, r in after.items() if t != "outbox"} == {t: r for t, r in before.items() if t != "outbox"}
    with Store.open(path) as store:
        assert store.waiting() == []  # old news is not told
        assert {r.error for r in store.outbox() if r.state == "dropped"} == {"from a copy: old news"}
        assert store.integrity(thorough=True) == []
    assert content(made.path) == before  # the copy itself stays as it is


def test_the_way_back_where_nothing_is_there(path: Path, tmp_path: Path) -> None:
    made = backup.backup(path, tmp_path / "copies", NOW)
    fresh = tmp_path / "new" / "board.db"
    assert backup.restore(made.path, fresh, NOW) is None
    with Store.open(fresh) as store:
        assert len(store.readings(include_corrected=True)) == 203


@pytest.mark.parametrize("what", ["missing", "text", "foreign", "torn"])
def test_nothing_is_replaced_by_what_is_no_sound_copy(path: Path, tmp_path: Path, what: str) -> None:
    copy, before = tmp_path / "copy.db", path.read_bytes()
    if what == "text":
        copy.write_text("no database " * 999)
    elif what == "foreign":
        import sqlite3

        db = sqlite3.connect(copy)
        db.execute("CREATE TABLE recipes (x)")
        db.close()
    elif what == "torn":
        data = backup.backup(path, tmp_path, NOW).path.read_bytes()
        copy.write_bytes(data[: len(data) // 2])
    with pytest.raises((BadInput, SourceFailed)):
        backup.restore(copy, path, NOW)
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("*replaced*"))
    assert not list(tmp_path.glob("*restoring*"))


@pytest.mark.parametrize("at", range(1, 7))
def test_an_end_in_the_midst_of_restoring_leaves_the_old_or_the_new(
    path: Path, tmp_path: Path, at: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The power goes before the n-th change of a name."""
    made = backup.backup(path, tmp_path / "copies", NOW)
    with Store.open(path) as store:
        store.add_readings([weight(1.0, 9999)])
    count = 0
    for name in ("unlink", "replace", "hardlink_to"):
        real = getattr(Path, name)

        def step(self: Path, *args: object, _real: object = real, _name: str = name, **more: object) -> object:
            nonlocal count
            if self.exists() or _name == "hardlink_to":
                count += 1
                if count == at:
                    raise KeyboardInterrupt
            return _real(self, *args, **more)  # type: ignore[operator]

        monkeypatch.setattr(Path, name, step)
    with suppress(KeyboardInterrupt):
        backup.restore(made.path, path, NOW + DAY)
    monkeypatch.undo()
    with Store.open(path) as store:
        assert store.integrity(thorough=True) == []
        assert len(store.readings(include_corrected=True)) in {203, 204}


def test_no_room_or_no_right_is_said(path: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(SourceFailed, match="cannot be written"):
        backup.backup(path, tmp_path / "file" / "copies", NOW)
    with pytest.raises(SourceFailed, match="no database there"):
        backup.backup(tmp_path / "none.db", tmp_path / "copies", NOW)
