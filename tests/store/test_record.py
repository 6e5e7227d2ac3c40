"""The record: entries, undo, undo of an undo, and that nothing ever goes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.model.errors import BadInput
from monitor.store import Event, Store
from tests.store.support import DAY, HOUR, NOW


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "x.db") as opened:
        yield opened


def test_entries_come_back_by_when_they_were_done(store: Store) -> None:
    store.add_event(Event("fill", "B", NOW, NOW, {"to_kg": 18.1, "price": 22.5, "place": "Gasthof Nordlicht"}))
    store.add_event(Event("leak check", "site", NOW - DAY, NOW, {"found": "none"}))
    store.add_event(Event("fill", "A", NOW + HOUR, NOW + DAY, {}))
    assert [(e.kind, e.subject) for e in store.events()] == [("leak check", "site"), ("fill", "B"), ("fill", "A")]
    assert [e.subject for e in store.events(kind="fill", until=NOW + HOUR)] == ["B"]
    assert [e.payload for e in store.events(subject="B")] == [
        {"to_kg": 18.1, "price": 22.5, "place": "Gasthof Nordlicht"}
    ]
    assert store.events(since=NOW + HOUR)[0].entered == NOW + DAY


def test_an_undo_is_an_entry_and_can_be_undone(store: Store) -> None:
    fill = store.add_event(Event("fill", "A", NOW, NOW, {"to_kg": 18.1}))
    undo = store.undo_event(fill, NOW + HOUR, "it was B")
    assert store.events() == []
    again = store.undo_event(undo, NOW + 2 * HOUR, "it was A after all")
    assert [e.id for e in store.events()] == [fill]
    store.undo_event(again, NOW + 3 * HOUR)
    assert store.events() == []
    assert len(store.events(include_undone=True)) == 4
    with pytest.raises(BadInput, match=f"Entry {undo} did it; undo that one"):
        store.undo_event(fill, NOW)
    with pytest.raises(BadInput, match="an entry that is there"):
        store.undo_event(99, NOW)
    entry = store.event(undo)
    assert entry is not None
    assert (entry.kind, entry.subject, entry.undoes, entry.payload) == ("fill", "A", fill, {"why": "it was B"})


@pytest.mark.parametrize("payload", [{"kg": math.nan}, {"when": NOW}, {"x": object()}])
def test_a_payload_is_plain_json(store: Store, payload: dict[str, object]) -> None:
    with pytest.raises(BadInput, match="plain JSON"):
        store.add_event(Event("fill", "A", NOW, NOW, payload))
    assert store.events() == []


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], deadline=None, max_examples=30
)
@given(steps=st.lists(st.integers(0, 30), max_size=30))
def test_what_is_in_force_follows_any_chain_of_undos(
    tmp_path_factory: pytest.TempPathFactory, steps: list[int]
) -> None:
    """Against a plain model: an entry is in force unless an undo in force takes it back."""
    with Store.open(tmp_path_factory.mktemp("record") / "x.db") as store:
        model: dict[int, int | None] = {}
        for step in steps:
            if step < len(model) and step + 1 not in model.values():
                model[store.undo_event(step + 1, NOW)] = step + 1
            else:
                model[store.add_event(Event("fill", "A", NOW, NOW))] = None

        def in_force(number: int) -> bool:
            return not any(old == number and in_force(undo) for undo, old in model.items())

        assert [e.id for e in store.events()] == [n for n, old in model.items() if old is None and in_force(n)]
