"""What the board remembers, and what it finds worth writing down."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from monitor.model.health import SourceHealth
from monitor.service.board import Board
from monitor.service.clock import SteppedClock

START = datetime(2031, 1, 5, 14, 0, tzinfo=UTC)


def test_since_is_when_it_came_into_the_state_it_is_in() -> None:
    clock = SteppedClock(START)
    written: list[SourceHealth] = []
    board = Board(clock, written.append)
    board.works("broker", "broker")
    clock.set(START + timedelta(minutes=5))
    board.fails("broker", "broker", "connection refused")
    clock.set(START + timedelta(minutes=9))
    board.fails("broker", "broker", "connection refused")
    health = board.all()["broker"]
    assert health.since == START + timedelta(minutes=5)
    assert health.failed_at == START + timedelta(minutes=9)
    assert health.ok_at == START
    assert not health.working
    clock.set(START + timedelta(minutes=20))
    board.works("broker", "broker")
    health = board.all()["broker"]
    assert (health.since, health.error) == (START + timedelta(minutes=20), "")
    assert health.failed_at == START + timedelta(minutes=9)
    assert [h.error for h in written] == ["", "connection refused", ""]


def test_a_source_that_simply_works_is_written_once_an_hour() -> None:
    clock = SteppedClock(START)
    written: list[SourceHealth] = []
    board = Board(clock, written.append)
    for minute in range(181):
        clock.set(START + timedelta(minutes=minute))
        board.works("scale A", "sensor", interval_s=60.0)
    assert [h.ok_at for h in written] == [START + timedelta(hours=k) for k in range(4)]
    clock.set(START + timedelta(minutes=190))
    board.works("scale A", "sensor", interval_s=60.0)
    assert [h.ok_at for h in board.unwritten()] == [START + timedelta(minutes=190)]
    assert board.unwritten() == ()


def test_another_error_is_written_and_a_missing_source_is_seen() -> None:
    clock = SteppedClock(START)
    written: list[SourceHealth] = []
    board = Board(clock, written.append)
    board.expects("scale B", "sensor", 60.0)
    assert board.all()["scale B"].ok_at is None
    assert not board.all()["scale B"].working
    board.fails("open-meteo", "forecast", "500")
    board.fails("open-meteo", "forecast", "500")
    board.fails("open-meteo", "forecast", "name does not resolve")
    assert [h.error for h in written] == ["500", "name does not resolve"]


def test_what_an_earlier_run_knew_is_taken_over_for_names_that_exist() -> None:
    clock = SteppedClock(START)
    kept = {n: SourceHealth(n, "sensor", START - timedelta(days=1), ok_at=START - timedelta(days=1)) for n in "AB"}
    board = Board(clock, lambda _: None)
    board.load(kept, ["A", "C"])
    assert set(board.all()) == {"A"}
    assert board.all()["A"].ok_at == START - timedelta(days=1)
    board.forget("A")
    assert board.all() == {}
