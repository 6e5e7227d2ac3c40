"""The cylinder as a solid, against numerical integration of the same solid and its own inverses."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import dblquad, quad

from monitor.physics import fluid, shell
from tests.physics.sites import INCH, LB, cylinder
from tests.reference import second_reading

REFERENCE = Path(__file__).resolve().parents[1] / "reference"
TANK = cylinder("100", water_capacity_kg=1000 * LB, outside_diameter_m=30 * INCH, shape="horizontal")
ALL = [*(cylinder(s) for s in ("20", "30", "40", "100")), TANK]


@pytest.mark.parametrize("size", ["20", "30", "40", "100"])
def test_upright_volume_and_wall_match_integration(size: str) -> None:
    c = cylinder(size)
    s = shell.of(c)
    other = second_reading.Vertical(c.water_capacity_kg, c.outside_diameter_m, c.tare_kg)
    other.volume, other.straight = s.volume_m3, s.straight_m
    other.tall = s.height_m
    for part in (0.02, 0.1, 0.35, 0.8, 0.95, 1.0):
        h = part * s.height_m
        assert float(shell.volume_at_height(s, h)) == pytest.approx(other.volume_below(h), rel=1e-6)
        b = s.head_m
        area = other._head_area(min(h, b)) + math.pi * s.diameter_m * min(max(h - b, 0.0), s.straight_m)
        if h > b + s.straight_m:
            area += other._head_area(b) - other._head_area(s.height_m - h)
        assert float(shell.wetted_at_height(s, h)) == pytest.approx(area, rel=1e-6)


def _lying_by_integration(s: shell.Shell, h: float) -> tuple[float, float]:
    """Volume and wall of the tank below height h: discs along the axis, and a surface of revolution cut by a plane."""
    r, b = s.radius_m, s.head_m

    def segment(radius: float) -> float:
        depth = min(max(h - (r - radius), 0.0), 2 * radius)
        if radius <= 0:
            return 0.0
        return radius**2 * math.acos(1 - depth / radius) - (radius - depth) * math.sqrt(depth * (2 * radius - depth))

    def arc(radius: float) -> float:
        return 2 * math.acos(min(max((r - h) / radius, -1.0), 1.0)) if radius > 0 else 0.0

    edge = b * math.sqrt(max(0.0, 1 - ((r - h) / r) ** 2))  # where the level leaves the head's outline
    head_v = quad(lambda x: segment(r * math.sqrt(max(0.0, 1 - (x / b) ** 2))), 0, b, points=[edge], limit=400)[0]

    def strip(t: float) -> float:
        return arc(r * math.cos(t)) * r * math.cos(t) * math.hypot(b * math.cos(t), r * math.sin(t))

    turn = math.asin(min(edge / b, 1.0))
    head_a = quad(strip, 0, math.pi / 2, points=[turn], limit=400)[0]
    return s.straight_m * segment(r) + 2 * head_v, s.straight_m * arc(r) * r + 2 * head_a


@pytest.mark.parametrize("part", [0.05, 0.3, 0.5, 0.7, 0.97])
def test_lying_volume_and_wall_match_integration(part: float) -> None:
    s = shell.of(TANK)
    volume, wall = _lying_by_integration(s, part * s.height_m)
    assert float(shell.volume_at_height(s, part * s.height_m)) == pytest.approx(volume, rel=1e-6)
    assert float(shell.wetted_at_height(s, part * s.height_m)) == pytest.approx(wall, rel=1e-6)


def test_closed_forms_of_the_whole_solid() -> None:
    """Head: volume pi D^3/24, area pi a^2 (1 + (1 - e^2)/e artanh e) with e^2 = 3/4: 1.084 D^2; depth D/4."""
    for c in ALL:
        s = shell.of(c)
        d = s.diameter_m
        e = math.sqrt(0.75)
        head = math.pi * (d / 2) ** 2 * (1 + (1 - e * e) / e * math.atanh(e))
        assert s.head_area_m2 == pytest.approx(head, rel=1e-12)
        assert s.head_area_m2 / d**2 == pytest.approx(1.084, abs=5e-4)
        assert s.volume_m3 == pytest.approx(math.pi * d**3 / 12 + math.pi * d * d / 4 * s.straight_m, rel=1e-12)
        assert float(shell.wetted_at_height(s, s.height_m)) == pytest.approx(s.wall_m2, rel=1e-12)
        assert float(shell.volume_at_height(s, s.height_m)) == pytest.approx(s.volume_m3, rel=1e-12)


@given(st.integers(0, len(ALL) - 1), st.floats(1e-6, 1.0), st.floats(230.0, 310.0))
def test_every_way_there_and_back(which: int, part: float, t_k: float) -> None:
    c = ALL[which]
    s = shell.of(c)
    mass = part * s.volume_m3 * float(fluid.density_kg_m3(t_k)) * 0.999
    back = pytest.approx(mass, rel=1e-9, abs=1e-12)
    height = shell.height_of_mass_m(c, mass, t_k)
    assert float(shell.mass_at_height_kg(c, height, t_k)) == back
    assert float(shell.mass_of_gauge_kg(c, shell.gauge_percent(c, mass, t_k), t_k)) == back
    assert float(shell.mass_of_echo_kg(c, shell.echo_time_s(c, mass, t_k), t_k)) == back
    assert float(shell.mass_of_share_kg(c, shell.share_of_full(c, mass))) == back
    wetted = shell.wetted_m2(c, mass, t_k)
    assert float(shell.mass_of_wetted_kg(c, wetted, t_k)) == pytest.approx(mass, rel=1e-7, abs=1e-9)
    total = float(shell.ullage_m3(c, mass, t_k)) + mass / float(fluid.density_kg_m3(t_k))
    assert total == pytest.approx(s.volume_m3, rel=1e-12)


def test_wall_grows_with_the_charge() -> None:
    for c in ALL:
        mass = np.linspace(0.002, c.water_capacity_kg * 0.45, 400)
        assert (np.diff(shell.wetted_m2(c, mass, 270.0)) >= 0).all()
        assert float(shell.effective_m2(c, 0.0005, 270.0)) == 0.0


def test_gauge_percent_is_not_share_of_full() -> None:
    """A full cylinder (42 % of water capacity) reads 80 % by volume at about 40 degF: common practice, NFPA 58."""
    c = cylinder("40")
    at_forty = float(shell.gauge_percent(c, c.full_kg, 277.6))
    assert at_forty == pytest.approx(80.0, abs=1.0)
    assert float(shell.share_of_full(c, c.full_kg)) == 1.0
    assert float(shell.gauge_percent(c, c.full_kg, 310.0)) > 88.0


def test_catalogue_heights_leave_room_for_foot_and_collar() -> None:
    """Trade sizes (cylinders_us.csv): the solid from water capacity and diameter is lower than the overall height."""
    with (REFERENCE / "cylinders_us.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            if row["name_lb"] not in {"20", "30", "40", "100"}:
                continue
            diameter, height = (float(row[k].split("-")[-1]) * INCH for k in ("od_in", "height_in"))
            c = cylinder("20", water_capacity_kg=float(row["wc_lb"]) * LB, outside_diameter_m=diameter)
            ratio = shell.inside_height_m(c) / height
            assert 0.6 < ratio < 1.0, row


def test_a_squat_shell_keeps_its_water_capacity() -> None:
    squat = cylinder("20", water_capacity_kg=5.0, outside_diameter_m=0.4)
    s = shell.of(squat)
    assert s.straight_m == 0.0
    assert float(shell.volume_at_height(s, s.height_m)) == pytest.approx(5.0 / shell.WATER_60F_KG_M3, rel=1e-12)
    assert s.film_height_m > 0


def test_tank_volume_by_double_integration() -> None:
    s = shell.of(TANK)
    h = 0.4 * s.height_m
    r, b = s.radius_m, s.head_m

    def half(z: float) -> float:
        return math.sqrt(max(0.0, r * r - (z - r) ** 2))

    def depth(x: float, z: float) -> float:
        inside = max(0.0, 1 - (x * x + (z - r) ** 2) / (r * r))
        return s.straight_m + 2 * b * math.sqrt(inside)

    volume = dblquad(depth, 0, h, lambda z: -half(z), half, epsabs=1e-9)[0]
    assert float(shell.volume_at_height(s, h)) == pytest.approx(volume, rel=1e-6)


def test_missing_stays_missing() -> None:
    for c in ALL:
        for function in (shell.wetted_m2, shell.height_of_mass_m, shell.gauge_percent, shell.echo_time_s):
            assert np.isnan(function(c, np.nan, 270.0))
            assert np.isnan(function(c, 1.0, np.nan))
