"""The service, or the least program on the bare libraries, in a process of its own: measured from outside by `board`.

    boarded.py ours SITE STORE          boarded.py bare PORT PASSWORD_FILE STORE TOPIC...

Prints "judged" when the first outlook from a forecast has been judged (ours) or when the broker has granted the
subscription (bare); on SIGTERM one JSON object: readings taken in, delays (s) from the sender's time to there, and
which heavy libraries are loaded.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sqlite3
import sys
import threading
import time
from pathlib import Path
from typing import Any

HEAVY = ("pandas", "bokeh", "fastapi", "apprise", "pint", "pydantic", "cryptography", "requests", "CoolProp")
delays: list[float] = []
rounds: list[float] = []


def told() -> None:
    """Print what was seen."""
    loaded = [name for name in HEAVY if name in sys.modules]
    print(json.dumps({"count": len(delays), "delays": sorted(delays), "rounds": rounds, "loaded": loaded}), flush=True)


def ours(site: Path, store: Path) -> None:
    """The service as `boiloff serve` runs it, the page included."""
    from monitor.service.core import Hooks
    from monitor.service.daemon import Daemon
    from monitor.service.round import Found

    def judged(found: Found) -> None:
        rounds.append(time.time())
        if found.outlook.hours and len(rounds) < 1000 and not said.is_set():
            said.set()
            print("judged", flush=True)

    said = threading.Event()
    hooks = Hooks(on_reading=lambda r: delays.append(time.time() - r.time.timestamp()), on_round=judged, page=True)
    daemon = Daemon(site, store, None, hooks)

    async def run() -> None:
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, daemon.stop)
        await daemon.run()

    asyncio.run(run())


def bare(port: int, password: Path, store: Path, topics: list[str]) -> None:
    """paho's loop, sqlite3 in groups of five minutes as the service's, numpy loaded: checks and works out nothing."""
    import numpy as np  # noqa: F401  a projection would need it
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

    from tests.support.broker import USER

    db = sqlite3.connect(store, isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("CREATE TABLE reading (id INTEGER PRIMARY KEY, time REAL, topic TEXT, value REAL)")
    rows: list[tuple[float, str, float]] = []
    lock = threading.Lock()
    over = threading.Event()

    def note(_client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        table = json.loads(message.payload)
        with lock:
            rows.append((table["at"], message.topic, table["kg"]))
        delays.append(time.time() - float(table["at"]))

    signal.signal(signal.SIGTERM, lambda *_: over.set())
    made = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=MQTTProtocolVersion.MQTTv5)
    made.username_pw_set(USER, password.read_text().strip())
    made.on_message = note
    made.on_subscribe = lambda *_: print("judged", flush=True)
    made.connect("127.0.0.1", port)
    for k in range(0, len(topics), 200):
        made.subscribe([(topic, 1) for topic in topics[k : k + 200]])
    made.loop_start()
    while not over.wait(300.0) or rows:
        with lock:
            ready, rows = rows, []
        db.execute("BEGIN IMMEDIATE")
        db.executemany("INSERT INTO reading (time, topic, value) VALUES (?, ?, ?)", ready)
        db.execute("COMMIT")
        if over.is_set():
            break
    made.disconnect()
    made.loop_stop()


def main() -> None:
    """Run one of the two until SIGTERM."""
    if sys.argv[1] == "ours":
        ours(Path(sys.argv[2]), Path(sys.argv[3]))
    else:
        bare(int(sys.argv[2]), Path(sys.argv[3]), Path(sys.argv[4]), sys.argv[5:])
    told()


if __name__ == "__main__":
    main()
