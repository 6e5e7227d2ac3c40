"""Quantities as people write them: taken for what they are, or refused with a hint; never taken for something else."""

from __future__ import annotations

import math

import pytest

from monitor.site import units
from monitor.site.units import KINDS, QuantityError, convert, parse

LB = 0.45359237
BTU_H = 1055.05585262 / 3600
PSI = 6894.757293168

# text, kind, SI value
TAKEN = [
    ("95.2 lb", "mass", 95.2 * LB),
    ("95.2lb", "mass", 95.2 * LB),
    ("95.2 LBS", "mass", 95.2 * LB),
    ("95.2 lb.", "mass", 95.2 * LB),
    (" 95.2\u00a0lb ", "mass", 95.2 * LB),
    ("95,2 lb", "mass", 95.2 * LB),
    ("18.1 kg", "mass", 18.1),
    ("18,1 kg", "mass", 18.1),
    ("0,250 kg", "mass", 0.25),
    ("1e3 g", "mass", 1.0),
    ("1,5E3 g", "mass", 1.5),
    ("+5 kg", "mass", 5.0),
    (".5 kg", "mass", 0.5),
    ("4 lb 8 oz", "mass", 4.5 * LB),
    ("4 lb, 8 oz", "mass", 4.5 * LB),
    ("4lb8oz", "mass", 4.5 * LB),
    ("4 lb 8,5 oz", "mass", (4 + 8.5 / 16) * LB),
    ("5 stone", "mass", 70 * LB),  # not in the table: by Pint
    ("12.5 in", "length", 0.3175),
    ("12.5 in.", "length", 0.3175),
    ("12 1/2 in", "length", 0.3175),
    ("12-1/2 in", "length", 0.3175),
    ("12½ in", "length", 0.3175),
    ("5/8 in", "length", 0.015875),
    ("5 ft 3 in", "length", 1.6002),
    ("1 m 20 cm", "length", 1.2),
    ("318 mm", "length", 0.318),
    ("-80 m", "elevation", -80.0),
    ("65000 Btu/h", "power", 65000 * BTU_H),
    ("65000 BTU/hr", "power", 65000 * BTU_H),
    ("65000 btuh", "power", 65000 * BTU_H),
    ("65000 Btu per hour", "power", 65000 * BTU_H),
    ("65 kBtu/h", "power", 65000 * BTU_H),
    ("65 MBH", "power", 65000 * BTU_H),
    ("19 kW", "power", 19e3),
    ("19 KW", "power", 19e3),
    ("2 MW", "power", 2e6),
    ("36 MJ/h", "power", 1e4),
    ("2 hp", "power", 2 * 745.6998715822702),  # by Pint
    ("10 psi", "pressure", 10 * PSI),
    ("10 PSIG", "pressure", 10 * PSI),
    ("10 psi(g)", "pressure", 10 * PSI),
    ("10 psi gauge", "pressure", 10 * PSI),
    ("0,7 bar", "pressure", 7e4),
    ("0.7 barg", "pressure", 7e4),
    ("0.7 bar (g)", "pressure", 7e4),
    ("70 kPag", "pressure", 7e4),
    ("70 kPa(g)", "pressure", 7e4),
    ("700 mbar", "pressure", 7e4),
    ("0.07 MPa", "pressure", 7e4),
    ("11 inH2O", "pressure", 11 * 249.08891),
    ("11 in. w.c.", "pressure", 11 * 249.08891),
    ("11 in WC", "pressure", 11 * 249.08891),
    ("11 in. H₂O", "pressure", 11 * 249.08891),
    ("11 inches of water", "pressure", 11 * 249.08891),
    ("1 kgf/cm2", "pressure", 98066.5),
    ("1 kgf/cm²", "pressure", 98066.5),
    ("5 torr", "pressure", 5 * 101325 / 760),  # by Pint
    ("1013 hPa", "pressure_absolute", 101300.0),
    ("14.7 psia", "pressure_absolute", 14.7 * PSI),
    ("1.013 bar abs", "pressure_absolute", 101300.0),
    ("29 °C", "temperature", 302.15),
    ("29°C", "temperature", 302.15),
    ("29 C", "temperature", 302.15),
    ("29 ℃", "temperature", 302.15),
    ("29 degC", "temperature", 302.15),
    ("29 deg C", "temperature", 302.15),
    ("29 degrees Celsius", "temperature", 302.15),
    ("29 º C", "temperature", 302.15),
    ("-5 degF", "temperature", 252.594_444_444),
    ("−5 °F", "temperature", 252.594_444_444),
    ("5F", "temperature", 258.15),
    ("5 deg. F", "temperature", 258.15),
    ("300 K", "temperature", 300.0),
    ("-40 °F", "temperature", 233.15),
    ("2 °C", "temperature_difference", 2.0),
    ("3,6 °F", "temperature_difference", 2.0),
    ("2 K", "temperature_difference", 2.0),
    ("5 mph", "speed", 2.2352),
    ("18 km/h", "speed", 5.0),
    ("5 m/s", "speed", 5.0),
    ("10 kn", "speed", 5.144_444_444),
    ("60 min", "time", 3600.0),
    ("1 h 30 min", "time", 5400.0),
    ("1h30min", "time", 5400.0),
    ("1 day 2 h", "time", 93600.0),
    ("3 years", "time", 3 * 365.25 * 86400),
    ("250 µs", "time", 250e-6),
    ("250 μs", "time", 250e-6),
    ("27.2 L", "volume", 0.0272),
    ("27,2 l", "volume", 0.0272),
    ("9.2 gal", "volume", 9.2 * 0.003785411784),
    ("2 ft³", "volume", 2 * 0.028316846592),
    ("5 imperial_gallon", "volume", 5 * 0.00454609),  # by Pint
    ("20 %", "share", 0.2),
    ("20%", "share", 0.2),
    ("20 percent", "share", 0.2),
    ("0.2", "share", 0.2),
    ("0,2", "share", 0.2),
    (0.2, "share", 0.2),
    (1, "share", 1.0),
    ("0.4 kg/day", "mass_rate", 0.4 / 86400),
    ("1 lb per day", "mass_rate", LB / 86400),
    ("1 lb/h", "mass_rate", LB / 3600),
    ("1204 kBtu", "energy", 1204e3 * 1055.05585262),
    ("350 kWh", "energy", 1.26e9),
]


@pytest.mark.parametrize(("text", "kind", "si"), TAKEN, ids=[f"{k}-{t}" for t, k, _ in TAKEN])
def test_taken(text: object, kind: str, si: float) -> None:
    assert parse(text, kind) == pytest.approx(si, rel=2e-7, abs=1e-12)


# text, kind, what the message must contain
REFUSED = [
    # numbers that can be read in two ways, or in none
    ("1,234 lb", "mass", '"1234" or "1.234"'),
    ("65,000 Btu/h", "power", '"65000" or "65.000"'),
    ("1.234,5 lb", "mass", "1234.5"),
    ("1,234.5 lb", "mass", "1234.5"),
    ("1,234,567 Btu/h", "power", '"1234567"'),
    ("1.234.567 Btu/h", "power", '"1234567"'),
    ("1.5.2 kg", "mass", "one decimal point"),
    ("1 234 kg", "mass", '"1234 kg"'),
    ("1_234 kg", "mass", '"1234"'),
    ("1'234 kg", "mass", "does not fit"),
    ("5, kg", "mass", "decimal mark"),
    (",5 kg", "mass", "no number"),
    ("10² kg", "mass", "expected a weight"),
    ("١٢ kg", "mass", "no number"),
    ("１２ kg", "mass", "no number"),
    ("0x10 kg", "mass", "does not fit"),
    ("nan kg", "mass", "not a finite"),
    ("inf kg", "mass", "not a finite"),
    ("-inf K", "temperature", "not a finite"),
    ("∞ kg", "mass", "not a finite"),
    ("1e400 kg", "mass", "too large"),
    (math.nan, "share", "not a finite"),
    (math.inf, "mass", "not a finite"),
    ("1/0 in", "length", "over nothing"),
    ("12 5/4 in", "length", "not below one"),
    ("twelve lb", "mass", "begin with the number"),
    ("", "mass", "begin with the number"),
    ("lb", "mass", "begin with the number"),
    # no unit
    ("95.2", "mass", '"95.2 lb" or "95.2 kg"'),
    (95.2, "mass", '"95.2 lb" or "95.2 kg"'),
    (29, "temperature", '"29 °C" or "29 °F"'),
    ("5 °", "temperature", "does not fit"),
    ("20", "share", '"20 %"'),
    (20, "share", '"20 %"'),
    (-0.1, "share", "outside 0 to 1"),
    (True, "mass", "in quotes"),
    (None, "mass", "in quotes"),
    (["5 kg"], "mass", "in quotes"),
    # the wrong unit
    ("12 in", "mass", "unit of length"),
    ("40 psi", "mass", "no area"),
    ("10 lb", "pressure", "area"),
    ("9 gal", "mass", "gallon of liquid propane weighs"),
    ("65000 BTU", "power", "BTU/h"),
    ("1.2 kg/h", "power", "13.9 kW"),
    ("60 m", "time", '"min"'),
    ("1h30m", "time", '"min"'),
    ("5 fet", "length", 'did you mean "feet"'),
    ("29 F", "mass", "temperature difference"),
    ("1 F", "energy", "does not fit"),  # Pint would say farad
    ("7 ton", "mass", '"t" (1,000 kg)'),
    ("65 MBtu/h", "power", '"kBtu/h" or "MMBtu/h"'),
    ("2 mw", "power", "does not fit"),  # milli or mega?
    ("2 kg m", "mass", "does not fit"),
    ("2 kg*s/s", "mass", None),  # by Pint a kilogram, and taken
    # gauge and absolute
    ("24.7 psia", "pressure", "gauge pressure is meant"),
    ("24.7 psi(a)", "pressure", "gauge pressure is meant"),
    ("1.7 bara", "pressure", "gauge pressure is meant"),
    ("1.7 bar abs", "pressure", "gauge pressure is meant"),
    ("1.7 bar absolute", "pressure", "gauge pressure is meant"),
    ("170 kPaa", "pressure", "gauge pressure is meant"),
    ("10 psig", "pressure_absolute", "absolute pressure is meant"),
    # more than one value
    ("20-30 kg", "mass", "one value"),
    ("20 to 30 kg", "mass", "one value"),
    ("20 ± 1 kg", "mass", "one value"),
    ("~20 kg", "mass", "begin with the number"),
    ("1:30", "time", "1 h 30 min"),
    ("5'3\"", "length", "5 ft 3 in"),
    ("5 ft 14 in", "length", "less than one ft"),
    ("4 oz 8 lb", "mass", "less than one oz"),
    ("4.5 lb 8 oz", "mass", "decimals before the last"),
    ("4 lb 8 kg", "mass", "one number with one unit"),
    ("1 kg 500", "mass", "does not fit"),
    ("2 °C 3", "temperature", "does not fit"),
    # out of range
    ("-5 kg", "mass", "below zero"),
    ("1e9 kg", "mass", "out of any range"),
    ("-300 °C", "temperature", "out of any range"),
    ("9999 °F", "temperature", "out of any range"),
    ("-2 bar", "pressure", "out of any range"),
    ("-5 min", "time", "below zero"),
    ("x" * 101, "mass", "too long"),
    # nothing to be evaluated
    ("5 __import__('os')", "mass", "does not fit"),
    ("5 kg**9**9**9", "mass", "does not fit"),
    ("5 ()", "mass", "does not fit"),
]


@pytest.mark.parametrize(("text", "kind", "says"), [r for r in REFUSED if r[2] is not None], ids=lambda v: str(v)[:24])
def test_refused_with_a_hint(text: object, kind: str, says: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, kind)
    assert says in str(caught.value)
    assert caught.value.expected == KINDS[kind].expected


def test_an_unknown_kind_is_our_own_fault() -> None:
    with pytest.raises(TypeError):
        parse("5 kg", "weight")
    with pytest.raises(TypeError):
        convert(5.0, "kg", "weight")


def test_convert_checks_the_unit_but_not_the_range() -> None:
    assert convert(-500.0, "°C", "temperature") == pytest.approx(-226.85)
    assert convert(50.0, "", "mass") == 50.0
    assert convert(93.0, "%", "share") == pytest.approx(0.93)
    assert convert(32.0, "°F", "temperature") == pytest.approx(273.15)
    with pytest.raises(QuantityError, match="unit of length"):
        convert(5.0, "in", "mass")
    with pytest.raises(QuantityError, match="not a finite"):
        convert(math.nan, "kg", "mass")


def test_each_form_named_in_an_error_is_taken() -> None:
    """The example in `expected` must itself be right."""
    import re

    for name, kind in KINDS.items():
        examples = re.findall(r'"([^"]+)"', kind.expected)
        assert examples
        for example in examples:
            parse(example, name)


def test_every_kind_that_is_read_can_be_shown() -> None:
    for name in KINDS:
        assert units.show(300.0, name, "us").count(" ") >= 1
        assert units.show(300.0, name, "metric").count(" ") >= 1
