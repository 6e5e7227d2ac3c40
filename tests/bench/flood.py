"""One sensor gone wild beside a calm one: how late the calm one's readings are, and how much of the flood is stored.

    python -m tests.bench.flood [--rate 5000] [--seconds 60]

The flood is published by a process of its own at the stated rate. Goal: no reading of the calm sensor later than 1 s.
"""

from __future__ import annotations

import argparse
import multiprocessing
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from monitor.model.reading import Reading
from monitor.model.site import Cylinder, SensorSpec, Site
from monitor.sensors.mqtt import MqttSource
from monitor.service.clock import RealClock
from monitor.store.writer import Writer
from tests.support.broker import Mosquitto, close, send

CYLINDER = Cylinder("A", 43.18, 13.15, 0.3175, 18.14)
SENSORS = tuple(SensorSpec(n, "mqtt", "A", "gross_weight", f"t/{n}", interval_s=60.0) for n in ("wild", "calm"))


def flood(broker: Mosquitto, rate: float, seconds: float, told: multiprocessing.Queue[int]) -> None:
    """Publish at the rate, in bursts of 10 ms; tell how many were sent."""
    client = broker.client()
    begun = time.monotonic()
    count = 0
    while (passed := time.monotonic() - begun) < seconds:
        while count < passed * rate:
            client.publish("t/wild", f"{14 + count % 1000 / 100:.2f}", 0)
            count += 1
        time.sleep(0.01)
    told.put(count)
    close(client)


def run(rate: float, seconds: float) -> None:
    """Print how late the calm sensor was and what was stored of the wild one."""
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        folder = Path(name)
        broker = Mosquitto(folder / "mosquitto")
        broker.start()
        writer = Writer(folder / "flood.db", commit_every_s=0.2)
        site = Site("bench", 45.0, -100.0, "UTC", (CYLINDER,), (), sensors=SENSORS, broker=broker.described())
        stored = {"wild": 0, "calm": 0}
        late: list[float] = []

        def on_reading(reading: Reading, done: Callable[[], None]) -> None:
            if reading.source == "calm":
                late.append((datetime.now(UTC) - sent).total_seconds())
            stored[reading.source] += 1
            writer.submit_reading(reading, done)

        source = MqttSource(site, on_reading, lambda _item, done: done(), lambda _: None, RealClock())
        source.start()
        while not source.connected:
            time.sleep(0.01)
        time.sleep(0.2)
        told: multiprocessing.Queue[int] = multiprocessing.Queue()
        process = multiprocessing.Process(target=flood, args=(broker, rate, seconds, told))
        process.start()
        calm = broker.client()
        turns = 0
        while process.is_alive():
            sent = datetime.now(UTC)
            send(calm, "t/calm", "20")
            turns += 1
            process.join(2.0)
        count = told.get(timeout=5)
        time.sleep(1.5)
        close(calm)
        source.stop()
        writer.close()
        broker.kill()
        size = sum(f.stat().st_size for f in folder.glob("flood.db*"))
    print(f"{count:,} sent in {seconds:.0f} s ({count / seconds:,.0f}/s), {source.received:,} received")
    print(f"stored of the wild sensor: {stored['wild']}; database {size / 1024:.0f} KiB")
    print(f"calm sensor: {len(late)} of {turns} readings, at most {max(late) * 1000:.0f} ms late")


def main() -> None:
    """Read the options and run."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rate", type=float, default=5000.0)
    options.add_argument("--seconds", type=float, default=60.0)
    told = options.parse_args()
    run(told.rate, told.seconds)


if __name__ == "__main__":
    main()
