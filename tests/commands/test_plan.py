"""`boiloff plan`: what a person reads, JSON, bad options."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from monitor.model.alert import AlertState, Judgement
from monitor.model.forecast import Forecast
from monitor.model.reading import Quantity, Reading
from monitor.store import Event, Store
from tests.commands.test_outlook import boiloff as outlook_command
from tests.commands.test_outlook import csv, written


def boiloff(*args: str | Path) -> tuple[int, str, str]:
    done = outlook_command(*args, command="plan")
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = written(tmp_path)
    path.write_text(path.read_text() + '\n[fuel]\ndays = ["Wed", "Sat"]\nlift = "80 lb"\n')
    return path


def test_what_to_take_and_why(site: Path, tmp_path: Path) -> None:
    forecast = csv(tmp_path, [4.0] * 120)
    args = ("--site", site, "--forecast", forecast, "--charge", "A=8 lb", "--charge", "B=14 lb", "--use", "0.4 kg/day")
    code, text, error = boiloff(*args)
    assert code == 0, error
    assert text.splitlines()[1].startswith("TAKE A on ")
    assert "Why: odds before then of running low, or of an uncovered meal that a refill would cover: " in " ".join(
        text.split()
    )
    assert "goes in; B carries the meals meanwhile" in " ".join(text.split())
    assert "travel upright" in " ".join(text.split())
    assert "Before you undo a cylinder: every burner off" in " ".join(text.split())
    code, text, error = boiloff(*args, "--json")
    told = json.loads(text)
    assert [t["cylinder"] for t in told["take"]] == ["A"]
    assert datetime.fromisoformat(told["when"]).weekday() in {2, 5}
    assert told["risk_before"] <= 0.05
    assert {"latest", "stays_covered", "needed_share", "share_after", "gives_way", "days", "run_out"} <= set(told)


def test_no_trip_while_there_is_plenty(site: Path, tmp_path: Path) -> None:
    forecast = csv(tmp_path, [8.0] * 120)
    code, text, error = boiloff(
        "--site", site, "--forecast", forecast, "--charge", "A=95%", "--charge", "B=95%", "--use", "0.2 kg/day"
    )
    assert code == 0, error
    assert "NO TRIP" in text


def test_closed_days_and_bad_options(site: Path, tmp_path: Path) -> None:
    forecast = csv(tmp_path, [4.0] * 120)
    args = ("--site", site, "--forecast", forecast, "--charge", "A=8 lb", "--charge", "B=14 lb", "--json")
    first = json.loads(boiloff(*args)[1])
    closed = datetime.fromisoformat(first["when"]).date().isoformat()
    second = json.loads(boiloff(*args, "--closed", closed)[1])
    assert closed not in {d["date"] for d in second["days"]}
    assert second["when"] != first["when"]
    code, _, error = boiloff(*args, "--closed", "Christmas")
    assert code == 2
    assert "--closed" in error
    code, _, error = boiloff(*args, "--coldest", "cold")
    assert code == 2
    assert "--coldest" in error


def test_from_the_store(site: Path, tmp_path: Path) -> None:
    path = tmp_path / "b.db"
    now = datetime.now(UTC)
    start = now.replace(minute=0, second=0, microsecond=0)
    with Store.open(path) as store:
        store.add_readings(
            [
                Reading(now - timedelta(days=d), now, name, Quantity.PROPANE_LEFT, kg + 0.2 * d, "manual")
                for name, kg in (("A", 3.0), ("B", 5.0))
                for d in range(28, -1, -4)
            ]
        )
        store.add_forecast(Forecast("file", now, now, start, np.full((1, 120), 280.15)))
    code, text, error = boiloff("--site", site, "--store", path, "--json")
    assert code == 0, error
    told = json.loads(text)
    assert told["when"] is not None
    assert told["run_out"]["p50"] is not None
    assert 10 < (datetime.fromisoformat(told["run_out"]["p50"]) - now).days < 32  # 8 kg at 0.4 kg a day, wide

    for state, said in (("normal", False), ("unacknowledged", True), ("shelved", True)):
        found = AlertState("leak-found/site", "leak-found", "site", state, now, reason="a check found [one]")  # type: ignore[arg-type]
        with Store.open(path) as store:
            store.commit_judgement(Judgement((found,), (), ()), [])
        for command in ("plan", "outlook"):
            text = " ".join(outlook_command("--site", site, "--store", path, command=command).stdout.split())
            assert text.startswith("FIRST: Leak not known to be mended (since") is said
            assert ("a check found [one]. What to do: close every cylinder valve" in text) is said

    with Store.open(path) as store:  # somebody closed both
        store.add_readings([Reading(now, now, name, Quantity.VALVE, 0.0, "manual") for name in "AB"])
    shut = json.loads(boiloff("--site", site, "--store", path, "--json")[1])
    assert "open one first" in shut["reasons"][0]
    with Store.open(path) as store:
        store.add_event(Event("leak-check", "site", now, now, {"result": "leak"}))
    leaky = json.loads(boiloff("--site", site, "--store", path, "--json")[1])
    assert "leave them closed" in leaky["reasons"][0]
