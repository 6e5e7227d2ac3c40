"""What scripts may rely on: names, units, order, exit statuses; and their numbers by a second reading."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.reference import second_reading as second

LB = 0.453_592_37
BTU_H = 0.293_071_07
TEN_PSI = 68_947.57
SITE = """
[site]
name = "Test yard (invented)"
latitude = 45.0
longitude = -90.0
timezone = "America/Chicago"
units = "us"
[supply]
feed = "together"
regulator = "160000 Btu/h"
lowest_inlet = "10 psi"
basis = "{basis}"
[[cylinder]]
name = "A"
water_capacity = "95.2 lb"
tare = "29 lb"
outside_diameter = "12.5 in"
full = "40 lb"
[[cylinder]]
name = "B"
water_capacity = "95.2 lb"
tare = "29 lb"
outside_diameter = "12.5 in"
full = "40 lb"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
when = "05-23"
"""


def boiloff(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *args], capture_output=True, text=True, timeout=60, check=False
    )


def kelvin(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8 + 273.15


@pytest.fixture(params=["chart", "floor", "weather"])
def basis(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def site(tmp_path: Path, basis: str) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE.format(basis=basis))
    return path


def capacity(site: Path, *args: str) -> dict[str, Any]:
    done = boiloff("capacity", "--site", str(site), *args, "--json")
    assert done.returncode == 0, done.stderr
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def test_capacity_matches_the_second_reading(site: Path, basis: str) -> None:
    airs = (0.0, 5.0, 40.0)
    answer = capacity(
        site, "--charge", "A=20lb", "--charge", "B=50%", *[x for t in airs for x in ("--air", f"{t} degF")]
    )
    assert answer["demand_w"] == pytest.approx(65_000 * BTU_H, rel=1e-6)
    assert [p["air_c"] for p in answer["points"]] == pytest.approx([kelvin(t) - 273.15 for t in airs])
    shells = [second.Vertical(95.2 * LB, 12.5 * 0.0254, 29 * LB) for _ in "AB"]
    mass = 20 * LB
    for fahrenheit, point in zip(airs, answer["points"], strict=True):
        air = kelvin(fahrenheit)
        for name, floor_k in (
            ("chart", second.saturation_k(101_325)),
            ("floor", second.saturation_k(101_325 + TEN_PSI)),
        ):
            area = sum(s.wetted(mass, floor_k) + math.pi * s.d * second.FIN_M for s in shells)
            expected = (
                second.CHART_FILM * area * (air - floor_k) / second._liquid(round(floor_k, 4))[2]
            ) * second.HEATING_VALUE_J_KG
            # 0.2 %: latent heat 0.03 %, density 0.05 %, and what a floor temperature 0.02 % of pressure off does
            assert point["sustained_w"][name] == pytest.approx(expected, rel=2e-3), (name, fahrenheit)
        assert 0 < point["sustained_w"]["weather"] <= point["sustained_w"]["floor"]
        floor_of = {"chart": second.saturation_k(101_325)}.get(basis, second.saturation_k(101_325 + TEN_PSI))
        if basis != "weather":
            hold, ends = second.hold_s(shells, [mass, mass], second.CHART_FILM, air, floor_of, 65_000 * BTU_H)
            assert point["hold_s"] == pytest.approx(hold, rel=5e-3)
            assert point["hold_ends"] == ends
            assert point["film_w_m2k"] == pytest.approx(second.CHART_FILM)
        else:
            assert 5.0 < point["film_w_m2k"] < second.CHART_FILM
            hold, ends = second.hold_s(shells, [mass, mass], point["film_w_m2k"], air, floor_of, 65_000 * BTU_H)
            assert point["hold_s"] == pytest.approx(hold, rel=5e-3)
            assert point["hold_ends"] == ends


def test_still_air_film_is_natural_convection_and_radiation(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE.format(basis="weather"))
    answer = capacity(
        path, "--charge", "A=50%", "--charge", "B=50%", "--air", "5 degF", "--wind", "0 m/s", "--sky", "0"
    )
    shell = second.Vertical(95.2 * LB, 12.5 * 0.0254, 29 * LB)
    wall, air = second.saturation_k(101_325 + TEN_PSI), kelvin(5)
    # No clear sky: all surroundings at air temperature, radiation linearised about the mean, emissivity 0.9.
    mean = 4 * 0.9 * second.STEFAN_BOLTZMANN * ((air + wall) / 2) ** 3
    expected = second.natural(shell.straight, air, wall) + mean
    # 2 %: air's properties by a correlation instead of CoolProp, and (T1+T2)(T1^2+T2^2) against 4 Tm^3 (0.3 %)
    assert answer["points"][0]["film_w_m2k"] == pytest.approx(expected, rel=0.02)


def test_wind_raises_the_film_as_crossflow_does(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE.format(basis="weather"))
    charge = ("--charge", "A=50%", "--charge", "B=50%", "--air", "5 degF", "--sky", "0")
    calm = capacity(path, *charge, "--wind", "0 m/s")["points"][0]["film_w_m2k"]
    light = capacity(path, *charge, "--wind", "1 m/s")["points"][0]["film_w_m2k"]
    shell = second.Vertical(95.2 * LB, 12.5 * 0.0254, 29 * LB)
    wall, air = second.saturation_k(101_325 + TEN_PSI), kelvin(5)
    n, f = second.natural(shell.straight, air, wall), second.forced(12.5 * 0.0254, air, wall, 0.3)
    assert light - calm == pytest.approx((n**3 + f**3) ** (1 / 3) - n, rel=0.05)
    # A gale is capped: never more than the trade chart's film.
    assert capacity(path, *charge, "--wind", "20 m/s")["points"][0]["film_w_m2k"] <= second.CHART_FILM + 1e-9


def test_air_colder_than_the_floor_gives_nothing_and_no_error(site: Path) -> None:
    point = capacity(site, "--charge", "A=50%", "--air", "-60 degC")["points"][0]
    assert point["sustained_w"] == {"chart": 0, "floor": 0, "weather": 0}
    assert point["hold_s"] == 0
    assert point["hold_ends"] == "pressure"
    assert point["level_needed"] == {"chart": None, "floor": None, "weather": None}


def test_rule_of_thumb_two_forty_pound_cylinders(site: Path) -> None:
    # Common practice, no source: the charge needed at 5-10 degF on the chart basis lies within 30-45 %.
    answer = capacity(site, "--charge", "A=50%", "--charge", "B=50%", "--air", "5 degF", "--air", "10 degF")
    for point in answer["points"]:
        assert 0.30 <= point["level_needed"]["chart"] <= 0.45


@pytest.mark.parametrize("charge", ["A=106%", "C=50%", "A=-1lb", "A=soon", "A=50", "A"])
def test_a_charge_that_cannot_be_is_refused(site: Path, charge: str) -> None:
    done = boiloff("capacity", "--site", str(site), "--charge", charge, "--air", "5 degF", "--json")
    assert done.returncode == 2, done.stdout
    value = charge.partition("=")[2]
    assert f'got "{charge}"' in done.stderr or (value and f'got "{value}"' in done.stderr)


def test_a_charge_of_105_percent_is_taken(site: Path) -> None:
    assert capacity(site, "--charge", "A=105%", "--air", "5 degF")["points"][0]["sustained_w"]["chart"] > 0


OUTLOOK_HOUR = {
    "time",
    "air_c",
    "liquid_c",
    "sustained_w",
    "headroom_w",
    "hold_s",
    "level_needed",
    "probability_uncovered",
}


def test_outlook_from_files_alone(site: Path, tmp_path: Path) -> None:
    rows = [f"2026-01-{5 + k // 24:02d}T{k % 24:02d}:00:00-06:00,{-5 - 33 * (k >= 20)}" for k in range(60)]
    forecast = tmp_path / "F.csv"
    forecast.write_text("time,air_temperature_c\n" + "\n".join(rows) + "\n")
    args = ("outlook", "--site", str(site), "--forecast", str(forecast), "--charge", "A=9kg", "--charge", "B=30%")
    when = ("--at", "2026-01-05T00:00:00-06:00", "--json")
    done = boiloff(*args, *when)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert {"at", "site", "demand_w", "hours", "uncovered", "run_out"} <= set(answer)
    assert len(answer["hours"]) == 60
    assert set(answer["hours"][0]) >= OUTLOOK_HOUR
    assert set(answer["hours"][0]["sustained_w"]) == {"chart", "floor", "weather"}
    assert answer["uncovered"]  # -38 degC with half-empty cylinders
    for stretch in answer["uncovered"]:
        assert {"from", "to", "worst_time", "worst_headroom_w"} <= set(stretch)
    assert boiloff(*args, *when, "--fail-on", "uncovered").returncode == 1


def test_outlook_without_its_forecast_says_so(site: Path, tmp_path: Path) -> None:
    done = boiloff(
        "outlook", "--site", str(site), "--forecast", str(tmp_path / "no.csv"), "--charge", "A=9kg",
        "--at", "2026-01-05T00:00:00Z", "--json",
    )  # fmt: skip
    assert done.returncode == 2
    assert "no.csv" in done.stderr
