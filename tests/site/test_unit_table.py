"""The table of units against two references from outside: Pint's definitions, and NIST SP 811."""

from __future__ import annotations

import math

import pint
import pytest

from monitor.site import unit_table
from monitor.site.unit_table import UNITS, factor

SI = {
    "mass": "kilogram", "length": "metre", "volume": "metre**3", "time": "second", "energy": "joule", "power": "watt",
    "pressure": "pascal", "speed": "metre/second", "temperature_difference": "delta_degC",
}  # fmt: skip

# How Pint calls what the table has in the trade's spelling.
AS_PINT: dict[tuple[str, float], str] = {
    ("volume", unit_table.GALLON): "US_liquid_gallon",
    ("volume", unit_table.FT**3): "foot**3",
    ("energy", 3600.0): "watt_hour",
    ("energy", 1e3 * unit_table.HOUR): "kilowatt_hour",
    ("energy", unit_table.BTU): "international_british_thermal_unit",
    ("energy", 1e3 * unit_table.BTU): "kiloBtu_it",
    ("energy", 1e6 * unit_table.BTU): "megaBtu_it",
    ("energy", 4.1868e3): "kilointernational_calorie",
    ("power", unit_table.BTU / 3600): "Btu_it / hour",
    ("power", 1e3 * unit_table.BTU / 3600): "kiloBtu_it / hour",
    ("pressure", unit_table.PSI / 16): "force_ounce / inch**2",
    ("pressure", unit_table.IN_H2O): "inH2O",
    ("pressure", unit_table.GRAVITY): "mmH2O",
    ("pressure", 10 * unit_table.GRAVITY): "cmH2O",
    ("pressure", unit_table.MMHG): "mmHg",
    ("pressure", 25.4 * unit_table.MMHG): "inHg",
    ("pressure", 1e4 * unit_table.GRAVITY): "kilogram_force / centimetre**2",
    ("speed", 1 / 3.6): "kilometre / hour",
    ("speed", 1852 / 3600): "knot",
    ("temperature_difference", 1.0): "delta_degC",
    ("temperature_difference", 5 / 9): "delta_degF",
}


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry(cache_folder=None)


def _in_si(names: list[str], si: str, registry: pint.UnitRegistry) -> float:
    """Return what the first of `names` that Pint knows is worth; fail where it knows none."""
    for name in names:
        try:
            return float(registry.Quantity(1.0, registry.parse_units(name)).to(si).magnitude)
        except (pint.UndefinedUnitError, pint.DimensionalityError):
            continue
    pytest.fail(f"Pint knows none of {names}")


@pytest.mark.parametrize("unit", [u for u in UNITS if u.dimension in SI], ids=lambda u: (u.names + u.exact)[0])
def test_factor_agrees_with_pint(unit: unit_table.Unit, registry: pint.UnitRegistry) -> None:
    named = AS_PINT.get((unit.dimension, unit.factor))
    theirs = _in_si([named] if named else [*unit.exact, *unit.names], SI[unit.dimension], registry)
    # 2e-7: the conventional millimetre of mercury has seven figures.
    assert unit.factor == pytest.approx(theirs, rel=2e-7)


# NIST Special Publication 811 (2008), Appendix B.8; seven figures as printed there. Typed from memory and therefore
# also held against Pint above.
NIST = [
    ("mass", "lb", 4.535924e-01),
    ("mass", "oz", 2.834952e-02),
    ("length", "ft", 3.048e-01),
    ("length", "in", 2.54e-02),
    ("length", "mi", 1.609344e03),
    ("volume", "gal", 3.785412e-03),
    ("volume", "ft3", 2.831685e-02),
    ("energy", "Btu", 1.055056e03),
    ("energy", "kWh", 3.6e06),
    ("power", "Btu/h", 2.930711e-01),
    ("pressure", "psi", 6.894757e03),
    ("pressure", "inH2O", 2.490889e02),
    ("pressure", "inHg", 3.386389e03),
    ("pressure", "mmHg", 1.333224e02),
    ("pressure", "bar", 1.0e05),
    ("pressure", "atm", 1.01325e05),
    ("pressure", "kgf/cm2", 9.80665e04),
    ("speed", "mph", 4.4704e-01),
    ("speed", "kn", 5.144444e-01),
    ("mass_rate", "lb/h", 1.259979e-04),
]


@pytest.mark.parametrize(("dimension", "name", "printed"), NIST, ids=str)
def test_factor_agrees_with_nist(dimension: str, name: str, printed: float) -> None:
    found = factor(dimension, name)
    assert found is not None
    assert found == pytest.approx(printed, rel=2e-7)


def test_no_spelling_means_two_units_of_one_dimension() -> None:
    seen: dict[tuple[str, str], float] = {}
    for unit in UNITS:
        for name in unit.names:
            assert name == name.lower(), name
            assert seen.setdefault((unit.dimension, name), unit.factor) == unit.factor, name
        for name in unit.exact:
            assert seen.setdefault((unit.dimension, name), unit.factor) == unit.factor, name


def test_prefixes_that_differ_by_case_are_told_apart() -> None:
    assert factor("power", "mW") == pytest.approx(1e-3)
    assert factor("power", "MW") == pytest.approx(1e6)
    assert factor("power", "mw") is None
    assert factor("energy", "MJ") == pytest.approx(1e6)
    assert factor("energy", "mj") is None
    assert factor("pressure", "mPa") is None  # Pint is asked, and says millipascal


def test_ratios_take_only_what_fits() -> None:
    assert factor("power", "kWh/day") == pytest.approx(3.6e6 / 86400)
    assert factor("power", "kg/h") is None
    assert factor("mass_rate", "t/year") == pytest.approx(1000 / (365.25 * 86400))
    assert factor("mass", "kg/h") is None
    assert not math.isnan(factor("speed", "ft/min") or math.nan)
