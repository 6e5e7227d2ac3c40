"""The cost that is kept between requests: the same as worked out anew after everything that can change it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from monitor.commands import _cost
from monitor.model.reading import Quantity, Reading
from monitor.store import Store
from monitor.store.record import Event
from monitor.web.costs import Costs
from tests.web import house

NOW = house.NOW
SITE = house.site()
Change = Callable[[Store, datetime], object]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    house.fill(tmp_path / "store.db", SITE)
    return tmp_path / "store.db"


def reading(at: datetime, came: datetime, kg: float, source: str) -> Reading:
    gross = SITE.cylinder("A").tare_kg + kg
    return Reading(at, came, "A", Quantity.GROSS_WEIGHT, gross, source, noise=0.1)


def correct(store: Store, now: datetime) -> None:
    old = store.readings(source="scale under B")[-8]
    assert old.value is not None
    store.add_readings([replace(old, id=None, corrects=old.id, received=now, value=old.value - 4.0)])


CHANGES: dict[str, Change] = {
    "an entry": lambda s, now: s.add_event(
        Event("fill", "A", now - timedelta(days=9), now, {"paid_kg": 9.0, "price": 23.0})
    ),
    "a correction": correct,
    "readings that came late": lambda s, now: s.add_readings(
        [reading(now - timedelta(days=d), now, 3.0, "scale under A") for d in (5, 4, 3)]
    ),
    "a weighing by hand": lambda s, now: s.add_readings([reading(now, now, 9.0, "hand")]),
    "a first reading in another two hours": lambda s, now: s.add_readings(
        [reading(now + timedelta(hours=2), now + timedelta(hours=2), 9.0, "scale under A")]
    ),
}


UNFINISHED = ("a weighing by hand", "a first reading in another two hours")  # of a day that is not over


@pytest.mark.parametrize("what", CHANGES)
def test_what_changes_the_answer_is_noticed(path: Path, what: str) -> None:
    costs = Costs()
    before = costs.money(SITE, path, NOW)
    with Store.open(path) as store:
        CHANGES[what](store, NOW)
        later = NOW + timedelta(hours=2 if "another" in what else 0, minutes=1)
        anew = _cost.money(SITE, store, later)
    after = costs.money(SITE, path, later)
    assert after == anew
    assert after != before or what in UNFINISHED
    assert costs.made == 2
    assert costs.money(SITE, path, later) is after


def test_an_undo_and_another_site_count_and_a_sensors_next_minute_does_not(path: Path) -> None:
    costs = Costs()
    with Store.open(path) as store:
        number = store.add_event(Event("fill", "A", NOW, NOW, {"paid_kg": 9.0, "price": 23.0}))
        first = costs.money(SITE, path, NOW)
        for minute in range(5):
            at = NOW + timedelta(minutes=minute)
            store.add_readings([reading(at, at, 9.0, "scale under A")])
            costs.money(SITE, path, at)
        assert costs.made <= 2  # once more where the first of them begins a span of two hours
        made = costs.made
        store.undo_event(number, NOW)
    assert costs.money(SITE, path, NOW).price.kg is None
    assert first.price.kg == pytest.approx(23.0 / 9.0)
    other = replace(SITE, settings={**SITE.settings, "cost.currency": "EUR"})
    assert costs.money(other, path, NOW).rates.currency == "EUR"
    assert costs.made == made + 2


def test_many_ask_at_once_and_it_is_worked_out_once(path: Path) -> None:
    costs = Costs()
    threads = [threading.Thread(target=costs.money, args=(SITE, path, NOW)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert costs.made == 1
