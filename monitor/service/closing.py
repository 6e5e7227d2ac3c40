"""The end of a run: what waits is written as long as that goes on; what hangs is given up."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from datetime import datetime

from monitor.model.health import SourceHealth
from monitor.service import start
from monitor.store import Store
from monitor.store.writer import Writer

STILL_S = 0.6  # real seconds without a step after which it hangs
LONGEST_S = 10.0  # real seconds; systemd gives thirty


def closed(writer: Writer, left: Sequence[SourceHealth], now: datetime) -> bool:
    """Write what waits, the mark of an orderly end and `left`, and close; return False where that hangs.

    Minutes of a thousand cylinders' readings are some 5,000 rows and their states another thousand: 0.05 s of
    processor time, and seconds where twenty others want the processor.
    """
    steps: list[str] = []

    def last(store: Store) -> None:
        with store.transaction():
            start.end(store, now)
            for health in left:
                store.set_health(health)
                steps.append(health.name)
        steps.append("committed")

    def close() -> None:
        writer.submit(last)
        writer.close(LONGEST_S)

    thread = threading.Thread(target=close, name="closing", daemon=True)
    thread.start()
    until, seen, before = time.monotonic() + LONGEST_S, (writer.waiting, len(steps)), (-1, -1)
    while thread.is_alive() and seen != before and time.monotonic() < until:
        before = seen
        thread.join(STILL_S)
        seen = writer.waiting, len(steps)
    return not thread.is_alive()
