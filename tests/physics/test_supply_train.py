"""Pipe capacities against the code's printed tables; the findings by their rules."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest
from fluids.compressible import isothermal_gas
from hypothesis import given
from hypothesis import strategies as st

from monitor import physics
from monitor.model import pipe as sizes
from monitor.model.site import Appliance, Cylinder, PipeRun, Site, Supply
from monitor.physics import pipe as train
from monitor.physics import supply_train as checks

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
    ours = train.pipe_capacity_w(sizes.SCHEDULE_40_IN[STEEL[size]] * train.INCH_M, feet * train.FOOT_M)
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
    ours = train.pipe_capacity_w(sizes.COPPER_KL_IN[COPPER[size]] * train.INCH_M, feet * train.FOOT_M)
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


@pytest.mark.parametrize(("feet", "size", "kbtuh"), rows("pipe_csst_propane_11wc_0p5drop.csv"))
def test_corrugated_against_the_printed_table(feet: float, size: str, kbtuh: float) -> None:
    # IFGC 2018 Table 402.4(32), undiluted propane, 11 in. w.c., 0.5 in. w.c. drop.
    ours = train.run_capacity_w("corrugated", size, feet * train.FOOT_M)
    assert ours / (kbtuh * 1000 * BTU_H) == pytest.approx(1, abs=0.03)


@given(st.sampled_from(sorted(sizes.CORRUGATED)), st.floats(2, 60), st.floats(100, 1e6))
def test_drop_of_corrugated_tubing_is_the_inverse(size: str, length: float, power: float) -> None:
    drop = train.run_drop_pa(power, "corrugated", size, length)
    share = power / train.run_capacity_w("corrugated", size, length)
    assert (drop > 0.5 * train.INCH_WATER_PA) is (share > 1) or share == pytest.approx(1)
    # twice the length drops twice as much at the same load
    assert train.run_drop_pa(power, "corrugated", size, 2 * length) == pytest.approx(2 * drop, rel=1e-9)


def test_sizes_and_fittings_that_are_not_known_are_told() -> None:
    with pytest.raises(ValueError, match="1/2, 3/4"):
        train.inside_diameter_m("schedule 40", "5/8")
    with pytest.raises(ValueError, match="EHD"):
        train.inside_diameter_m("corrugated", "19")
    with pytest.raises(ValueError, match="elbow 90"):
        train.run_capacity_w("copper", "1/2", 3.0, {"bend": 2})
    with pytest.raises(ValueError, match="schedule 40, copper, corrugated"):
        train.run_capacity_w("lead", "1/2", 3.0)


def test_fittings_count_as_length() -> None:
    # Crane TP-410: a standard 90-degree elbow counts 30 diameters. Four of them in 3/4 in. pipe are 8.2 ft.
    with_elbows = train.run_capacity_w("schedule 40", "3/4", 30 * train.FOOT_M, {"elbow 90": 4})
    plain = train.run_capacity_w("schedule 40", "3/4", (30 + 4 * 30 * 0.824 / 12) * train.FOOT_M)
    assert with_elbows == pytest.approx(plain, rel=1e-9)


@pytest.mark.parametrize(
    ("load", "state"), [(0.29, "look"), (0.31, "good"), (0.89, "good"), (0.91, "look"), (1.2, "look")]
)
def test_regulator_between_30_and_90_percent(load: float, state: str) -> None:
    # Common practice, no source.
    finding = checks.regulator_finding(100_000.0, load * 100_000.0)
    assert finding.state == state
    assert bool(finding.ask) is not finding.good
    assert ("freeze" in finding.consequence) is (load < 0.3)


W = 65_000 * BTU_H
FORTY = Cylinder("A", 43.18, 13.15, 0.3175, 18.14)


def site(**changes: object) -> Site:
    plain = Site(
        "house", 44.5, -100.5, "America/Chicago", (FORTY, replace(FORTY, name="B")),
        (Appliance("Range", W, 3600.0, 5, 23),), Supply(regulator_w=160_000 * BTU_H, basis="floor"),
        settings={"train.first_stage": 10 * checks.PSI_PA},
    )  # fmt: skip
    return replace(plain, **changes)  # type: ignore[arg-type]


def by_part(found: tuple[checks.Finding, ...]) -> dict[str, checks.Finding]:
    return {f.part: f for f in found}


def test_what_is_not_stated_is_not_called_good() -> None:
    found = by_part(checks.check(site(), 260.0))
    unknown = {part for part, finding in found.items() if finding.state == "unknown"}
    assert unknown == {"hose", "pipe", "excess flow", "appliance pressure", "lock-up"}
    assert all(found[part].ask for part in unknown)


def test_inlet_pressure_at_rest_is_the_vapour_pressure() -> None:
    # Trade table of propane's gauge pressure (tests/reference/vapor_pressure_trade.csv): 0 degF 23.5-24.5 psi.
    rest, meal = checks.meal_pressure_pa(site(), 255.372, 0.5)
    assert rest / checks.PSI_PA == pytest.approx(23.8, abs=0.7)
    assert meal < rest


def test_inlet_pressure_in_a_meal_agrees_with_the_hold_time() -> None:
    # The same question in two ways: the pressure falls to the floor within the burn, or the hold outlasts it.
    base = site()
    plant = physics.Plant.of(base)
    states = []
    for air_k in (243.0, 250.0, 258.0, 266.0, 275.0, 290.0):
        hold = physics.hold_constant(plant, [0.5 * 18.14, 0.5 * 18.14], physics.Air(air_k), W, "floor")
        finding = by_part(checks.check(base, air_k))["inlet pressure"]
        assert finding.good is (float(hold.hold_s) > 3600.0), air_k
        states.append(finding.state)
    assert {"good", "look"} == set(states)


def test_air_colder_than_the_floor_starves_the_regulator_at_rest() -> None:
    finding = by_part(checks.check(site(), 235.0))["inlet pressure"]
    assert finding.state == "look"
    assert "at rest" in finding.consequence


def test_changeover_below_the_first_stage() -> None:
    cylinders = (FORTY, replace(FORTY, name="B", side="reserve"))

    def finding(psi: float | None) -> checks.Finding:
        setting = None if psi is None else psi * checks.PSI_PA
        supply = Supply("changeover", 160_000 * BTU_H, basis="floor", changeover_pa=setting)
        return by_part(checks.check(site(cylinders=cylinders, supply=supply), 270.0))["changeover"]

    assert [finding(p).state for p in (8, 10.5, None)] == ["look", "good", "unknown"]
    assert "changeover" not in by_part(checks.check(site(), 270.0))


def test_an_appliance_more_is_seen_by_every_part() -> None:
    stated = {
        "train.first_stage": 10 * checks.PSI_PA, "train.hose": 70_000 * BTU_H, "train.excess_flow": 100_000 * BTU_H,
        "train.appliance_pressure": 11 * train.INCH_WATER_PA, "train.lock_up": 13 * train.INCH_WATER_PA,
    }  # fmt: skip
    run = PipeRun("to the kitchen", "copper", "5/8", 30 * train.FOOT_M)  # printed: 182,000 Btu/h
    before = site(settings=stated, pipes=(run,), supply=Supply(regulator_w=80_000 * BTU_H, basis="floor"))
    first = checks.check(before, 290.0)
    assert [f.part for f in first if not f.good] == []
    bigger = replace(
        before, appliances=(*before.appliances, Appliance("Heater", 120_000 * BTU_H, 3600.0, continuous=True))
    )
    assert {f.part for f in checks.check(bigger, 290.0) if not f.good} == {
        "regulator", "inlet pressure", "excess flow", "hose", "pipe",
    }  # fmt: skip


def test_runs_one_behind_another_add_up() -> None:
    one = PipeRun("trunk", "schedule 40", "1/2", 40 * train.FOOT_M)
    two = PipeRun("branch", "copper", "1/2", 25 * train.FOOT_M, carries=("Range",))
    half = 100_000 * BTU_H
    found = tuple(checks.pipe_findings(site(appliances=(Appliance("Range", half, 3600.0),)), (one, two)))
    assert [f.state for f in found] == ["good", "good", "look"]  # each carries it; both together drop too much


@pytest.mark.parametrize(("inches", "state"), [(9.5, "look"), (11, "good"), (12.5, "look")])
def test_pressure_at_the_appliance(inches: float, state: str) -> None:
    running, lock_up = checks.appliance_findings(inches * train.INCH_WATER_PA, (inches + 2) * train.INCH_WATER_PA)
    assert running.state == state
    assert lock_up.state == ("look" if inches > 12 else "good")
