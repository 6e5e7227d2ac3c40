"""`boiloff outlook` beyond the fixed names: what a person reads, what is refused, the form that reads the store."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.commands._outlook import run_out_words
from monitor.model.forecast import Forecast
from monitor.model.outlook import RunOut
from monitor.model.reading import Quantity, Reading
from monitor.store import Store

SITE = """
[site]
name = "Test yard (invented)"
latitude = 45.0
longitude = -90.0
timezone = "America/Chicago"
units = "{units}"
[supply]
lowest_inlet = "10 psi"
[[cylinder]]
name = "A"
size = "40 lb"
[[cylinder]]
name = "B"
size = "40 lb"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
when = "05-23"
"""
AT = "2026-01-05T00:00:00-06:00"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return written(tmp_path)


def written(folder: Path, units: str = "us") -> Path:
    path = folder / "site.toml"
    path.write_text(SITE.format(units=units))
    return path


def csv(folder: Path, air_c: Sequence[float | None]) -> Path:
    rows = [
        f"2026-01-{5 + k // 24:02d}T{k % 24:02d}:00:00-06:00,{'' if c is None else c},1,40,70"
        for k, c in enumerate(air_c)
    ]
    path = folder / "F.csv"
    head = "time,air_temperature_c,wind_speed_m_s,cloud_cover_pct,relative_humidity_pct\n"
    path.write_text(head + "\n".join(rows) + "\n")
    return path


def boiloff(*args: str | Path, command: str = "outlook") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", command, *map(str, args)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={"PATH": "", "COLUMNS": "80", "PYTHONPATH": str(Path(__file__).resolve().parents[2]), "NO_COLOR": "1"},
    )


def test_a_person_reads_what_is_short_first_and_without_colour(site: Path, tmp_path: Path) -> None:
    forecast = csv(tmp_path, [-5.0] * 24 + [-24.0] * 24)
    done = boiloff(
        "--site", site, "--forecast", forecast, "--charge", "A=9kg", "--charge", "B=30%", "--use", "0.4 kg/day"
    )
    assert done.returncode == 0, done.stderr
    text = done.stdout
    assert "\x1b[" not in text
    lines = text.splitlines()
    assert lines[1].startswith("NOT COVERED")
    assert "Tue 06 Jan 05:00-23:00" in text
    assert "Mon 05 day" in text
    assert "SHORT 05-10" in text
    assert "covered" in text
    assert "What to do before then: plan to burn less at once in those hours" in " ".join(text.split())
    assert "Never warm a cylinder with a flame" in text
    assert "Fuel lasts until about" in text
    assert "lb" in text
    assert max(map(len, lines)) <= 80


def test_metric_units_and_a_covered_site(tmp_path: Path) -> None:
    forecast = csv(tmp_path, [12.0] * 48)
    done = boiloff(
        "--site", written(tmp_path, "metric"), "--forecast", forecast, "--charge", "A=90%", "--charge", "B=90%"
    )
    assert done.returncode == 0, done.stderr
    assert "\nCOVERED to" in done.stdout
    assert "kW" in done.stdout
    assert "12 °C" in done.stdout
    assert "Never warm" not in done.stdout


def test_a_gap_is_said(site: Path, tmp_path: Path) -> None:
    air: list[float | None] = [5.0] * 48
    air[30:33] = [None] * 3
    done = boiloff("--site", site, "--forecast", csv(tmp_path, air), "--charge", "A=90%", "--charge", "B=90%")
    assert "3 h missing" in " ".join(done.stdout.split())
    assert "cannot be judged" in " ".join(done.stdout.split())


def test_every_hour_on_request(site: Path, tmp_path: Path) -> None:
    done = boiloff("--site", site, "--forecast", csv(tmp_path, [0.0] * 30), "--charge", "A=9kg", "--hours")
    assert sum(line.strip().startswith(("Mon 05", "Tue 06")) for line in done.stdout.splitlines()) >= 30


@pytest.mark.parametrize(
    ("args", "named"),
    [
        (["--charge", "A=9kg"], "--forecast"),
        (["--at", AT], "--charge"),
        (["--forecast", "F.csv"], "--charge"),
        (["--forecast", "F.csv", "--charge", "C=9kg"], "cylinders: A, B"),
        (["--forecast", "F.csv", "--charge", "A=9kg", "--at", "2026-01-05T00:00:00"], "offset"),
        (["--forecast", "F.csv", "--charge", "A=9kg", "--at", "tomorrow"], "tomorrow"),
        (["--forecast", "F.csv", "--charge", "A=9kg", "--at", "2027-01-05T00:00:00Z"], "says nothing about that time"),
        (["--forecast", "F.csv", "--charge", "A=9kg", "--use", "0.4"], "--use"),
        (["--forecast", "F.csv", "--charge", "A=9kg", "--fail-on", "anything"], "uncovered"),
        (["--forecast", "F.csv", "--charge", "A=900kg"], "--charge A"),
    ],
)
def test_bad_options_are_exit_2_and_say_what_to_do(site: Path, tmp_path: Path, args: list[str], named: str) -> None:
    forecast = csv(tmp_path, [0.0] * 24)
    done = boiloff("--site", site, *(str(forecast) if a == "F.csv" else a for a in args))
    assert done.returncode == 2, done.stdout
    assert named in done.stderr
    assert "Traceback" not in done.stderr


def test_no_store_is_exit_3_and_makes_none(site: Path, tmp_path: Path) -> None:
    missing = tmp_path / "none.db"
    done = boiloff("--site", site, "--store", missing)
    assert done.returncode == 3
    assert "none.db" in done.stderr
    assert not missing.exists()


def test_the_store_form_uses_its_readings_and_forecast(site: Path, tmp_path: Path) -> None:
    path = tmp_path / "b.db"
    now = datetime.now(UTC)
    start = now.replace(minute=0, second=0, microsecond=0)
    with Store.open(path) as store:
        store.add_readings(
            [
                Reading(now - timedelta(hours=2), now, name, Quantity.PROPANE_LEFT, kg, "manual")
                for name, kg in (("A", 4.0), ("B", 3.0))
            ]
        )
        store.add_forecast(Forecast("file", now, now, start, np.full((1, 48), 249.15)))
    done = boiloff("--site", site, "--store", path, "--json", "--fail-on", "uncovered")
    assert done.returncode == 1, done.stderr
    told = json.loads(done.stdout)
    turned = datetime.now(UTC).hour != start.hour  # an hour may have ended meanwhile
    assert len(told["hours"]) in ({47, 48} if turned else {48})
    assert [round(x["left_kg"]) for x in told["levels"]] == [4, 3]
    assert told["uncovered"]
    text = boiloff("--site", site, "--store", path)
    assert text.returncode == 0, text.stderr
    assert "told 2 h ago" in text.stdout


def test_an_empty_store_is_not_known(site: Path, tmp_path: Path) -> None:
    path = tmp_path / "b.db"
    Store.open(path).close()
    done = boiloff("--site", site, "--store", path)
    assert done.returncode == 0, done.stderr
    assert "NOT KNOWN" in done.stdout
    assert "no reading" in done.stdout


def test_a_run_out_beyond_sight_is_a_sentence() -> None:
    zone, soon = ZoneInfo("America/Chicago"), datetime(2031, 2, 3, 18, tzinfo=UTC)
    assert run_out_words(RunOut(None, None, None), zone) == "Fuel lasts longer than can be said."
    said = run_out_words(RunOut(soon, None, None), zone)
    assert said == "Fuel lasts longer than can be said; 1 chance in 10 that it ends by Mon 03 Feb 2031."
