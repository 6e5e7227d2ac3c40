"""Pipe capacities against the code's printed tables; regulator and hose by their rules."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from fluids.compressible import isothermal_gas
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import supply_train as train

REFERENCE = Path(__file__).parents[1] / "reference"
BTU_H = train.BTU_H_W


def rows(name: str) -> list[tuple[float, str, float]]:
    with (REFERENCE / name).open() as file:
        table = list(csv.reader(file))
    sizes = table[0][1:]
    return [(float(row[0]), size, float(cell)) for row in table[1:] for size, cell in zip(sizes, row[1:], strict=True)]


STEEL = {"0.5in": "1/2", "0.75in": "3/4", "1in": "1", "1.25in": "1-1/4", "1.5in": "1-1/2", "2in": "2"}


@pytest.mark.parametrize(("feet", "size", "kbtuh"), rows("pipe_sch40_propane_11wc_0p5drop.csv"))
def test_schedule_40_against_the_printed_table(feet: float, size: str, kbtuh: float) -> None:
    # IFGC 2018 Table 402.4(28): 11 in. w.c. inlet, 0.5 in. w.c. drop.
    ours = train.pipe_capacity_w(train.SCHEDULE_40_IN[STEEL[size]] * train.INCH_M, feet * train.FOOT_M)
    ratio = ours / (kbtuh * 1000 * BTU_H)
    if feet <= 60:
        assert ratio == pytest.approx(1, abs=0.015), f"{feet} ft, {size}: {ratio:.4f}"
    else:
        # The printed rows from 80 ft on do not follow the code's own equation: 6-12 % more than it gives.
        assert 0.88 <= ratio <= 0.95, f"{feet} ft, {size}: {ratio:.4f}"


COPPER = {"1/4in_K&L": "1/4", "3/8": "3/8", "1/2": "1/2", "5/8": "5/8", "3/4": "3/4"}


@pytest.mark.parametrize(("feet", "size", "kbtuh"), rows("pipe_copper_propane_11wc_0p5drop.csv"))
def test_copper_against_the_printed_table(feet: float, size: str, kbtuh: float) -> None:
    # IFGC 2018, semi-rigid copper tubing, same conditions; printed to whole thousands of Btu/h.
    ours = train.pipe_capacity_w(train.COPPER_KL_IN[COPPER[size]] * train.INCH_M, feet * train.FOOT_M)
    assert ours / (kbtuh * 1000 * BTU_H) == pytest.approx(1, abs=0.03)


def test_a_second_opinion_by_isothermal_flow() -> None:
    # fluids (PyPI), isothermal compressible flow; Darcy factor by Colebrook, commercial steel 0.046 mm, 3/4 in., 40 ft.
    # The code's equation is an empirical fit on the safe side of it: the two agree within 15 %.
    diameter, length = 0.824 * train.INCH_M, 40 * train.FOOT_M
    ours = train.pipe_capacity_w(diameter, length)
    inlet = 101_325 + 11 * train.INCH_WATER_PA
    density = inlet * 0.0441 / (8.314 * 288.7)
    friction = 0.035
    for _ in range(20):
        flow = isothermal_gas(
            rho=density, fd=friction, P1=inlet, P2=inlet - 0.5 * train.INCH_WATER_PA, L=length, D=diameter
        )
        reynolds = 4 * flow / (math.pi * diameter * 8.0e-6)
        friction = (-1.8 * math.log10((0.046e-3 / diameter / 3.7) ** 1.11 + 6.9 / reynolds)) ** -2
    power = flow * 21_548 * 2_326.0
    assert ours / power == pytest.approx(1, abs=0.15)


@given(st.floats(100, 1e6), st.floats(0.005, 0.06), st.floats(0.5, 60), st.floats(0, 300))
def test_drop_is_the_inverse_of_capacity(power: float, diameter: float, length: float, extra: float) -> None:
    drop = train.pipe_drop_pa(power, diameter, length, extra_diameters=extra)
    assert train.pipe_capacity_w(diameter, length, drop, extra_diameters=extra) == pytest.approx(power, rel=1e-9)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan])
def test_lengths_must_be_above_zero(bad: float) -> None:
    with pytest.raises(ValueError, match="length_m"):
        train.pipe_capacity_w(0.02, bad)


@pytest.mark.parametrize(("load", "good"), [(0.29, False), (0.31, True), (0.89, True), (0.91, False)])
def test_regulator_between_30_and_90_percent(load: float, good: bool) -> None:
    # Common practice, no source.
    finding = train.regulator_finding(100_000.0, load * 100_000.0)
    assert finding.good is good
    assert bool(finding.ask) is not good


def test_hose_and_pipe_say_what_follows() -> None:
    assert not train.hose_finding(10_000, 19_000).good
    assert train.hose_finding(20_000, 19_000).good
    thin = train.pipe_finding(0.305 * train.INCH_M, 12.0, 19_000)
    assert not thin.good
    assert thin.consequence
    assert train.pipe_finding(0.824 * train.INCH_M, 12.0, 19_000).good
