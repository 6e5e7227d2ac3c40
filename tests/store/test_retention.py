"""Thinning by declared rule: old sensor readings, outlooks and forecasts; never what a person entered or was told."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.model.forecast import Forecast
from monitor.model.reading import Quantity, Reading
from monitor.store import Retention, Store
from tests.store.support import DAY, HOUR, MINUTE, NOW, content, fill, weight

KEEP = Retention(readings=30 * DAY, readings_step=HOUR, outlooks=7 * DAY, forecasts=7 * DAY, set_aside=90 * DAY)
LATER = NOW + 60 * DAY


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "x.db") as opened:
        yield opened


def through(store: Store, now: object = LATER, keep: Retention = KEEP) -> int:
    gone, more = 0, True
    while more:
        done, more = store.thin(now, keep, slices=3)  # type: ignore[arg-type]
        gone += done
    return gone


def test_of_old_readings_the_first_good_one_of_each_hour_stays(store: Store) -> None:
    store.add_readings([weight(None, 0)] + [weight(20.0 - k / 1e4, k) for k in range(1, 60 * 24 * 45)])
    total = 60 * 24 * 45
    gone = through(store)
    left = store.readings()
    old = [r for r in left if r.time < NOW + 30 * DAY]
    assert len(left) == total - gone
    assert len(old) == 30 * 24
    assert old[0].time == NOW + MINUTE  # the bad one at the hour does not stand for it
    assert all(r.time.minute == 0 for r in old[1:])
    assert len(left) - len(old) == 15 * 24 * 60  # what is younger is whole
    assert through(store) == 0
    assert store.integrity(thorough=True) == []


def test_what_a_person_entered_or_was_told_stays(store: Store) -> None:
    fill(store, 300)
    store.add_readings([weight(20.0, k, source="hand") for k in range(100)])
    switch = [Reading(NOW + k * MINUTE, NOW, "A", Quantity.VALVE, float(k % 2), "valve") for k in range(50)]
    store.add_readings(switch)
    before = content(store.path)
    through(store, NOW + 4000 * DAY)
    after = content(store.path)
    for table in ("event", "transition", "notice", "outbox", "alert_state", "health", "stream"):
        assert after[table] == before[table], table
    assert len(store.readings(source="hand", include_corrected=True)) == 103
    assert len(store.readings(source="valve")) == 50
    assert len(store.readings(source="scale")) == 2 * 5
    assert after["set_aside"] == []


def test_a_reading_and_its_correction_stay_together(store: Store) -> None:
    first = store.add_readings([weight(20.0, k) for k in range(30)])[7]
    store.add_readings([weight(19.0, 7, corrects=first)])
    through(store)
    assert [r.value for r in store.readings(include_corrected=True)] == [20.0, 20.0, 19.0]


def test_old_outlooks_and_forecasts_are_kept_every_few_hours(store: Store) -> None:
    for k in range(48):
        at = NOW + k * HOUR
        store.add_outlook(at, {"at": str(k)})
        made = Forecast("open-meteo", at, at, at, np.full((1, 24), 260.0))
        store.add_forecast(made)
        store.add_forecast(replace(made, source="nws"))
    through(store)
    assert [o["at"] for o in store.outlooks(since=NOW, until=LATER)] == [str(k) for k in (0, 6, 12, 18, 24, 30, 36, 42)]
    assert len(store.forecasts(source="nws")) == len(store.forecasts(source="open-meteo")) == 8
    young = Retention(forecasts=365 * DAY, outlooks=365 * DAY)
    assert through(store, LATER, young) == 0


def test_it_goes_on_where_it_ended_and_does_nothing_twice(store: Store) -> None:
    store.add_readings([weight(20.0, k) for k in range(60 * 24 * 25)])
    gone, more = store.thin(NOW + 50 * DAY, KEEP, slices=1)
    assert more
    assert 0 < gone < 60 * 24 * 8
    through(store, NOW + 50 * DAY)
    assert len(store.readings(until=NOW + 20 * DAY)) == 20 * 24
    store.add_readings([weight(21.0, 60 * 24 * 26 + k) for k in range(60)])
    through(store, NOW + 57 * DAY)
    assert len(store.readings(since=NOW + 26 * DAY)) == 1


def test_outside_of_it_no_fact_can_be_removed(store: Store) -> None:
    store.add_readings([weight(20.0, k) for k in range(120)])
    through(store)
    with pytest.raises(sqlite3.IntegrityError, match="never removed"):
        store._db.execute("DELETE FROM reading")
    assert store.get("thinning") is None
