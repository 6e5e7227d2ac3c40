"""The model beside what the trade prints. Where two trade sources disagree, the test says by how much."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor import physics
from monitor.model.site import BASES
from monitor.physics import blend, filling, fluid, shell
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


def _errors_on_the_table(diameter_in: float) -> np.ndarray:
    hundred = cylinder("100", outside_diameter_m=diameter_in * INCH)
    plant = physics.Plant.of(site(hundred))
    airs = physics.Air(np.array([fahrenheit(t) for t in (0, 20, 40, 60, 70)]))
    errors = []
    for row in rows("vaporization_100lb_dot.csv")[1:]:
        found = physics.sustained_w(plant, np.array([float(row[0]) * LB]), airs, "chart") / BTU_H
        errors.append(found / np.array([float(v) for v in row[1:]]) - 1.0)
    return np.abs(errors)


def test_the_table_speaks_for_fifteen_inches() -> None:
    """The handbook names no diameter. At the trade's 14.5 in. the model is off more than at 15 in., so 15 it is."""
    assert _errors_on_the_table(14.5).mean() > _errors_on_the_table(15.0).mean()
    assert _errors_on_the_table(14.5).max() <= 0.093


def test_mixture_chart() -> None:
    """Trade chart of mixtures (propane_butane_mix_psig.csv), read as mole fractions: within 3 psi up to 90 degF.

    Above that the chart's own pure column is 3-4 psi high, and above 100 degF more; a zero stands for "no pressure".
    """
    shares = (1.0, 0.7, 0.5, 0.3, 0.0)
    for row in rows("propane_butane_mix_psig.csv")[1:]:
        t_f = float(row[0])
        for share, cell in zip(shares, row[1:], strict=True):
            chart = float(cell)
            if chart == 0.0 or t_f > 90.0:
                continue
            mole = np.array([share, 1.0 - share, 0.0, 0.0])
            ours = float(blend.pressure_pa(fahrenheit(t_f), mole) - 101_325.0) / PSI
            assert ours == pytest.approx(chart, abs=3.0), (t_f, share)
    pure_at_hundred = float(fluid.pressure_pa(fahrenheit(100.0)) - 101_325.0) / PSI
    assert 3.0 <= 177.0 - pure_at_hundred <= 5.0


def test_raoult_beside_the_mixture_model() -> None:
    """CoolProp's HEOS mixture: within 1 % for up to 10 % butane and 3.5 % for 50 %, 233-293 K."""
    import CoolProp.CoolProp as CP

    for butane, bound in ((0.05, 0.01), (0.10, 0.01), (0.50, 0.035)):
        for t in (233.15, 253.15, 273.15, 293.15):
            mix = f"HEOS::Propane[{1 - butane}]&n-Butane[{butane}]"
            truth = CP.PropsSI("P", "T", t, "Q", 0, mix)
            ours = float(blend.pressure_pa(t, np.array([1 - butane, butane, 0.0, 0.0])))
            assert ours == pytest.approx(truth, rel=bound), (butane, t)


def test_filling_density_table() -> None:
    """WAC 296-307 Table U-4, exact; propane's own gravity falls in the 42 % row, which `full` of a cylinder uses."""
    for low, high, percent in rows("filling_density.csv")[1:]:
        for sg in (float(low), 0.5 * (float(low) + float(high)), float(high)):
            assert float(filling.filling_density(sg)) == float(percent) / 100.0
    assert np.isnan(filling.filling_density([0.49, 0.61, np.nan])).all()
    assert filling.specific_gravity([1.0, 0.0, 0.0, 0.0]) == pytest.approx(0.507, abs=0.001)
    assert float(filling.filling_density(filling.specific_gravity([1.0, 0.0, 0.0, 0.0]))) == 0.42


# A 1,000 gal tank, 41 in. across, for which the rule was made: the rule counts no heads, a short tank has much of them.
TANK = cylinder("100", water_capacity_kg=1000 * 8.33 * LB, outside_diameter_m=41 * INCH, shape="horizontal")


def _asme(kind: str) -> dict[float, float]:
    """Rows of the ASME rule, a trade rule of thumb from the same handbook (Q = D L K at 0 degF)."""
    return {float(k): float(v) for one, k, v, _ in rows("vaporization_asme_dlk.csv")[1:] if one == kind}


def test_asme_rule_in_fill() -> None:
    """Its K by percent of fill goes as the wetted wall: within 2.5 % after one scale; with the fin within 7 %.

    The shorter the tank the further off: 3 % at 500 gal. It is no rule for upright cylinders, 30 % off there.
    """
    table = _asme("K_vs_percent_fill")
    percent, k = np.array(list(table)), np.array(list(table.values()))
    liquid = percent / 100.0 * shell.volume_m3(TANK)
    s = shell.of(TANK)
    height = shell.height_at_volume(s, liquid)
    for area, bound in (
        (shell.wetted_at_height(s, height), 0.025),
        (shell.wetted_at_height(s, height) + shell.fin_at_height(s, height), 0.07),
    ):
        ratio = area / k
        middle = 0.5 * (ratio.max() + ratio.min())
        assert np.abs(ratio / middle - 1.0).max() <= bound


def test_asme_rule_in_temperature() -> None:
    """Its multiplier is a straight line to nothing at -20 degF: liquid at 10.7 psig, not at 0 psig as the 100-lb table.

    So the two trade sources disagree on the floor by 24 degF: at 0 degF the handbook table counts 2.2 times the
    temperature difference that the ASME rule does. The model follows each on its own basis, `chart` and `floor`. The
    rule's own -20 row (0.125) is not on its line and is left out.
    """
    table = {t: v for t, v in _asme("multiplier_vs_air_F").items() if t > -20.0}
    floor = float(fluid.pressure_pa(fahrenheit(-20.0))) - 101_325.0
    assert floor / PSI == pytest.approx(10.7, abs=0.2)
    plant = physics.Plant.of(site(TANK, lowest_inlet_pa=floor))
    charge = np.array([0.4 * TANK.water_capacity_kg])
    at_zero = float(physics.sustained_w(plant, charge, physics.Air(fahrenheit(0.0)), "floor"))
    for t_f, multiplier in table.items():
        ours = float(physics.sustained_w(plant, charge, physics.Air(fahrenheit(t_f)), "floor")) / at_zero
        assert ours == pytest.approx(multiplier, rel=1e-3), t_f
    zero_psig = float(fluid.temperature_k(101_325.0))
    assert (fahrenheit(0.0) - zero_psig) / (20.0 / 1.8) == pytest.approx(2.2, abs=0.05)


def test_two_forties_beat_one_hundred_with_the_same_fuel() -> None:
    """Common practice, no source: two 40-lb cylinders carry more than one 100-lb holding the same fuel."""
    pair = physics.Plant.of(site(cylinder("40", "A"), cylinder("40", "B")))
    single = physics.Plant.of(site(cylinder("100")))
    air = physics.Air(np.array([fahrenheit(t) for t in (0, 20, 40)]), 1.0, 0.5)
    for fuel in (10 * LB, 30 * LB, 60 * LB, 80 * LB):
        for basis in BASES:
            both = physics.sustained_w(pair, np.array([fuel / 2, fuel / 2]), air, basis)
            assert (both > physics.sustained_w(single, np.array([fuel]), air, basis)).all()


def test_ten_psi_is_thirty_below() -> None:
    """Design: 10 psi gauge is -29.6 degC at sea level and -33.1 degC at 2,000 m."""
    low = physics.Plant.of(site(cylinder("40")))
    high = physics.Plant.of(replace(site(cylinder("40")), air_pressure_pa=79_495.0))
    assert low.floor_k("floor") - 273.15 == pytest.approx(-29.6, abs=0.05)
    assert high.floor_k("floor") - 273.15 == pytest.approx(-33.1, abs=0.05)


def test_weights_of_the_trade() -> None:
    """Common practice, no source: a 40-lb cylinder weighs about 70 lb full, a 100-lb one about 170 lb."""
    for size, full in (("40", 70.0), ("100", 170.0)):
        c = cylinder(size)
        assert (c.tare_kg + c.full_kg) / LB == pytest.approx(full, rel=0.03)
