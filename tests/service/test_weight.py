"""What a command loads, and how long it takes to start: --help and status are what people wait for."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from monitor.model.forecast import Forecast
from monitor.model.health import SourceHealth
from monitor.model.reading import Quantity, Reading
from monitor.store import Store
from tests.service import harness

NOT_FOR_HELP = ("numpy", "pint", "pandas", "fastapi", "starlette", "uvicorn", "pydantic", "apprise", "requests", "rich")
NOT_FOR_STATUS = ("pandas", "fastapi", "starlette", "uvicorn", "apprise", "apscheduler", "paho", "bleak", "requests")
BROKER = '\n[broker]\nhost = "127.0.0.1"\nport = 1\n'
HELP_S, STATUS_S = 0.6, 1.0

SHOW = """
import sys
from monitor import cli
sys.argv = ["boiloff", *sys.argv[1:]]
try:
    cli.main()
except SystemExit as end:
    assert not end.code, end.code
sys.stderr.write(" ".join(sys.modules))
"""


def loaded(*args: str) -> set[str]:
    """The top-level packages that a command has loaded when it is done."""
    done = subprocess.run([sys.executable, "-c", SHOW, *args], capture_output=True, text=True, timeout=60, check=True)
    return {name.split(".", maxsplit=1)[0] for name in done.stderr.split()}


@pytest.fixture
def busy_site(tmp_path: Path) -> tuple[Path, Path]:
    """A site and a store with a fortnight of facts, as a household's has."""
    site = harness.write_site(
        tmp_path, harness.SITE, harness.sensors(), harness.weather_table("http://127.0.0.1:9"), BROKER
    )
    now = datetime.now(UTC)
    store_path = tmp_path / "store.db"
    with Store.open(store_path) as store:
        store.add_readings(
            [
                Reading(now - timedelta(minutes=10 * k), now - timedelta(minutes=10 * k), "A", Quantity.GROSS_WEIGHT,
                        20.0 + 0.002 * k, "scale A")
                for k in range(2000)
            ]
        )  # fmt: skip
        hour = now.replace(minute=0, second=0, microsecond=0)
        store.add_forecast(Forecast("open-meteo", hour, now, hour, np.full((31, 240), 260.0)))
        store.set_health(SourceHealth("scale B", "sensor", now, failed_at=now, error="never heard"))
    return site, store_path


def test_help_loads_nothing_heavy() -> None:
    assert not loaded("--help") & set(NOT_FOR_HELP) - {"rich"}  # typer draws its help with rich where it is there


def test_status_loads_no_pandas_web_framework_or_apprise(busy_site: tuple[Path, Path]) -> None:
    site, store = busy_site
    there = loaded("status", "--site", str(site), "--store", str(store))
    assert "sqlite3" in there  # the list is not empty by mistake
    assert not there & set(NOT_FOR_STATUS)


def best_s(args: Sequence[str], runs: int = 5) -> float:
    """The shortest of some runs: the one that was least disturbed by what else the machine does."""
    times = []
    for _ in range(runs):
        started = time.perf_counter()
        subprocess.run([sys.executable, "-m", "monitor.cli", *args], capture_output=True, timeout=60, check=True)
        times.append(time.perf_counter() - started)
    return min(times)


@pytest.mark.timing
def test_help_and_status_start_quickly(busy_site: tuple[Path, Path]) -> None:
    site, store = busy_site
    commands: list[tuple[str, Callable[[], float], float]] = [
        ("boiloff --help", lambda: best_s(["--help"]), HELP_S),
        ("boiloff status", lambda: best_s(["status", "--site", str(site), "--store", str(store)]), STATUS_S),
    ]
    for name, measure, limit in commands:
        took = measure()
        print(f"{name}: {took:.2f} s (limit {limit} s)")
        assert took <= limit, f"{name} took {took:.2f} s"
