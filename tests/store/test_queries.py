"""Each query goes by an index: what it costs does not grow with the years that lie behind."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from monitor.store import Store
from tests.store.support import DAY, HOUR, MINUTE, NOW, fill, weight


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "x.db") as opened:
        fill(opened, 200)
        yield opened


QUERIES = {
    "latest": lambda s: s.latest_readings(),
    "newest": lambda s: s.readings(limit=20),
    "span": lambda s: s.readings(since=NOW, until=NOW + HOUR),
    "thinned": lambda s: s.readings(every=HOUR),
    "one": lambda s: s.reading(3),
    "forecast": lambda s: s.latest_forecast(),
    "forecast of a source": lambda s: s.latest_forecast("open-meteo"),
    "forecasts": lambda s: s.forecasts(since=NOW),
    "outlook": lambda s: s.latest_outlook(),
    "outlooks": lambda s: s.outlooks(since=NOW, until=NOW + HOUR),
    "waiting": lambda s: s.waiting("mail"),
    "outbox": lambda s: s.outbox(10),
    "notices": lambda s: s.notices(10),
    "transitions": lambda s: s.transitions(limit=10),
    "transitions of one": lambda s: s.transitions("low-fuel/1", limit=10),
    "set aside": lambda s: s.set_asides(10),
}


@pytest.mark.parametrize("name", QUERIES)
def test_a_query_scans_no_table_that_grows(store: Store, name: str) -> None:
    said: list[str] = []
    store._db.set_trace_callback(said.append)
    QUERIES[name](store)
    store._db.set_trace_callback(None)
    assert said
    for sql in said:
        for *_, step in store._db.execute(f"EXPLAIN QUERY PLAN {sql}"):
            # a scan in the order of an index with a limit ends at once; streams and waiting rows are few
            few = "stream" in step or "outbox_waiting" in step or "LIMIT" in sql
            assert not step.startswith("SCAN") or few, (sql, step)
            assert "TEMP B-TREE FOR ORDER BY" not in step or "stream" in sql or "waiting" in sql or "key =" in sql, (
                sql,
                step,
            )


def test_the_newest_comes_at_once_however_many_there_are(tmp_path: Path) -> None:
    """Counted in SQLite's own steps, not in time: 100 times the rows, the same work."""

    def work(rows: int) -> int:
        with Store.open(tmp_path / f"{rows}.db") as store:
            store.add_readings([weight(20.0, k / 10, "AB"[k % 2]) for k in range(rows)])
            steps = 0

            def count() -> int:
                nonlocal steps
                steps += 1
                return 0

            store._db.set_progress_handler(count, 1)
            assert len(store.latest_readings()) == 2
            assert len(store.readings(limit=5)) == 5
            store._db.set_progress_handler(None, 1)
            return steps

    assert work(50_000) < 1.5 * work(500)


def test_thinned_readings_are_the_first_of_each_span_and_the_newest(tmp_path: Path) -> None:
    with Store.open(tmp_path / "x.db") as store:
        minutes = [0, 1, 59, 60, 61, 600, 601, 661]
        numbers = store.add_readings([weight(float(m), m) for m in minutes])
        store.add_readings([weight(-1.0, 60, corrects=numbers[3])])
        found = [(r.time - NOW) / MINUTE for r in store.readings(every=HOUR)]
        assert found == [0, 60, 600, 661]
        assert [r.value for r in store.readings(every=HOUR)] == [0.0, -1.0, 600.0, 661.0]
        until = store.readings(every=HOUR, since=NOW + MINUTE, until=NOW + 661 * MINUTE)
        assert [r.value for r in until] == [1.0, -1.0, 600.0, 601.0]
        assert [r.value for r in store.readings(every=DAY)] == [0.0, 661.0]
        assert store.readings(every=timedelta(minutes=1), subject="B") == []


def test_a_reader_with_a_hook_cannot_write(tmp_path: Path) -> None:
    with Store.open(tmp_path / "x.db") as store:
        fill(store, 10)
    with Store.open(tmp_path / "x.db", readonly=True) as reader, pytest.raises(sqlite3.OperationalError):
        reader._db.execute("DELETE FROM meta")
