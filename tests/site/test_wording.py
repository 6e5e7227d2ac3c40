"""Values as they are shown, in both unit systems; conversions against Pint."""

from __future__ import annotations

import math

import pint
import pytest

from monitor.model import units_out
from monitor.model.reading import Quantity
from monitor.model.site import Units
from monitor.site import units
from monitor.site.quantity import KINDS

# kind, SI value, shown in US units, shown in metric units
SHOWN = [
    ("mass", 43.18, "95.2 lb", "43.2 kg"),
    ("elevation", 500.0, "1,640 ft", "500 m"),
    ("power", 19049.6, "65,000 Btu/h", "19.0 kW"),
    ("pressure", 68947.57, "10.0 psi", "0.69 bar"),
    ("pressure_absolute", 101325.0, "14.7 psia", "1,013 hPa"),
    ("temperature", 252.594, "-5 °F", "-21 °C"),
    ("temperature", 273.14, "32 °F", "0 °C"),
    ("speed", 2.0, "4 mph", "2.0 m/s"),
    ("volume", 0.0272, "7.2 gal", "27.2 L"),
    ("share", 0.35, "35 %", "35 %"),
    ("mass_rate", 0.4 / 86400, "0.88 lb/day", "0.40 kg/day"),
    ("energy", 3.6e6, "3,412 Btu", "1.0 kWh"),
    ("echo_time", 250e-6, "250 µs", "250 µs"),
    ("time", 4800.0, "1 h 20 min", "1 h 20 min"),
    ("volume", -1e-9, "0.0 gal", "0.0 L"),
]


@pytest.mark.parametrize(("kind", "value", "us", "metric"), SHOWN)
def test_show(kind: str, value: float, us: str, metric: str) -> None:
    assert units.show(value, kind, "us") == us
    assert units.show(value, kind, "metric") == metric


def test_what_is_not_known_is_no_number() -> None:
    for kind in ("mass", "volume", "time"):
        assert units.show(None, kind, "us") == units.show(math.nan, kind, "us") == "–"


AS_PINT = {
    "lb": "pound", "in": "inch", "ft": "foot", "psia": "psi", "°F": "degF", "°C": "degC", "gal": "gallon",
    "Btu/h": "Btu_it/hour", "Btu": "Btu_it", "µs": "microsecond", "inH2O": "inH2O",
}  # fmt: skip


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("kind", [k for k in KINDS if k not in {"share", "temperature_difference"}])
def test_numbers_agree_with_pint(kind: str, system: Units) -> None:
    registry = pint.UnitRegistry(cache_folder=None)
    si = {"K": "kelvin", "m3": "metre**3"}.get(KINDS[kind].si, KINDS[kind].si)
    name = units.unit(kind, system)
    theirs = registry.Quantity(288.15, si).to(AS_PINT.get(name, name)).magnitude
    assert units.number(288.15, kind, system) == pytest.approx(float(theirs), rel=1e-7)


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("kind", [k for k in KINDS if not k.endswith(("temperature", "absolute"))])
def test_number_and_unit_go_back_through_the_parser(kind: str, system: Units) -> None:
    written = f"{units.number(0.75, kind, system)!r} {units.unit(kind, system)}"
    assert units.parse(written, kind) == pytest.approx(0.75, rel=1e-9)


def test_shared_kinds_are_shown_as_notices_show_them() -> None:
    for kind in ("mass", "power", "temperature", "share"):
        assert units.show(0.5, kind, "us") == units_out.show(0.5, kind, "us")


@pytest.mark.parametrize(
    ("value", "kind", "us", "metric"),
    [
        (3000.0, "power", "10,240 Btu/h", "3 kW"),
        (19049.62, "power", "65,000 Btu/h", "19.05 kW"),
        (43.18199, "mass", "95.2 lb", "43.18 kg"),
        (0.0, "mass", "0 lb", "0 kg"),
        (233.15, "temperature", "-40 °F", "-40 °C"),
        (1e6, "mass", "2,205,000 lb", "1,000,000 kg"),
        (60.0, "power", "204.7 Btu/h", "0.06 kW"),
    ],
)
def test_precise(value: float, kind: str, us: str, metric: str) -> None:
    assert units.precise(value, kind, "us") == us
    assert units.precise(value, kind, "metric") == metric


def test_pair_is_for_everybody() -> None:
    assert units.pair(43.18199, "mass") == "95.2 lb (43.18 kg)"
    assert units.pair(0.2, "share") == "20 %"
    assert [units.pair(t, "time") for t in (45.0, 3600.0, 5400.0, 86400.0, 432000.0, 0.5)] == [
        "45 s", "1 h", "1.5 h", "1 day", "5 days", "0.5 s",
    ]  # fmt: skip


def test_differences_in_words() -> None:
    assert units.colder_warmer(-2.1, "metric") == "2.1 °C colder"
    assert units.colder_warmer(2.0, "us") == "4 °F warmer"
    assert units.colder_warmer(0.01, "metric") == "as warm"
    assert units.in_words(-5275.28, "power", "us") == "18,000 Btu/h less"
    assert units.in_words(1.8, "mass", "us", "heavier", "lighter") == "4.0 lb heavier"
    assert units.in_words(0.001, "mass", "us") == "the same"
    assert units.in_words(-600.0, "time", "us", "later", "sooner") == "10 min sooner"


def test_every_quantity_with_a_unit_has_a_kind() -> None:
    without = {Quantity.VALVE, Quantity.CHANGEOVER, Quantity.GAS_DETECTED, Quantity.SIGNAL}
    assert set(units.KIND_OF_QUANTITY) == {q.value for q in Quantity if q not in without}
    assert set(units.KIND_OF_QUANTITY.values()) <= set(KINDS)
