"""Databases of every released schema open; the database itself guards the facts; files of others are left alone."""

from __future__ import annotations

import re
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing, suppress
from pathlib import Path

import pytest

from monitor.model.errors import BadInput, SourceFailed
from monitor.store import Store, schema
from tests.store.released.make import HERE, load
from tests.store.support import content, fill, weight

KEPT = sorted(HERE.glob("schema-*.sql"))


def test_there_is_a_kept_file_of_each_schema_but_perhaps_the_newest() -> None:
    numbers = {int(p.stem.split("-")[1]) for p in KEPT}
    assert numbers >= set(range(1, schema.VERSION))


@pytest.mark.parametrize("kept", KEPT, ids=lambda p: p.stem)
def test_a_released_database_opens_with_all_it_held(kept: Path, tmp_path: Path) -> None:
    path, number = tmp_path / "old.db", int(kept.stem.split("-")[1])
    load(kept.read_text(), path)
    before = content(path)
    with Store.open(path) as store:
        assert schema.version(store._db) == schema.VERSION
        assert store.integrity(thorough=True) == []
        assert len(store.readings(include_corrected=True)) == 43
        assert [r.value for r in store.readings(source="hand")] == [23.8, None]
        forecast, outlook = store.latest_forecast(), store.latest_outlook()
        assert forecast is not None
        assert forecast.hours == 48
        assert outlook is not None
        assert outlook["at"] == "4"
        assert sorted(store.alert_states()) == ["low-fuel/0", "low-fuel/1", "low-fuel/2"]
        assert len(store.waiting()) == 5
        assert [e.kind for e in store.events()] == ["leak check"]
    for table, rows in before.items():  # nothing that was there is gone
        assert len(content(path)[table]) >= len(rows), table
    assert number <= schema.VERSION


@pytest.mark.parametrize("kept", KEPT, ids=lambda p: p.stem)
def test_a_released_step_is_not_changed(kept: Path, tmp_path: Path) -> None:
    """The steps up to a release still make exactly the tables that the release made."""
    old, new, number = tmp_path / "old.db", tmp_path / "new.db", int(kept.stem.split("-")[1])
    load(kept.read_text(), old)
    with closing(sqlite3.connect(new)) as db:
        for step in schema.STEPS[:number]:
            db.executescript(step)

    def tables(path: Path) -> set[tuple[str, str]]:
        with closing(sqlite3.connect(path)) as db:
            rows = db.execute("SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL")
            return {(name, re.sub(r"\s+", " ", sql)) for name, sql in rows}

    assert tables(old) == tables(new)


def test_steps_are_noted_with_time_and_program(tmp_path: Path) -> None:
    with Store.open(tmp_path / "x.db") as store:
        rows = store._rows("SELECT number, at > 1700000000000000, program <> '' FROM migration")
        assert rows == [(n + 1, 1, 1) for n in range(schema.VERSION)]
        assert store._rows("PRAGMA application_id") == [(schema.APPLICATION_ID,)]


def test_a_step_that_fails_leaves_the_old_schema_and_its_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.db"
    with Store.open(path) as store:
        fill(store, 20)
    before = content(path)
    half = "CREATE TABLE more (x INTEGER) STRICT; INSERT INTO more VALUES (1); CREATE TABLE more (x INTEGER) STRICT;"
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS, half))
    monkeypatch.setattr(schema, "VERSION", len(schema.STEPS))
    with pytest.raises(sqlite3.OperationalError):
        Store.open(path)
    assert content(path) == before
    with closing(sqlite3.connect(path)) as raw:
        assert schema.version(raw) == schema.VERSION - 1
    monkeypatch.setattr(schema, "STEPS", (*schema.STEPS[:-1], "ALTER TABLE event ADD COLUMN place TEXT;"))
    with Store.open(path, readonly=True) as reader:  # a reader that comes first brings it up to date too
        assert schema.version(reader._db) == schema.VERSION
    assert len(content(path)["event"]) == 3


@pytest.mark.parametrize("table", schema.FACTS)
@pytest.mark.parametrize(
    "how", ["UPDATE {t} SET rowid = rowid", "DELETE FROM {t}", "REPLACE INTO {t} SELECT * FROM {t}"]
)
def test_facts_are_neither_changed_nor_removed_nor_replaced(tmp_path: Path, table: str, how: str) -> None:
    path = tmp_path / "x.db"
    with Store.open(path) as store:
        fill(store, 20)
        before = content(path)
        assert before[table]
        with pytest.raises(sqlite3.IntegrityError, match="a fact is never"):
            store._db.execute(how.format(t=table))
    assert content(path) == before


@pytest.mark.parametrize(
    "values",
    ["1, 0, 0, 9e999, NULL, 1", "1, 0, 0, -9e999, NULL, 1", "1, NULL, 0, 1, NULL, 1", "1, 0, NULL, 1, NULL, 1",
     "1, 0, 0, 'heavy', NULL, 1", "1, 0, 0, 1, -1, 1", "1, 0, 0, 1, NULL, 2", "77, 0, 0, 1, NULL, 1",
     "1, 0.5, 0, 1, NULL, 1"],
)  # fmt: skip
def test_the_database_itself_refuses_what_is_no_reading(tmp_path: Path, values: str) -> None:
    """Stream, time, received, value, noise, age_known: infinite, no time, text, no such stream…"""
    with Store.open(tmp_path / "x.db") as store:
        store.add_readings([weight(1.0)])
        columns = "stream, time, received, value, noise, age_known"
        store._db.execute(f"INSERT INTO reading ({columns}) VALUES (1, 0, 0, 1, NULL, 1)")
        with pytest.raises(sqlite3.IntegrityError):
            store._db.execute(f"INSERT INTO reading ({columns}) VALUES ({values})")


OPENER = """
import sys
from pathlib import Path
from monitor.store import Store
sys.stdin.readline()
with Store.open(Path(sys.argv[1])) as store:
    store.put(sys.argv[2], "here")
"""


def test_eight_programs_may_make_the_same_database_at_once(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    them = [
        subprocess.Popen([sys.executable, "-c", OPENER, str(path), str(n)], stdin=subprocess.PIPE, text=True,
                         stderr=subprocess.PIPE)
        for n in range(8)
    ]  # fmt: skip
    for one in them:
        assert one.stdin is not None
        one.stdin.write("go\n")
        one.stdin.flush()
    errors = [one.communicate()[1] for one in them]
    assert errors == [""] * 8
    with Store.open(path) as store:
        assert [store.get(str(n)) for n in range(8)] == ["here"] * 8


READER = """
import os, sys
from pathlib import Path
from monitor.model.errors import SourceFailed
from monitor.store import Store
path = Path(sys.argv[1])
if os.getuid() == 0:
    os.setgroups([]); os.setgid(65534); os.setuid(65534)
with Store.open(path, readonly=True) as store:
    print(len(store.readings()))
try:
    Store.open(path)
except SourceFailed as error:
    print(error)
"""


def test_where_nothing_can_be_written_it_can_still_be_read() -> None:
    """A disk that went read-only, or another user: `status` and `export` work, writing says why it does not."""
    with tempfile.TemporaryDirectory() as name:  # the tests' own folders are closed to the other user
        folder = Path(name)
        with Store.open(folder / "x.db") as store:
            fill(store, 20)
        (folder / "x.db").chmod(0o444)
        folder.chmod(0o555)
        try:
            done = subprocess.run(
                [sys.executable, "-c", READER, str(folder / "x.db")], capture_output=True, text=True, check=False
            )
        finally:
            folder.chmod(0o755)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0] == "22"
    assert re.search("cannot be (written|opened)", done.stdout.splitlines()[1])


def test_one_look_sees_one_moment(tmp_path: Path) -> None:
    with Store.open(tmp_path / "x.db") as writing, Store.open(tmp_path / "x.db", readonly=True) as reading:
        writing.add_readings([weight(1.0)])
        with reading.look():
            assert len(reading.readings()) == 1
            writing.add_readings([weight(2.0, 1)])
            assert len(reading.readings()) == 1
        assert len(reading.readings()) == 2


def test_what_failed_within_a_transaction_is_undone_alone(tmp_path: Path) -> None:
    with Store.open(tmp_path / "x.db") as store:
        with store.transaction():
            store.put("a", "1")
            with suppress(RuntimeError), store.transaction():
                store.put("b", "2")
                raise RuntimeError
            store.put("c", "3")
        assert [store.get(k) for k in "abc"] == ["1", None, "3"]


def test_an_old_database_of_somebody_else_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "recipes.db"
    with closing(sqlite3.connect(path)) as db:
        db.executescript("CREATE TABLE recipes (x); PRAGMA user_version = 1;")
    before = path.read_bytes()
    with pytest.raises(BadInput, match="a database of boiloff"):
        Store.open(path)
    with pytest.raises((BadInput, SourceFailed)):
        Store.open(path, readonly=True)
    with closing(sqlite3.connect(path)) as db:
        assert [r[0] for r in db.execute("SELECT name FROM sqlite_schema")] == ["recipes"]
    assert path.read_bytes() == before
