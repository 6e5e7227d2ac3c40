"""kill -9 at random moments between judging and sending, with a sink that fails at random: at least once, and a double
only where the sink's answer never came or the process died in between, each with the same id."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from pathlib import Path
from random import Random

import pytest

from monitor.store import Store
from tests.notify.sinks import Web, web_server

ROOT = Path(__file__).resolve().parents[2]


class Flaky(Web):
    """Takes most; fails, cuts before or after taking, at random."""

    def __init__(self) -> None:
        super().__init__()
        self._chance = Random(5)
        self.heard = threading.Event()
        self.took: list[tuple[str, str, str]] = []  # life, id, how

    def _answer(self, handler):  # type: ignore[no-untyped-def]
        answers: list[int | str] = [200, 500, 429, "cut", "cut after"]
        what = self._chance.choices(answers, [80, 8, 4, 4, 4])[0]
        self.plan = [(what, {})]
        self.heard.set()
        before = len(self.got)
        super()._answer(handler)
        if len(self.got) > before:
            self.took.append((handler.path, handler.headers["Idempotency-Key"], str(what)))


@pytest.mark.parametrize("kills", [60, pytest.param(200, marks=pytest.mark.soak)])
def test_killed_at_random_moments(kills: int, tmp_path: Path) -> None:
    path, chance = tmp_path / "boiloff.db", Random(11)
    Store.open(path).close()
    with web_server(Flaky()) as web:
        assert isinstance(web, Flaky)
        command = [sys.executable, "-m", "tests.notify.killed", str(path), str(web.port)]
        child = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        for life in range(kills + 1):
            last = life == kills
            web.heard.clear()
            child.stdin.write(f"{-1 if last else life}\n")
            child.stdin.flush()
            pid = int(child.stdout.readline())
            if not last:
                if chance.random() < 0.7:  # not before it has sent something, however slow the machine
                    web.heard.wait(10.0)
                time.sleep(chance.uniform(0.0, 0.06))
                os.kill(pid, signal.SIGKILL)
            status = child.stdout.readline().split()
            assert status == ["dead", "0" if last else "9"]
        child.stdin.close()
        assert child.wait(30) == 0
        child.stdout.close()
        took = list(web.took)

    store = Store.open(path, readonly=True)
    rows = [r for r in store.outbox(10**6) if r.channel == "push"]
    notices = {n.id: n for n in store.notices(10**6)}
    transitions = store.transitions(limit=10**6)
    store.close()

    # Never two notices for one raising, never none.
    raised = [t.occurrence for t in transitions if t.after == "unacknowledged"]
    assert Counter(raised) == Counter(n.occurrence for n in notices.values() if n.what == "raised")
    assert max(Counter(raised).values()) == 1
    # At least once: every row came out, by itself or in a digest; what was dropped says why.
    assert {r.state for r in rows} <= {"delivered", "gathered", "dropped"}
    told = {i for _, i, _ in took}
    by_id = {r.notice.id: r for r in rows}
    for row in rows:
        if row.state == "delivered":
            assert row.notice.id in told
        elif row.state == "gathered":
            # A digest of what is over by now, and was not severe, need not go out.
            assert by_id[row.gathered_into].state in {"delivered", "gathered", "dropped"}
        else:
            assert "it may have arrived" in row.error or "began and ended before it could be told" in row.error
    assert told <= set(by_id)
    doubles = _doubles(took)
    sys.stderr.write(
        f"\n{kills} kills: {len(raised)} raised, {len(notices)} notices, {len(took)} taken, {doubles} doubled\n"
    )
    assert len(took) > kills / 4
    assert doubles


def _doubles(took: list[tuple[str, str, str]]) -> int:
    """Count the doubles: only where the answer never came or the process died in between; with the same id."""
    doubles = 0
    seen: dict[str, tuple[str, str]] = {}
    for life_of, notice_id, how in took:
        if notice_id in seen:
            doubles += 1
            earlier, earlier_how = seen[notice_id]
            assert earlier_how == "cut after" or earlier != life_of, (notice_id, earlier_how)
        seen[notice_id] = (life_of, how)
    return doubles
