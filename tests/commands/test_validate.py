"""`boiloff validate`: exit status, what is printed, and the JSON."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.site.sample import SOUND

ROOT = Path(__file__).resolve().parents[2]
GOLDEN = ROOT / "tests" / "site" / "golden"


def boiloff(*args: str, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *args],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=cwd,
        env={"PYTHONPATH": str(ROOT), "COLUMNS": "100", "PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8"},
    )


def test_a_site_that_can_be_used() -> None:
    done = boiloff("validate", "--site", "config/smallest.toml")
    assert done.returncode == 0, done.stderr
    said = " ".join(done.stdout.split())
    assert "This file can be used" in said
    assert "A, tare: 19 lb (8.618 kg): common for the 20 lb size: 16.6-19 lb (found; stamped" in said
    assert "40,000 Btu/h" in said
    assert "rating not stated, so not checked" in said
    assert "supply.regulator: nothing; expected the rating" in said
    assert "\x1b" not in done.stdout


def test_the_regulator_is_judged(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SOUND)
    said = " ".join(boiloff("validate", "--site", str(path)).stdout.split())
    assert "rated 160,000 Btu/h, loaded to 41 %, within the usual 30-90 % (common practice, no source)" in said
    path.write_text(SOUND.replace("160000", "70000"))
    said = " ".join(boiloff("validate", "--site", str(path)).stdout.split())
    assert "loaded to 93 %, outside the usual 30-90 %" in said
    assert "little is left for another appliance" in said


def test_metric_units_and_sides() -> None:
    said = boiloff("validate", "--site", "config/changeover-metric.toml").stdout
    for text in ("78.92 kg", "31.8 cm", "11.95 kW", "service side", "valve closed", "06:00-22:00", "at any hour"):
        assert text in said, text


def test_every_problem_with_key_value_form_and_hint() -> None:
    done = boiloff("validate", "--site", str(GOLDEN / "many.toml"))
    assert done.returncode == 2
    assert done.stdout == ""
    said = " ".join(done.stderr.split())
    assert "21 problems" in said
    for line in (GOLDEN / "many.txt").read_text(encoding="utf-8").splitlines():
        where, rest = line.split(": got ", 1)
        value, rest = rest.split("; expected ", 1)
        expected, hint = rest.split(". ", 1)
        number, key = where.split(", ", 1)
        shown = f"{number}: {key} got: {value} expected: {expected}"
        assert shown in said or expected.startswith(("one of", "the IANA", "hours", "a time zone")), shown
        assert hint.split("; ")[-1] in said


def test_json_of_a_site_that_can_be_used() -> None:
    done = boiloff("validate", "--site", "config/smallest.toml", "--json")
    assert done.returncode == 0
    answer = json.loads(done.stdout)
    assert answer["ok"] is True
    assert answer["demand_w"] == pytest.approx(40000 * 1055.05585262 / 3600)
    assert answer["regulator_w"] is None
    (cylinder,) = answer["cylinders"]
    assert cylinder["assumed"] == ["water_capacity", "tare", "outside_diameter", "full"]
    assert cylinder["tare_kg"] == pytest.approx(19 * 0.45359237)
    assert [f["field"] for f in answer["filled"]] == cylinder["assumed"]
    assert [w["key"] for w in answer["warnings"]] == ["supply.regulator", "channel"]


def test_json_of_a_site_that_cannot() -> None:
    done = boiloff("validate", "--site", str(GOLDEN / "many.toml"), "--json")
    assert done.returncode == 2
    answer = json.loads(done.stdout)
    assert answer["ok"] is False
    assert len(answer["problems"]) == 21
    for problem in answer["problems"]:
        assert set(problem) == {"key", "value", "expected", "hint", "line"}
        assert problem["line"] > 1


@pytest.mark.parametrize("more", [(), ("--json",)])
def test_no_file(tmp_path: Path, more: tuple[str, ...]) -> None:
    done = boiloff("validate", "--site", str(tmp_path / "none.toml"), *more)
    assert done.returncode == 2
    assert "boiloff init" in done.stdout + done.stderr
    if more:
        assert json.loads(done.stdout)["problems"][0]["value"] == "no such file"


def test_the_usual_place(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SOUND)
    done = boiloff("validate", cwd=tmp_path)
    assert done.returncode == 0
    assert "site.toml: Test yard" in done.stdout


def test_markup_in_a_name_is_plain_text(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SOUND.replace('name = "A"', 'name = "[red]A<script>"').replace('"Range"', '"[bold]R"'))
    done = boiloff("validate", "--site", str(path))
    assert done.returncode == 0, done.stderr
    assert "[red]A<script>" in done.stdout
    assert "[bold]R" in done.stdout
