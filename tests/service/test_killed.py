"""kill -9 of the whole service at 50 random moments while readings arrive over a real broker and notices go out.

Every reading that the broker was told is safe is in the store after, no alert is lost, and a notice comes twice only
where a run died between handing it over and noting that, each time with the same id.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from monitor.service.clock import uptime_s
from monitor.store import Store
from tests.notify.sinks import web_server
from tests.service import harness
from tests.support.broker import Mosquitto, close, wait_for

KILLS = 50
SPEED = 20_000.0
START = datetime(2031, 1, 6, 12, 0, tzinfo=UTC)
ROOT = Path(__file__).resolve().parents[2]
SITE = """
[site]
name = "Test yard (invented)"
latitude = 40.12
longitude = -88.34
timezone = "America/Chicago"
units = "us"
[[cylinder]]
name = "A"
size = "40 lb"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
when = "05-23"
[[sensor]]
name = "scale A"
way = "mqtt"
cylinder = "A"
quantity = "propane_left"
topic = "yard/A"
unit = "kg"
pointer = "/kg"
time_pointer = "/at"
interval = "10 min"
[[channel]]
name = "push"
url = "json://127.0.0.1:{port}/"
[alerts]
quiet = false
silent = 1000
[service]
outlook_every = "20 min"
commit_every = "30 min"
"""


class Yard:
    """Publishes a level every few hundredths of a second: now full, now nearly empty, no two the same."""

    def __init__(self, broker: Mosquitto, from_s: float) -> None:
        self._client = broker.client("yard")
        self._from_s = from_s
        self._stop = threading.Event()
        self.told: list[float] = []  # what the broker said it has
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def now(self) -> datetime:
        """The service's time."""
        return START + timedelta(seconds=(uptime_s() - self._from_s) * SPEED)

    def _run(self) -> None:
        count = 0
        while not self._stop.wait(0.025):
            count += 1
            low = int(time.monotonic() / 1.2) % 2
            kg = round((2.0 if low else 15.0) + 1e-5 * count, 5)
            payload = json.dumps({"kg": kg, "at": self.now().isoformat()})
            self._client.publish("yard/A", payload, qos=1).wait_for_publish(60)
            self.told.append(kg)

    def end(self) -> None:
        """Stop publishing."""
        self._stop.set()
        self._thread.join(60)
        close(self._client)


class Runs:
    """The process that forks a run for each line."""

    def __init__(self, site: Path, store: Path) -> None:
        self.child = subprocess.Popen(
            [sys.executable, "-m", "tests.service.killed", str(site), str(store), START.isoformat(), str(SPEED)],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip

    def say(self, text: str = "go") -> str:
        """Write a line, return the answer."""
        assert self.child.stdin is not None
        self.child.stdin.write(text + "\n")
        self.child.stdin.flush()
        return self.hear()

    def hear(self) -> str:
        """Return the next line."""
        assert self.child.stdout is not None
        return self.child.stdout.readline().strip()

    def begin(self) -> tuple[int, float]:
        """Begin a run; return its process and the moment (uptime) at which the clock began."""
        pid, from_s = self.say().split()
        return int(pid), float(from_s)

    def close(self) -> None:
        """End the process."""
        assert self.child.stdin is not None
        assert self.child.stdout is not None
        self.child.stdin.close()
        assert self.child.wait(60) == 0
        self.child.stdout.close()


def settled(store_path: Path, yard: Yard) -> bool:
    """Whether everything published is kept and everything to be told was told."""
    with Store.open(store_path, readonly=True) as store:
        return not store.waiting() and len({r.value for r in store.readings()}) >= len(yard.told)


@pytest.mark.timeout(170)
def test_killed_50_times(tmp_path: Path, broker: Mosquitto) -> None:
    chance, store_path, deaths = Random(7), tmp_path / "store.db", 0
    with web_server() as web:
        site = harness.write_site(tmp_path, SITE.format(port=web.port), harness.broker_table(broker))
        runs = Runs(site, store_path)
        pid, from_s = runs.begin()
        # the session at the broker must be there before anything can wait for it
        wait_for(lambda: broker.subscribed("boiloff-service", "yard/A"), 60.0)
        yard = Yard(broker, from_s)
        for _ in range(KILLS):
            time.sleep(chance.uniform(0.05, 1.0))
            os.kill(pid, signal.SIGKILL)
            deaths += 1
            assert runs.hear() == "dead"
            pid, _ = runs.begin()
        time.sleep(1.0)
        yard.end()
        wait_for(lambda: settled(store_path, yard), 60.0)
        os.kill(pid, signal.SIGTERM)
        assert runs.hear() == "dead"
        runs.close()
        taken = Counter(web.ids)
    _judge(store_path, yard, taken, deaths)


def _judge(store_path: Path, yard: Yard, taken: Counter[str], deaths: int) -> None:
    with Store.open(store_path, readonly=True) as store:
        kept = Counter(r.value for r in store.readings())
        rows = [r for r in store.outbox(10**6) if r.channel == "push"]
        notices = {n.id: n for n in store.notices(10**6)}
        steps = store.transitions(limit=10**6)
        whole = store.integrity()
    assert whole == []
    lost = set(yard.told) - set(kept)
    assert lost == set()
    # Each raising and each end told exactly once as a notice, and every notice in the outbox.
    raised = Counter(t.occurrence for t in steps if t.after == "unacknowledged" and t.before in {"normal", "pending"})
    assert Counter(n.occurrence for n in notices.values() if n.what == "raised") == raised
    assert {r.notice.id for r in rows} >= {i for i in notices if not i.startswith("digest/log")}
    # Handed over at least once, alone or in a digest; what was dropped says why.
    for row in rows:
        if row.state == "delivered":
            assert taken[row.notice.id] >= 1, row
        else:
            assert row.state in {"gathered", "dropped"}, row
            assert row.gathered_into or row.error
    doubled = {i: n for i, n in taken.items() if n > 1}
    attempts = {r.notice.id: r.attempts for r in rows}
    assert all(attempts[i] >= n for i, n in doubled.items())
    assert sum(n - 1 for n in doubled.values()) <= deaths
    twice = sum(n - 1 for n in kept.values())
    assert twice == 0
    print(
        f"\n{deaths} kills: {len(yard.told)} readings published, {len(lost)} lost, {twice} kept twice; "
        f"{len(raised)} raisings, {len(rows)} notices for the channel, {sum(taken.values())} handed over, "
        f"{sum(n - 1 for n in doubled.values())} twice"
    )
    assert len(raised) >= 3
