"""The writer: what it says is durable is there after a kill -9; groups; order; a store that is out for a while."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest

from monitor.model.errors import SourceFailed
from monitor.model.reading import Quantity, Reading
from monitor.store import Store
from monitor.store.writer import Writer
from tests.support.stalls import running

NOW = datetime(2026, 1, 5, 12, tzinfo=UTC)
KILLS = 50

# Writes readings in groups and judgements as fast as it can; prints a line only after it is durable.
CHILD = """
import sys, threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from monitor.model.alert import AlertState, Judgement, Notice, Transition
from monitor.model.reading import Quantity, Reading
from monitor.store.writer import Writer
path, first = Path(sys.argv[1]), int(sys.argv[2])
writer, start = Writer(path), datetime(2026, 1, 5, tzinfo=UTC)
def say(text):
    sys.stdout.write(text + "\\n"); sys.stdout.flush()
for n in range(first, first + 100000):
    at = start + timedelta(seconds=n)
    reading = Reading(at, at, "A", Quantity.GROSS_WEIGHT, float(n), "s")
    writer.submit_reading(reading, lambda n=n: say(f"reading {n}"))
    if n % 7 == 0:
        key = f"k/{n}"
        j = Judgement(
            (AlertState(key, "k", str(n), "unacknowledged", at, occurrence=key),),
            (Transition(key, key, at, "normal", "unacknowledged", "test"),),
            (Notice(key + "#1", key, key, at, "raised", "Minor", "Future", "Likely", "h", "b"),),
        )
        writer.submit(lambda s, j=j: s.commit_judgement(j, ["log", "mail"])).result()
        say(f"alert {n}")
"""


def test_kill_at_random_moments_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    path, draw = tmp_path / "x.db", random.Random(5)
    said: set[str] = set()
    first = 0
    for _ in range(KILLS):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path), str(first)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        lines = [child.stdout.readline() for _ in range(draw.randint(1, 60))]  # it is in the midst of its work
        time.sleep(draw.uniform(0.0, 0.02))
        child.send_signal(signal.SIGKILL)
        said |= {text.strip() for text in (*lines, *child.stdout) if text.endswith("\n")}
        child.wait()
        child.stdout.close()
        first += 100_000
    with Store.open(path) as store:
        assert store.integrity() == []
        kept = {f"reading {int(r.value or 0)}" for r in store.readings()}
        states = {f"alert {key.split('/')[1]}" for key in store.alert_states()}
        steps = {f"alert {t.key.split('/')[1]}" for t in store.transitions(limit=10**9)}
        rows = [(r.notice.key, r.channel) for r in store.outbox(limit=10**9)]
    lost = {s for s in said if s.startswith("reading")} - kept
    assert not lost
    assert {s for s in said if s.startswith("alert")} <= states
    assert states == steps  # never a state without its step
    assert sorted(rows) == sorted((f"k/{s.split()[1]}", c) for s in states for c in ("log", "mail"))
    assert len(said) > 20 * KILLS  # the kills came in the midst of work


def reading(n: int) -> Reading:
    return Reading(NOW, NOW, "A", Quantity.GROSS_WEIGHT, float(n), "s")


def test_readings_wait_for_their_group_and_a_job_does_not(tmp_path: Path) -> None:
    clock = [0.0]
    durable: list[int] = []
    writer = Writer(tmp_path / "x.db", commit_every_s=300.0, monotonic=lambda: clock[0])
    writer.submit_reading(reading(1), lambda: durable.append(1))
    writer.submit_reading(reading(2), lambda: durable.append(2))
    time.sleep(0.2)
    assert durable == []
    assert writer.submit(lambda store: len(store.readings())).result(60) == 2  # a job sees all that came before it
    assert durable == [1, 2]
    writer.submit_reading(reading(3), lambda: durable.append(3))
    assert writer.peek(lambda store: len(store.readings())).result(60) == 2  # a look commits nothing
    writer.submit_reading(reading(4), lambda: durable.append(4), at_once=True)
    writer.flush().result(60)
    assert durable == [1, 2, 3, 4]
    writer.submit_reading(reading(5), lambda: durable.append(5))
    writer.peek(lambda _: None).result(60)  # so it is in the group, with its time
    assert durable == [1, 2, 3, 4]
    clock[0] = 301.0
    deadline = time.monotonic() + 60
    while len(durable) < 5 and time.monotonic() < deadline:
        time.sleep(0.02)
    assert durable == [1, 2, 3, 4, 5]
    writer.submit_reading(reading(6), lambda: durable.append(6))
    writer.close()
    assert durable[-1] == 6
    with Store.open(tmp_path / "x.db") as store:
        assert [r.value for r in store.readings()] == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]


def test_a_job_that_fails_tells_its_caller_and_harms_no_other(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.db")
    broken = writer.submit(lambda _: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        broken.result(60)
    assert writer.submit(lambda store: store.get("x")).result(60) is None
    writer.close()
    with pytest.raises(RuntimeError, match="closed"):
        writer.submit(lambda _: None)


def test_a_reading_that_can_never_be_written_does_not_hold_up_the_rest(tmp_path: Path) -> None:
    durable: list[int] = []
    writer = Writer(tmp_path / "x.db", commit_every_s=60.0)
    naive = Reading(NOW.replace(tzinfo=None), NOW, "A", Quantity.GROSS_WEIGHT, 1.0, "s")
    writer.submit_reading(reading(1), lambda: durable.append(1))
    writer.submit_reading(naive, lambda: durable.append(99))
    writer.submit_reading(reading(2), lambda: durable.append(2))
    writer.flush().result(60)
    writer.close()
    assert durable == [1, 99, 2]  # it is set aside durably, so that its sender need not offer it for ever
    with Store.open(tmp_path / "x.db") as store:
        assert [r.value for r in store.readings()] == [1.0, 2.0]
        assert [(s.source, s.raw) for s in store.set_asides()] == [("s", "1.0")]
        assert "without its offset" in store.set_asides()[0].reason


def test_a_store_that_is_held_for_a_while_gets_everything_after(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.store.opening.BUSY_S", 0.05)
    path, durable = tmp_path / "x.db", threading.Event()
    writer = Writer(path)
    with Store.open(path) as other, other.transaction():
        other.put("held", "1")
        writer.submit_reading(reading(1), durable.set)
        assert not durable.wait(0.5)
    assert durable.wait(60)
    writer.close()
    with Store.open(path) as store:
        assert [r.value for r in store.readings()] == [1.0]


def test_who_hands_in_too_much_waits_for_room_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the store is held, no more than the limit is taken; whoever may not wait is told so."""
    monkeypatch.setattr("monitor.store.opening.BUSY_S", 0.02)
    path, durable, late = tmp_path / "x.db", [], threading.Event()
    writer = Writer(path, waiting=50)

    def one_too_many() -> None:
        writer.submit_reading(reading(50), lambda: durable.append(50))
        late.set()

    with Store.open(path) as other, other.transaction():
        other.put("held", "1")
        assert all(writer.submit_reading(reading(n), partial(durable.append, n)) for n in range(50))
        assert not writer.submit_reading(reading(98), wait_s=0)
        assert not writer.submit_reading(reading(99), wait_s=0.05)
        thread = threading.Thread(target=one_too_many)
        thread.start()
        assert not late.wait(0.3)
        assert writer.waiting == 50
        while "another program has held it" not in writer.error:  # the test's time-out ends it
            time.sleep(0.01)
        assert writer.waiting == 50
    assert late.wait(60)
    writer.flush().result(60)
    assert (writer.error, writer.waiting) == ("", 0)
    writer.close()
    assert durable == list(range(51))
    with Store.open(path) as store:
        assert sorted(r.value or 0.0 for r in store.readings()) == [float(n) for n in range(51)]


def test_a_full_disk_costs_nothing_that_was_acknowledged_and_looks_go_on(tmp_path: Path) -> None:
    path, durable = tmp_path / "x.db", []
    writer = Writer(path, batch=100)
    writer.submit_reading(reading(1), lambda: durable.append(1))
    writer.flush().result(60)

    def limit(store: Store, more: int) -> None:
        pages = store._db.execute("PRAGMA page_count").fetchone()[0]
        store._db.execute(f"PRAGMA max_page_count = {pages + more}")

    writer.submit(lambda store: limit(store, 0)).result(60)
    long = Reading(NOW, NOW, "A", Quantity.GROSS_WEIGHT, 2.0, "s", note="n" * 20_000)
    writer.submit_reading(long, lambda: durable.append(2))
    deadline = time.monotonic() + 60
    while not writer.error and time.monotonic() < deadline:
        time.sleep(0.01)
    assert "the disk is full" in writer.error
    job = writer.submit(lambda store: store.put("x", "after"))  # waits for the store with patience
    assert writer.peek(lambda store: len(store.readings())).result(60) == 1
    assert (durable, job.done()) == ([1], False)
    writer.peek(lambda store: limit(store, 100_000)).result(60)  # somebody made room
    job.result(60)
    assert durable == [1, 2]
    writer.close()
    with Store.open(path) as store:
        assert (len(store.readings()), store.get("x")) == (2, "after")


def test_a_job_does_not_wait_for_ever_for_a_store_that_is_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.store.opening.BUSY_S", 0.02)
    monkeypatch.setattr("monitor.store.writer._PATIENCE_S", 0.3)
    path = tmp_path / "x.db"
    writer = Writer(path)
    with Store.open(path) as other, other.transaction():
        other.put("held", "1")
        writer.submit_reading(reading(1))
        flush = writer.flush()
        with pytest.raises(SourceFailed, match="held it"):
            flush.result(60)
    writer.close()
    with Store.open(path) as store:  # the reading outlasts it
        assert len(store.readings()) == 1


def test_an_end_with_the_store_out_says_what_is_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("monitor.store.opening.BUSY_S", 0.02)
    path, durable = tmp_path / "x.db", []
    writer = Writer(path, commit_every_s=60.0)
    with Store.open(path) as other, other.transaction():
        other.put("held", "1")
        writer.submit_reading(reading(1), lambda: durable.append(1))
        with running() as took:
            writer.close()
            assert took.s < 5
    assert durable == []
    assert "1 readings could not be written before the end" in caplog.text


def test_many_threads_one_order_each(tmp_path: Path) -> None:
    """Readings of one source come to the store in the order in which it handed them in."""
    writer = Writer(tmp_path / "x.db", batch=37)

    def source(name: str) -> None:
        for n in range(300):
            writer.submit_reading(Reading(NOW, NOW, name, Quantity.GROSS_WEIGHT, float(n), name))

    threads = [threading.Thread(target=source, args=(f"s{k}",)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    writer.close()
    with Store.open(tmp_path / "x.db") as store:
        for k in range(6):
            assert [r.value for r in store.readings(subject=f"s{k}")] == [float(n) for n in range(300)]


def test_what_waits_for_the_news_may_fail_without_harm(tmp_path: Path) -> None:
    writer, durable = Writer(tmp_path / "x.db"), []

    def broken() -> None:
        raise OSError("the broker is gone")

    writer.submit_reading(reading(1), broken)
    writer.submit_reading(reading(2), lambda: durable.append(2))
    writer.flush().result(60)
    writer.close()
    assert durable == [2]
