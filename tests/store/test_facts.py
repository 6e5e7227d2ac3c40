"""What goes in comes out; facts stay; a group is written whole or not at all."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from monitor.model.errors import BadInput, SourceFailed
from monitor.model.forecast import Forecast
from monitor.model.reading import Quantity, Reading, SetAside
from monitor.store import Event, Store, schema
from monitor.store.pack import pack_series, unpack_series

NOW = datetime(2026, 1, 5, 12, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "deep" / "er" / "boiloff.db") as opened:
        yield opened


def weight(kg: float | None, minutes: int = 0, subject: str = "A", source: str = "scale", **more: object) -> Reading:
    time = NOW + timedelta(minutes=minutes)
    made = Reading(time, time, subject, Quantity.GROSS_WEIGHT, kg, source)
    return replace(made, **more)  # type: ignore[arg-type]


def test_readings_come_back_by_time(store: Store) -> None:
    store.add_readings([weight(21.0, 5), weight(22.0, 0), weight(None, 2), weight(9.0, 1, subject="B")])
    assert [r.value for r in store.readings(subject="A")] == [22.0, None, 21.0]
    assert [r.value for r in store.readings(limit=2)] == [None, 21.0]
    assert [r.subject for r in store.readings(since=NOW + timedelta(minutes=1), until=NOW + timedelta(minutes=2))] == [
        "B"
    ]
    assert {(r.subject, r.value) for r in store.latest_readings()} == {("A", 21.0), ("B", 9.0)}


def test_what_a_clock_ahead_kept_is_not_the_newest_before_its_time(store: Store) -> None:
    year = 365 * 24 * 60
    store.add_readings([weight(21.0, 5), weight(19.0, year), weight(20.0, 9)])
    air = np.full((1, 48), 270.0)
    for received in (NOW + timedelta(minutes=year), NOW):
        store.add_forecast(Forecast("open-meteo", NOW, received, NOW, air))
    soon = NOW + timedelta(hours=1)
    assert [r.value for r in store.latest_readings(soon)] == [20.0]
    assert [r.value for r in store.latest_readings()] == [19.0]
    for source in (None, "open-meteo"):
        assert (found := store.latest_forecast(source, soon)) is not None
        assert found.received == NOW
        assert (found := store.latest_forecast(source)) is not None
        assert found.received > NOW
        assert store.latest_forecast(source, NOW) is None


def test_the_word_on_gas_that_was_kept_last_counts_whatever_the_clock_said(store: Store) -> None:
    soon = NOW + timedelta(hours=1)

    def says(value: float, hours: int) -> float | None:
        time = NOW + timedelta(hours=hours)
        store.add_readings([Reading(time, time, "site", Quantity.GAS_DETECTED, value, "nose")])
        (word,) = store.latest_readings(soon)
        return word.value

    assert says(0.0, -1) == 0.0
    assert says(1.0, 7) == 1.0, "the clock was seven hours ahead"
    assert says(1.0, 8) == 1.0
    assert says(0.0, 0) == 0.0, "put right, and the sensor takes it back"
    soon = NOW + timedelta(hours=9)
    assert says(1.0, 1) == 1.0, "when the wrong time has come, too"
    assert says(0.0, 2) == 0.0


def test_a_fact_sent_again_is_the_same_fact(store: Store) -> None:
    own = weight(21.0, received=NOW + timedelta(seconds=3))
    (first,) = store.add_readings([own])
    later = replace(own, received=NOW + timedelta(hours=1))  # after a restart, from the broker's queue
    other = replace(own, value=20.9)
    untimed = weight(21.0, 60)
    ids = store.add_readings([later, other, later, untimed, untimed])
    assert ids[0] == ids[2] == first
    assert [r.value for r in store.readings()] == [21.0, 20.9, 21.0, 21.0]
    (mended,) = store.add_readings([replace(own, value=19.0, corrects=first)])
    assert store.add_readings([own]) == [first]  # and does not come back over its correction
    assert mended in {r.id for r in store.readings()}
    assert first not in {r.id for r in store.readings()}


def test_a_correction_is_a_new_fact_and_the_old_one_stays(store: Store) -> None:
    first = store.add_readings([weight(52.4)])[0]
    store.add_readings([weight(25.4, corrects=first)])
    assert [r.value for r in store.readings()] == [25.4]
    assert [r.value for r in store.readings(include_corrected=True)] == [52.4, 25.4]
    assert [r.value for r in store.latest_readings()] == [25.4]
    with pytest.raises(BadInput, match="corrects: got 99"):
        store.add_readings([weight(1.0, corrects=99)])


@pytest.mark.parametrize("sql", ["UPDATE reading SET value = 1", "DELETE FROM reading"])
def test_facts_are_neither_changed_nor_removed(store: Store, sql: str) -> None:
    store.add_readings([weight(20.0)])
    with pytest.raises(sqlite3.IntegrityError, match="a fact is never"):
        store._db.execute(sql)
    assert [r.value for r in store.readings()] == [20.0]


def test_not_a_number_is_never_kept_as_a_value(store: Store) -> None:
    store.add_readings([weight(math.nan)])  # SQLite keeps NaN as NULL: bad, not zero
    assert store.readings()[0].value is None
    with pytest.raises(sqlite3.IntegrityError):
        store._db.execute("INSERT INTO reading (stream, time, received, value, age_known) VALUES (1, 0, 0, 9e999, 1)")
    with pytest.raises(sqlite3.IntegrityError):
        store._db.execute("INSERT INTO reading (stream, time, received, value, age_known) VALUES (1, NULL, 0, 1, 1)")


def test_a_time_without_its_offset_is_refused(store: Store) -> None:
    naive = NOW.replace(tzinfo=None)
    with pytest.raises(ValueError, match="without its offset"):
        store.add_readings([weight(1.0), weight(2.0, time=naive)])
    assert store.readings() == []  # the whole group, not half of it


def test_half_a_surrogate_pair_is_set_aside_like_everything_else(store: Store) -> None:
    store.add_set_aside(SetAside(NOW, "scale", "A", "gross_weight", "\ud800", 'record 3: "\ud800" is no SenML name'))
    assert [(s.raw, s.reason) for s in store.set_asides()] == [("\\ud800", 'record 3: "\\ud800" is no SenML name')]


def test_what_was_set_aside_is_listed_and_cut(store: Store) -> None:
    store.add_set_aside(SetAside(NOW, "scale", "A", "gross_weight", "x" * 10_000_000, "not a number"))
    found = store.set_asides()
    assert (found[0].reason, len(found[0].raw)) == ("not a number", 200)


@given(npst.arrays(np.float64, (3, 7), elements=st.floats(180, 340) | st.just(math.nan)))
def test_series_keep_their_gaps(values: np.ndarray) -> None:
    back = unpack_series(pack_series(values), values.shape)
    assert back is not None
    np.testing.assert_allclose(back, values, rtol=1e-6)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None, max_examples=20
)
@given(hours=st.integers(1, 60), members=st.integers(1, 5), cloudy=st.booleans())
def test_forecasts_come_back(store: Store, hours: int, members: int, cloudy: bool) -> None:
    air = np.linspace(250, 280, hours * members).reshape(members, hours)
    cloud = np.full(hours, 0.5) if cloudy else None
    made = Forecast("open-meteo", NOW, NOW, NOW, air, cloud=cloud, credit="By hand", notes=("a", "b"), elevation_m=3.0)
    number = store.add_forecast(made)
    found = store.latest_forecast("open-meteo")
    assert found is not None
    assert (found.id, found.credit, found.notes, found.hours, found.wind_m_s) == (
        number,
        "By hand",
        ("a", "b"),
        hours,
        None,
    )
    np.testing.assert_allclose(found.air_k, air, rtol=1e-7)
    assert (found.cloud is not None) is cloudy
    assert store.latest_forecast("nws") is None


def test_outlooks_come_back(store: Store) -> None:
    assert store.latest_outlook() is None
    store.add_outlook(NOW, {"at": "x", "hours": [None, 1.5]})
    store.add_outlook(NOW + timedelta(hours=1), {"at": "y"})
    assert store.latest_outlook() == {"at": "y"}
    assert store.outlooks(since=NOW, until=NOW + timedelta(hours=1)) == [{"at": "x", "hours": [None, 1.5]}]


def test_an_entry_of_the_record_is_undone_by_another(store: Store) -> None:
    one = store.add_event(Event("fill", "A", NOW, NOW, {"to_kg": 18.1}))
    store.add_event(Event("fill", "A", NOW, NOW, {}, undoes=one))
    assert store.events() == []
    assert len(store.events(include_undone=True)) == 2
    with pytest.raises(BadInput, match="not undone before"):
        store.add_event(Event("fill", "A", NOW, NOW, {}, undoes=one))
    with pytest.raises(BadInput, match="an entry that is there"):
        store.add_event(Event("fill", "A", NOW, NOW, {}, undoes=77))


def test_another_connection_is_noticed(store: Store) -> None:
    before = store.data_version()
    with Store.open(store.path) as other:
        other.put("x", "y")
    assert store.data_version() != before
    assert store.get("x") == "y"


def test_a_reader_cannot_write(store: Store) -> None:
    with Store.open(store.path, readonly=True) as reader, pytest.raises(SourceFailed, match="cannot be written"):
        reader.put("x", "y")


def test_a_transaction_is_whole_or_nothing(store: Store) -> None:
    def half() -> None:
        with store.transaction():
            store.put("a", "1")
            store.add_readings([weight(1.0)])
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError):
        half()
    assert store.get("a") is None
    assert store.readings() == []


def test_a_step_that_fails_leaves_the_old_schema(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.db"
    Store.open(path).close()
    monkeypatch.setattr(
        schema, "STEPS", (*schema.STEPS, "CREATE TABLE more (x INTEGER) STRICT; CREATE TABLE more (x);")
    )
    monkeypatch.setattr(schema, "VERSION", len(schema.STEPS))
    with pytest.raises(sqlite3.OperationalError):
        Store.open(path)
    raw = sqlite3.connect(path)
    assert raw.execute("PRAGMA user_version").fetchone()[0] == 1
    assert raw.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'more'").fetchone()[0] == 0
    raw.close()


def test_what_may_be_wrong_with_the_file_is_said(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("milk, bread, " * 200)
    with pytest.raises(BadInput, match=r"expected a database of boiloff"):
        Store.open(text)
    later = tmp_path / "later.db"
    raw = sqlite3.connect(later)
    raw.execute("PRAGMA user_version = 999")
    raw.execute("PRAGMA application_id = 0x424F494C")
    raw.close()
    with pytest.raises(BadInput, match="later version"):
        Store.open(later)
    foreign = tmp_path / "foreign.db"
    raw = sqlite3.connect(foreign)
    raw.execute("CREATE TABLE recipes (x)")
    raw.close()
    with pytest.raises(BadInput, match="an empty file or a database of boiloff"):
        Store.open(foreign)
    with pytest.raises(SourceFailed, match="no database there"):
        Store.open(tmp_path / "none.db", readonly=True)
    with pytest.raises(SourceFailed, match=r"folder"):
        Store.open(text / "below" / "x.db")


def test_a_held_store_is_said_to_be_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.store.opening.BUSY_S", 0.1)
    one, two = Store.open(tmp_path / "x.db"), Store.open(tmp_path / "x.db")
    with one.transaction():
        one.put("a", "1")
        with pytest.raises(SourceFailed, match="another program has held it"):
            two.put("b", "2")
    two.put("b", "2")
    one.close()
    two.close()


def test_a_full_disk_is_said_and_loses_nothing(store: Store) -> None:
    store.add_readings([weight(20.0)])
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    store._db.execute(f"PRAGMA max_page_count = {pages + 1}")
    with pytest.raises(SourceFailed, match="disk is full"):
        store.add_readings([weight(20.0, k, note="n" * 500) for k in range(1000)])
    assert [r.value for r in store.readings()] == [20.0]
    assert store.integrity() == []
