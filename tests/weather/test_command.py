"""A forecast from a command of the user's own, run for real."""

from __future__ import annotations

import os
import sys
import time
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from monitor.model.forecast import Forecast
from monitor.weather import WeatherError, fetch
from tests.weather.support import NOW, context, site, source

HOUR = NOW.replace(minute=0)
CSV = "time,air_temperature_c\\n" + "\\n".join(f"{(HOUR + timedelta(hours=k)).isoformat()},{-k}" for k in range(48))


def run(code: str, timeout: float = 60.0) -> Forecast:
    given = source("command", command=[sys.executable, "-c", code], timeout=timeout)
    return fetch(given, site(), context())


def test_csv_and_json() -> None:
    forecast = run(f"print('{CSV}')")
    assert forecast.source == "command"
    np.testing.assert_allclose(forecast.air_k[0], 273.15 - np.arange(48))
    rows = f"[{{'time': '{HOUR.isoformat()}', 'air_temperature_c': -4}}]"
    other = run(f"import json; print(json.dumps({{'issued': '{HOUR.isoformat()}', 'hours': {rows}}}))")
    assert other.issued == HOUR
    assert other.air_k[0, 0] == pytest.approx(269.15)


def test_it_gets_the_rounded_place_and_no_secrets(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("BOILOFF_SECRET", "x")
    path = tmp_path / "env"
    run(f"import os; open({str(path)!r}, 'w').write(repr(dict(os.environ))); print('{CSV}')")
    seen = path.read_text()
    assert "'BOILOFF_LATITUDE': '44.12'" in seen
    assert "BOILOFF_SECRET" not in seen


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("import sys; sys.stderr.write('no key given'); sys.exit(3)", "ended with 3: no key given"),
        ("pass", "a header line"),
        ("print('<html>')", "a column time"),
        ("import sys; sys.stdout.buffer.write(b'\\xff\\xfe\\x00')", "UTF-8"),
        ("print('{')", "JSON"),
        ("import sys; sys.stdout.write('x' * 40_000_000)", "more than any forecast"),
    ],
)
def test_failures(code: str, words: str) -> None:
    with pytest.raises(WeatherError, match=words) as caught:
        run(code)
    assert caught.value.kind == "temporary"


def test_one_that_hangs_is_ended_with_its_children(tmp_path: Path) -> None:
    pids = tmp_path / "pids"
    code = (
        "import os, subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])\n"
        f"open({str(pids)!r}, 'w').write(f'{{os.getpid()}} {{child.pid}}')\n"
        "time.sleep(60)\n"
    )
    began = time.monotonic()
    with pytest.raises(WeatherError, match="took longer than"):
        run(code, timeout=4.0)  # time enough to start a child and write the numbers down, on a slow machine too
    assert time.monotonic() - began < 40.0  # by themselves they would take 60 s
    for pid in map(int, pids.read_text().split()):
        assert _gone(pid)


def _gone(pid: int) -> bool:
    for _ in range(1500):
        try:
            os.kill(pid, 0)
            state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
        except (ProcessLookupError, FileNotFoundError):
            return True
        if state == "Z":
            return True
        time.sleep(0.02)
    return False


@pytest.mark.parametrize("command", ["", [], '"open', "/nonexistent/program"])
def test_no_command_that_can_be_run(command: object) -> None:
    with pytest.raises(WeatherError) as caught:
        fetch(source("command", command=command), site(), context())
    assert caught.value.kind == "permanent"


def test_a_line_is_split_without_a_shell(tmp_path: Path) -> None:
    path = tmp_path / "my forecast.csv"
    path.write_text(CSV.replace("\\n", "\n"))
    assert fetch(source("command", command=f"cat '{path}'"), site(), context()).hours == 48
    with pytest.raises(WeatherError, match="ended with 1"):
        fetch(source("command", command="cat /nonexistent; true"), site(), context())
