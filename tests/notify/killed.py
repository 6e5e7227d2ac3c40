"""A process that judges and sends until it is killed. Loads everything once, then forks a child for each life.

Reads lines "SEED" from standard input; for each it forks a child, prints its process id, waits for it, prints "dead".
"""

from __future__ import annotations

import os
import sys
import threading
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random

from monitor.alerts import judge
from monitor.alerts.known import found
from monitor.model.site import Channel, Site
from monitor.notify import channels
from monitor.notify.outbox import Worker
from monitor.store import Store
from monitor.store.writer import Writer
from tests.alerts.scene import SITE

KINDS = ("forecast-stale", "sensor-silent", "delivery-failing")


class Fast:
    """The machine's clock at 30 times its speed, so that a retry of seconds comes within milliseconds."""

    def __init__(self, begun: float) -> None:
        self._begun = begun

    def now(self) -> datetime:
        return datetime.fromtimestamp(self._begun + 30.0 * (time.time() - self._begun), UTC)

    def wait(self, event: threading.Event, seconds: float | None = None) -> bool:
        return event.wait(min(seconds or 0.0, 0.02))


def household(port: int, life: int) -> Site:
    """The path tells the sink which life a request comes from."""
    push = Channel("push", f"json://127.0.0.1:{port}/{life}/?rto=30&cto=30", options={"quiet_hours": (3, 3)})
    return replace(SITE, channels=(push,))


def one_round(store: Store, site: Site, now: datetime, chance: Random) -> None:
    states = store.alert_states()
    conditions = [
        found(kind, "x", chance.random() < 0.5, "by chance", {"on_delay_s": 0.0}, rank=float(chance.randint(1, 3)))
        for kind in KINDS
    ]
    store.commit_judgement(judge(conditions, states, now, site), channels.names(site))


def live(path: Path, port: int, begun: float, seed: int, drain: bool) -> None:
    site, clock, chance = household(port, seed), Fast(begun), Random(seed)
    writer = Writer(path)
    worker = Worker(site, writer, clock, chance=Random(0))
    worker.start()
    while True:
        if drain:
            if not writer.submit(lambda s: s.waiting("push")).result():
                os._exit(0)
        else:
            writer.submit(lambda s: one_round(s, site, clock.now(), chance)).result()
        worker.wake()
        time.sleep(chance.uniform(0.0, 0.02))


def main() -> None:
    path, port, begun = Path(sys.argv[1]), int(sys.argv[2]), time.time()
    channels.open_way(household(port, 0).channels[0])  # load apprise before the forks
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                live(path, port, begun, int(line), drain=int(line) < 0)
            finally:
                os._exit(1)
        sys.stdout.write(f"{pid}\n")
        sys.stdout.flush()
        _, status = os.waitpid(pid, 0)
        sys.stdout.write(f"dead {status}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
