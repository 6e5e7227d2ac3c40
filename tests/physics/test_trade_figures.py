"""The model beside what the trade prints. Where two trade sources disagree, the test says by how much."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from monitor import physics
from monitor.physics import fluid
from tests.physics.sites import BTU_H, INCH, LB, PSI, cylinder, fahrenheit, site

REFERENCE = Path(__file__).resolve().parents[1] / "reference"


def rows(name: str) -> list[list[str]]:
    with (REFERENCE / name).open(newline="") as file:
        return list(csv.reader(file))


def test_hundred_pound_table_on_the_chart_basis() -> None:
    """LP-Gas Serviceman's Manual, as reprinted in Kohler TP-6727 (2011) p. 63: mean <= 1.3 %, each <= 4.5 %."""
    hundred = cylinder("100", outside_diameter_m=15.0 * INCH)
    plant = physics.Plant.of(site(hundred))
    table = rows("vaporization_100lb_dot.csv")
    airs = physics.Air(np.array([fahrenheit(t) for t in (0, 20, 40, 60, 70)]))
    errors = []
    for row in table[1:]:
        charge = np.array([float(row[0]) * LB])
        found = physics.sustained_w(plant, charge, airs, "chart") / BTU_H
        errors.append(found / np.array([float(v) for v in row[1:]]) - 1.0)
    assert np.abs(errors).mean() <= 0.013
    assert np.abs(errors).max() <= 0.045


def test_rule_of_thumb_two_forty_pound_cylinders() -> None:
    """Common practice, no source: the charge needed for 65,000 Btu/h at 5-10 degF on the chart lies in 30-45 %."""
    plant = physics.Plant.of(site(cylinder("40", "A"), cylinder("40", "B")))
    air = physics.Air(np.array([fahrenheit(5), fahrenheit(10)]))
    needed = physics.level_needed(plant, air, 65_000 * BTU_H, "chart")
    assert ((needed >= 0.30) & (needed <= 0.45)).all()


def test_rule_of_thumb_one_twenty_pound_cylinder() -> None:
    """Common practice, no source: at half charge it holds 65,000 Btu/h on the chart only from 75-90 degF up."""
    twenty = cylinder("20")
    plant = physics.Plant.of(site(twenty))
    airs = np.arange(60.0, 100.0, 0.25)
    air = physics.Air(np.array([fahrenheit(t) for t in airs]))
    enough = physics.sustained_w(plant, np.array([twenty.full_kg / 2]), air, "chart") >= 65_000 * BTU_H
    assert 75.0 <= airs[enough][0] <= 90.0


def test_vapour_pressure_of_trade_charts() -> None:
    """Trade charts of pure propane: within 1.2 psi or 2.5 %; at 10 degF the chart itself reads 2.2 psi high."""
    for t_f, trade, _ in rows("vapor_pressure_trade.csv")[1:]:
        if not trade:
            continue
        ours = float(fluid.pressure_pa(fahrenheit(float(t_f))) - 101_325.0) / PSI
        off = abs(float(trade) - ours)
        if t_f == "10":
            assert float(trade) - ours == pytest.approx(2.2, abs=0.15)
            continue
        assert off <= max(1.2, 0.025 * ours), (t_f, trade, ours)
