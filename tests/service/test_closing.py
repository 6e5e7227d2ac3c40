"""The end of a run: a store that is slow is waited for, one that hangs is given up."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.model.health import SourceHealth
from monitor.service import closing, start
from monitor.store import Store
from monitor.store.writer import Writer
from tests.support.stalls import running

NOW = datetime(2031, 1, 5, 6, 0, tzinfo=UTC)
LEFT = [SourceHealth(f"scale {k}", "sensor", NOW, ok_at=NOW, interval_s=60.0) for k in range(20)]


@pytest.fixture
def writer(tmp_path: Path) -> Writer:
    made = Writer(tmp_path / "s.db", commit_every_s=300.0)
    made.submit(lambda store: start.begin(store, NOW, "site.toml")).result()
    return made


def test_all_is_written_though_it_takes_longer_than_a_hang(
    tmp_path: Path, writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = Store.set_health

    def slowly(store: Store, health: SourceHealth) -> None:
        time.sleep(0.16)
        plain(store, health)

    monkeypatch.setattr(Store, "set_health", slowly)
    monkeypatch.setattr(closing, "STILL_S", 3.0)  # a machine that stands still between two steps is no store that hangs
    began = time.monotonic()
    assert closing.closed(writer, LEFT, NOW)
    assert time.monotonic() - began > closing.STILL_S
    with Store.open(tmp_path / "s.db", readonly=True) as store:
        assert len(store.health()) == len(LEFT)
        assert start.read(store)["ended"] == NOW.isoformat()


def test_a_store_that_hangs_is_given_up_and_the_next_run_is_told(
    tmp_path: Path, writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    hangs = threading.Event()
    monkeypatch.setattr(Store, "set_health", lambda *_: hangs.wait(30.0))
    monkeypatch.setattr(closing, "LONGEST_S", 5.0)
    with running() as took:
        assert not closing.closed(writer, LEFT, NOW)
        assert took.s < 4.0
    with Store.open(tmp_path / "s.db", readonly=True) as store:
        assert start.read(store)["ended"] is None
    hangs.set()
