"""`boiloff explain`: every step follows from the ones above it, and the answers are the product's own."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.commands.test_capacity import write


def boiloff(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *args], capture_output=True, text=True, timeout=60, check=False
    )


def values(answer: dict[str, Any], of: str | None) -> dict[str, float]:
    return {s["symbol"]: s["value"] for s in answer["steps"] if s["of"] == of}


WEATHER = ("--air", "20 degF", "--wind", "3 m/s", "--sky", "0.7", "--dewpoint", "10 degF")
CHARGE = ("--charge", "A=60%", "--charge", "B=25%")


def test_the_steps_can_be_followed_by_hand(tmp_path: Path) -> None:
    path = str(write(tmp_path))
    done = boiloff("explain", "--site", path, *CHARGE, *WEATHER, "--json")
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    site = values(answer, None)
    total = 0.0
    for name in "AB":
        c = values(answer, name)
        assert c["h_c"] == pytest.approx((c["h_n"] ** 3 + c["h_f"] ** 3) ** (1 / 3))
        air_k = answer["air_c"] + 273.15
        assert c["T_env"] == pytest.approx((c["h_c"] * air_k + c["h_r"] * c["T_r"]) / (c["h_c"] + c["h_r"]))
        assert c["U"] == pytest.approx(min(c["h_c"] + c["h_r"], 11.9))
        assert c["h_r"] == pytest.approx(
            0.9 * 5.670374e-8 * (c["T_r"] + site["T_f"]) * (c["T_r"] ** 2 + site["T_f"] ** 2), rel=1e-6
        )
        assert c["A"] == pytest.approx(c["A_w"] + c["A_fin"])
        assert c["A_fin"] == pytest.approx(math.pi * c["D"] * 0.051)
        assert c["V_l"] == pytest.approx(c["m"] / c["rho"])
        assert c["Q"] == pytest.approx(c["U"] * c["A"] * (c["T_env"] - site["T_f"]))
        assert c["q"] == pytest.approx(c["Q"] * site["H"] / site["h_fg"])
        total += c["q"]
    assert site["q_s"] == pytest.approx(total)
    capacity = json.loads(boiloff("capacity", "--site", path, *CHARGE, *WEATHER, "--json").stdout)["points"][0]
    assert site["q_s"] == pytest.approx(capacity["sustained_w"]["weather"], rel=1e-9)
    assert site["t"] == pytest.approx(capacity["hold_s"], rel=1e-9)


def test_an_hour_of_a_forecast(tmp_path: Path) -> None:
    path = str(write(tmp_path))
    forecast = tmp_path / "F.csv"
    forecast.write_text(
        "time,air_temperature_c,wind_speed_m_s,cloud_cover_pct\n"
        "2026-01-05T00:00:00+00:00,-5,1,0\n2026-01-05T01:00:00+00:00,-8,2,50\n"
    )
    common = ("--site", path, "--charge", "A=60%", "--json")
    hour = ("--forecast", str(forecast), "--at", "2026-01-04T19:30:00-06:00")
    one = json.loads(boiloff("explain", *common, *hour).stdout)
    two = json.loads(boiloff("explain", *common, "--air", "-8 degC", "--wind", "2 m/s", "--sky", "0.5").stdout)
    assert one["air_c"] == pytest.approx(-8.0)
    assert values(one, None)["q_s"] == pytest.approx(values(two, None)["q_s"], rel=1e-9)
    beyond = boiloff("explain", *common, "--forecast", str(forecast), "--at", "2026-02-01T00:00:00Z")
    assert beyond.returncode == 2
    assert "an hour of the forecast" in beyond.stderr


@pytest.mark.parametrize("basis", ["chart", "floor"])
def test_people_read_their_units_and_each_source(tmp_path: Path, basis: str) -> None:
    path = str(write(tmp_path))
    done = boiloff("explain", "--site", path, "--charge", "A=60%", "--air", "20 degF", "--basis", basis)
    assert done.returncode == 0, done.stderr
    assert "Btu/h" in done.stdout
    assert "Lemmon" in done.stdout
    bad = boiloff("explain", "--site", path, "--charge", "A=60%", "--air", "20 degF", "--basis", "breezy")
    assert bad.returncode == 2
