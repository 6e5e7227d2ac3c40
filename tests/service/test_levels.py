"""Levels kept from round to round say what levels made afresh say, whatever comes in and in whatever order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from monitor.outlook import level
from monitor.service import levels
from monitor.service.levels import Levels
from monitor.site import load
from monitor.store import Store
from tests.service import harness

START = datetime(2031, 1, 5, 6, 0, tzinfo=UTC)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    broker = '\n[broker]\nhost = "127.0.0.1"\nport = 1\n'
    return load(harness.write_site(tmp_path, harness.SITE, harness.sensors(), broker))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "s.db") as opened:
        yield opened


def weighed(hours: float, kg: float, name: str = "A", source: str = "", **more: object) -> Reading:
    time = START + timedelta(hours=hours)
    made = Reading(time, time, name, Quantity.PROPANE_LEFT, kg, source or f"scale {name}", 0.1)
    return replace(made, **more)  # type: ignore[arg-type]


def same(kept: Levels, site: Site, store: Store, now: datetime) -> None:
    """What was kept and what is made afresh, beside each other."""
    mine, fresh = kept.now(site, store, now, None), Levels().now(site, store, now, None)
    for a, b in zip(mine.levels, fresh.levels, strict=True):
        assert a.left_kg == pytest.approx(b.left_kg, abs=0.06)
        assert a.reading_time == b.reading_time
    assert mine.site == fresh.site


def test_round_after_round(site: Site, store: Store) -> None:
    kept, draw = Levels(), Random(3)
    for hour in range(200):
        left = 17.0 - 0.04 * (hour if hour < 120 else hour - 120)
        store.add_readings([weighed(hour, left + draw.gauss(0, 0.05), name) for name in "AB"])
        same(kept, site, store, START + timedelta(hours=hour, minutes=5))


def test_a_correction_and_an_entry_for_an_earlier_time(site: Site, store: Store) -> None:
    kept = Levels()
    (first,) = store.add_readings([weighed(0, 9.0, source="hand")])
    assert kept.now(site, store, START + timedelta(hours=1), None).levels[0].left_kg == pytest.approx(9.0, abs=0.3)
    store.add_readings([weighed(0, 6.0, source="hand", corrects=first)])
    assert kept.now(site, store, START + timedelta(hours=2), None).levels[0].left_kg == pytest.approx(6.0, abs=0.3)
    store.add_readings([weighed(-30, 16.0, source="hand")])
    same(kept, site, store, START + timedelta(hours=3))


def test_a_sender_whose_clock_runs_ahead_is_not_forgotten(site: Site, store: Store) -> None:
    kept = Levels()
    store.add_readings([weighed(0, 9.0)])
    kept.now(site, store, START + timedelta(minutes=1), None)
    store.add_readings([weighed(1 / 60 + 0.05, 8.0), weighed(1 / 60 + 0.06, 8.0, "B")])  # three minutes ahead
    assert kept.now(site, store, START + timedelta(minutes=1), None).levels[1].reading_time is None
    later = kept.now(site, store, START + timedelta(minutes=10), None)
    assert later.levels[1].reading_time is not None
    same(kept, site, store, START + timedelta(minutes=10))


def test_a_valve_and_a_clock_set_back_start_afresh(site: Site, store: Store) -> None:
    kept = Levels()
    store.add_readings([weighed(h, 12.0 - 0.05 * h, name) for h in range(20) for name in "AB"])
    assert all(c.valve_open for c in kept.now(site, store, START + timedelta(hours=20), None).site.cylinders)
    valve = Reading(START + timedelta(hours=20), START + timedelta(hours=20), "B", Quantity.VALVE, 0.0, "hand")
    store.add_readings([valve])
    shut = kept.now(site, store, START + timedelta(hours=21), None)
    assert [c.valve_open for c in shut.site.cylinders] == [True, False]
    same(kept, site, store, START + timedelta(hours=5))


def test_a_month_of_minutes_is_quick_after_the_first_time(site: Site, store: Store) -> None:
    minutes = 3 * 1440
    store.add_readings([weighed(m / 60, 17.0 - 3e-4 * m, name) for m in range(minutes) for name in "AB"])
    kept, now = Levels(), START + timedelta(minutes=minutes)
    kept.now(site, store, now, None)
    asked: list[int] = []
    plain = level.observations

    def counted(where: Site, readings: list[Reading], air: object = None) -> object:
        asked.append(len(readings))
        return plain(where, readings, air)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(level, "observations", counted)
        for m in range(minutes, minutes + 30, 10):
            store.add_readings([weighed((m + k) / 60, 15.0, "A") for k in range(10)])
            kept.now(site, store, START + timedelta(minutes=m + 10), None)
    assert asked == [10, 10, 10]


def test_a_start_looks_back_less_far_where_there_are_very_many_cylinders(site: Site, store: Store) -> None:
    many = replace(site, cylinders=tuple(replace(site.cylinders[0], name=f"C{k}") for k in range(200)))
    few = replace(site, cylinders=many.cylinders[:2])
    assert levels.days_of(few) == levels.DAYS
    assert 7.0 <= levels.days_of(many) < 20.0
    store.add_readings([weighed(-m / 60.0, 12.0, "C1") for m in range(200)])
    assert 6 <= len(levels.readings_of(store, many, START, [Quantity.PROPANE_LEFT])) <= 8  # one in each half-hour
    assert len(levels.readings_of(store, few, START, [Quantity.PROPANE_LEFT])) == 200


def test_a_start_takes_very_many_cylinders_in_bank_after_bank(
    site: Site, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    many = replace(site, cylinders=tuple(replace(site.cylinders[0], name=f"C{k}") for k in range(300)))
    told = [weighed(-h / 2, 12.0 + 0.01 * k + 0.002 * h, f"C{k}") for h in range(48, 0, -1) for k in range(0, 300, 7)]
    store.add_readings(told)
    wrong = store.add_readings([weighed(-0.2, 2.0, "C7"), weighed(-0.2, 9.0, "C140")])
    store.add_readings([weighed(-0.2, 11.9, "C7", corrects=wrong[0]), weighed(0.1, 11.8, "C280")])
    asked: list[int] = []
    plain = level.observations

    def counted(where: Site, readings: list[Reading], air: object = None) -> object:
        asked.append(len({r.subject for r in readings}))
        return plain(where, readings, air)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(level, "observations", counted)
        parted = Levels().now(many, store, START, None)
    assert len(asked) == 3  # of 128 cylinders at most
    assert max(asked) < len({r.subject for r in told})
    monkeypatch.setattr(levels, "_AT_ONCE", 1000)
    whole = Levels().now(many, store, START, None)
    assert parted.levels == whole.levels
    assert parted.faults == whole.faults
