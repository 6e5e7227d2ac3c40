"""`boiloff draws` on a store with a fine scale, a coarse gauge and known draws."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from monitor.model.reading import Quantity, Reading
from monitor.store import Store
from monitor.store.record import Event
from tests.commands.support import SITE, on_store

J_KG = 21_548 * 2_326.0  # NFPA 58, commercial propane, gross
DAYS = 3
boiloff = partial(on_store, "draws")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three days up to now: one draw of 10 kW for 50 minutes each day from A; B has a gauge every half hour."""
    path = tmp_path_factory.mktemp("draws")
    (path / "site.toml").write_text(SITE.format(units="us"))
    (path / "metric.toml").write_text(SITE.format(units="metric"))
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    begin = now - timedelta(days=DAYS)
    rng = np.random.default_rng(3)
    minutes = np.arange(0, DAYS * 1440, 5)
    kg = 12.0 + rng.normal(0.0, 0.02, minutes.size)
    for day in range(DAYS):
        start = day * 1440 + 600
        kg -= 10e3 * 60.0 / J_KG * (np.clip(minutes, start, start + 50) - start)
    readings = []
    for minute, value in zip(minutes, kg, strict=True):
        t = begin + timedelta(minutes=int(minute))
        readings.append(Reading(t, t, "A", Quantity.PROPANE_LEFT, float(value), "scale", noise=0.02))
        if minute % 30 == 0:
            readings.append(Reading(t, t, "B", Quantity.GAUGE_PERCENT, 0.6 + rng.normal(0.0, 0.03), "gauge"))
    with Store.open(path / "b.db") as store:
        store.add_readings(readings)
    with Store.open(path / "coarse.db") as store:
        store.add_readings([r for r in readings if r.subject == "B"])
    with Store.open(path / "empty.db"):
        pass
    return path


def test_each_draw_with_its_mass_and_time(folder: Path) -> None:
    done = boiloff(folder, "--days", "4", "--json")
    assert done.returncode == 0, done.stderr
    scale, gauge = json.loads(done.stdout)["sensors"]
    assert (scale["cylinder"], scale["source"], scale["fine_enough"], scale["reason"]) == ("A", "scale", True, None)
    assert scale["readings"] == DAYS * 288
    assert len(scale["draws"]) == DAYS
    for draw in scale["draws"]:
        assert abs(draw["burnt_kg"] - 10e3 * 3000.0 / J_KG) < 4.0 * draw["burnt_sd_kg"] < 0.1
        assert draw["rate_w"] == pytest.approx(10e3, rel=0.15)
        assert datetime.fromisoformat(draw["start"]).utcoffset() == timedelta(0)
    assert gauge["fine_enough"] is False
    assert gauge["draws"] == []
    assert "wanted" in gauge["reason"]


@pytest.mark.parametrize(("site", "unit", "power"), [("site.toml", " lb", "Btu/h"), ("metric.toml", " kg", "kW")])
def test_the_table_fits_the_terminal(folder: Path, site: str, unit: str, power: str) -> None:
    done = boiloff(folder, "--days", "4", site=site)
    assert done.returncode == 0, done.stderr
    assert "Test yard [invented]" in done.stdout
    assert "A, scale: 3 draws" in done.stdout
    rows = re.findall(rf"^\w+ \d\d \w+ \d\d:\d\d .*{unit} .*{power}", done.stdout, re.MULTILINE)
    assert len(rows) == DAYS
    assert "B, gauge: " in done.stdout
    assert all(len(line) <= 80 for line in done.stdout.splitlines())


def test_one_cylinder_only(folder: Path) -> None:
    found = json.loads(boiloff(folder, "--cylinder", "A", "--json").stdout)
    assert [s["cylinder"] for s in found["sensors"]] == ["A"]


@pytest.mark.parametrize("store", ["coarse.db", "empty.db"])
def test_it_says_plainly_that_no_sensor_is_fine_enough(folder: Path, store: str) -> None:
    done = boiloff(folder, store=store)
    assert done.returncode == 0, done.stderr
    assert "No sensor is fine enough to tell single draws" in done.stdout


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--days", "0"], "--days: got 0; expected a number of days from 1 to 90"),
        (["--days", "91"], "--days: got 91"),
        (["--cylinder", "C"], '--cylinder: got "C"; expected one of A, B'),
        (["--least", "much"], "--least"),
        (["--least", "0 kg"], "--least"),
    ],
)
def test_bad_input_is_named(folder: Path, args: list[str], words: str) -> None:
    done = boiloff(folder, *args)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_no_store(folder: Path) -> None:
    done = boiloff(folder, store="none.db")
    assert done.returncode != 0
    assert "no database there" in done.stderr


def test_what_was_read_of_a_cylinder_that_was_exchanged_is_left_out(folder: Path) -> None:
    now = datetime.now(UTC)
    then = now - timedelta(days=DAYS - 1)
    with Store.open(folder / "b.db", readonly=True) as old, Store.open(folder / "exchanged.db") as new:
        new.add_readings(old.readings(subject="A"))
        new.add_event(Event("exchange", "A", then, now, {"tare_kg": 8.0, "water_capacity_kg": 21.6}))
    found = json.loads(boiloff(folder, "--days", "4", "--json", store="exchanged.db").stdout)
    (scale,) = found["sensors"]
    assert scale["readings"] == pytest.approx((DAYS - 1) * 288, abs=2)
