"""`boiloff capacity` beyond the fixed names: the table, CSV, what may be added, and what is refused."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.physics.sites import BTU_H

SITE = """
[site]
name = "Test yard (invented)"
latitude = 45.0
longitude = -90.0
timezone = "America/Chicago"
units = "{units}"
[supply]
feed = "{feed}"
lowest_inlet = "10 psi"
basis = "weather"
[[cylinder]]
name = "A"
size = "40 lb"
[[cylinder]]
name = "B"
size = "40 lb"
{side}
[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
when = "05-23"
"""


def write(folder: Path, units: str = "us", feed: str = "together") -> Path:
    path = folder / "site.toml"
    side = 'side = "reserve"' if feed == "changeover" else ""
    path.write_text(SITE.format(units=units, feed=feed, side=side))
    return path


def boiloff(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", "capacity", *args],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_table_csv_and_json_agree(tmp_path: Path) -> None:
    path = str(write(tmp_path))
    done = boiloff("--site", path, "--csv", "--air", "5 degF", "--air", "40 degF")
    assert done.returncode == 0, done.stderr
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    cells = json.loads(boiloff("--site", path, "--table", "--json", "--air", "5 degF", "--air", "40 degF").stdout)
    assert len(rows) == len(cells["cells"]) == 16
    by_key = {(round(c["air_c"] * 1.8 + 32), round(100 * c["share_of_full"])): c for c in cells["cells"]}
    for row in rows:
        cell = by_key[round(float(row["air_f"])), round(float(row["charge_pct_of_full"]))]
        for basis in ("chart", "floor", "weather"):
            assert float(row[f"{basis}_btu_h"]) == pytest.approx(cell["sustained_w"][basis] / BTU_H, abs=1.0)
        assert float(row["hold_min"]) * 60 == pytest.approx(cell["hold_s"], abs=4)
    half = boiloff("--site", path, "--charge", "A=50%", "--charge", "B=50%", "--air", "5 degF", "--json")
    point = json.loads(half.stdout)["points"][0]
    assert point["sustained_w"]["weather"] == pytest.approx(by_key[5, 50]["sustained_w"]["weather"], rel=1e-9)


def test_what_may_be_added_then_just_holds(tmp_path: Path) -> None:
    path = write(tmp_path)
    args = ("--site", str(path), "--charge", "A=80%", "--charge", "B=80%", "--air", "20 degF", "--json")
    point = json.loads(boiloff(*args).stdout)["points"][0]
    extra = point["largest_added_w"]["by_turns"] / BTU_H
    assert extra > 1000
    more = path.read_text() + f'[[appliance]]\nname = "More"\ninput = "{extra:.3f} Btu/h"\nhold = "60 min"\n'
    path.write_text(more)
    assert json.loads(boiloff(*args).stdout)["points"][0]["hold_s"] == pytest.approx(3600, rel=2e-3)


def test_changeover_gives_each_side(tmp_path: Path) -> None:
    path = str(write(tmp_path, feed="changeover"))
    done = boiloff("--site", path, "--charge", "A=80%", "--charge", "B=30%", "--air", "20 degF", "--json")
    point = json.loads(done.stdout)["points"][0]
    assert point["sides_w"]["service"] > point["sides_w"]["reserve"] > 0
    assert point["sustained_w"]["weather"] == pytest.approx(point["sides_w"]["service"])


@pytest.mark.parametrize("units", ["us", "metric"])
def test_people_see_their_units(tmp_path: Path, units: str) -> None:
    path = str(write(tmp_path, units))
    one = boiloff("--site", path, "--charge", "A=9 kg", "--air", "-10 degC")
    table = boiloff("--site", path)
    assert one.returncode == table.returncode == 0, one.stderr + table.stderr
    mine, other = ("Btu/h", "kW") if units == "us" else ("kW", "Btu/h")
    for text in (one.stdout, table.stdout):
        assert mine in text
        assert other not in text
    assert "shut off: B" in one.stdout
    assert "needs" in table.stdout


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--air", "5 degF"), "--charge"),
        (("--charge", "A=50%"), "--air"),
        (("--charge", "A=50%", "--air", "5"), "no unit"),
        (("--charge", "A=50%", "--air", "5 degF", "--sky", "1.5"), "--sky"),
        (("--charge", "A=50%", "--charge", "A=20%", "--air", "5 degF"), "once"),
        (("--charge", "A=50%", "--air", "5 degF", "--csv"), "no charge beside"),
        (("--json", "--csv"), "--csv"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, args: tuple[str, ...], words: str) -> None:
    done = boiloff("--site", str(write(tmp_path)), *args)
    assert done.returncode == 2
    assert words in done.stderr


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    done = boiloff("--site", str(write(tmp_path)), "--charge", "A=106%", "--charge", "C=1kg", "--air", "warm")
    assert done.returncode == 2
    assert all(word in done.stderr for word in ("A", "C=1kg", "warm"))
