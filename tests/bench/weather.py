"""How long reading forecasts, making their odds, and learning take. Run: python -m tests.bench.weather

Best of several runs, with the ratio to the time of one outlook round's share (reading the CSV) beside each.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import timedelta
from functools import partial

from monitor.model.site import WeatherSource
from monitor.outlook import air, cases, learn
from monitor.weather import fetch, file
from monitor.weather.memory import Memory
from tests.weather import replay
from tests.weather.servers.met_norway import MetNorway
from tests.weather.servers.nws import Nws
from tests.weather.servers.open_meteo import OpenMeteo
from tests.weather.support import NOW, context, site, source


def best_ms(work: Callable[[], object], runs: int = 7) -> float:
    """Least time of `runs` runs (ms)."""
    found = []
    for _ in range(runs):
        began = time.perf_counter()
        work()
        found.append(time.perf_counter() - began)
    return 1000.0 * min(found)


def _fetch(asked: WeatherSource) -> object:
    return fetch(asked, site(), context(NOW, Memory()))


def main() -> None:
    rows: list[tuple[str, float]] = []
    start = NOW.replace(minute=0)
    text = "time,air_temperature_c\n" + "\n".join(
        f"{(start + timedelta(hours=k)).isoformat()},{k % 24 - 20}" for k in range(240)
    )
    rows.append(("read a CSV of 240 hours", best_ms(lambda: file.parse_csv(text, "f", NOW))))
    for kind, server in (("open-meteo", OpenMeteo(NOW)), ("nws", Nws(NOW)), ("met-norway", MetNorway(NOW))):
        with server:
            asked = source(kind, server.url)
            rows.append((f"fetch {kind} from loopback", best_ms(partial(_fetch, asked))))
    with OpenMeteo(NOW) as ensemble:
        ensemble.members = 50
        asked = source("open-meteo", ensemble.url, ensemble=True)
        rows.append(("fetch an ensemble of 51 members", best_ms(partial(_fetch, asked))))
    truth, first, last = replay.winters()[1]
    world = replay.World(truth, first, last, 1)
    forecast = world.forecast(100)
    rows.append(("odds: 41 members of 240 hours", best_ms(lambda: air.prepare(forecast, world.site))))
    known = learn.Cases.joined([cases.pair(world.forecast(k), world.yard, world.site) for k in range(100)])
    at = world.issues[100]
    night = world.first_day + 100
    rows.append(("learn from 80 nights", best_ms(lambda: learn.fit(known, int(at.timestamp() // 3600), night))))
    rows.append(
        ("pair one forecast with the thermometer", best_ms(partial(cases.pair, forecast, world.yard, world.site)))
    )
    base = rows[0][1]
    width = max(len(name) for name, _ in rows)
    for name, ms in rows:
        print(f"{name:{width}s} {ms:9.2f} ms  x {ms / base:6.2f}")


if __name__ == "__main__":
    main()
