"""The units that people write, as data: one row a unit, its factor to SI and where the factor comes from.

Reading a site file must be quick, and Pint takes a fifth of a second to load, so these rows answer first; a unit that
is not here is asked of Pint. The tests hold every row against Pint and against NIST SP 811 (2008), Appendix B.
"""

from __future__ import annotations

from dataclasses import dataclass

LB = 0.45359237  # kg; NIST SP 811 B.8, exact
FT = 0.3048  # m; exact
GALLON = 231 * 0.0254**3  # m3; US gallon, 231 cubic inches, exact
GRAVITY = 9.80665  # m/s2; exact
BTU = 1055.05585262  # J; International Table, exact; NIST SP 811 B.8 gives 1.055 056 E+03
PSI = LB * GRAVITY / 0.0254**2  # Pa; NIST SP 811: 6.894 757 E+03
IN_H2O = 25.4 * GRAVITY  # Pa; conventional, NIST SP 811: 2.490 889 E+02
MMHG = 133.3224  # Pa; conventional millimetre of mercury, NIST SP 811: 1.333 224 E+02
HOUR = 3600.0
DAY = 86400.0
YEAR = 365.25 * DAY  # Julian year


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: `factor` to the SI unit of `dimension`; `names` are read without regard to case.

    `exact` names differ only by case from another unit (mW, MW) and are read as written.
    """

    dimension: str
    factor: float
    names: tuple[str, ...] = ()
    exact: tuple[str, ...] = ()


UNITS: tuple[Unit, ...] = (
    # mass, kg
    Unit("mass", 1.0, ("kg", "kgs", "kilogram", "kilograms", "kilogramme", "kilogrammes", "kilo", "kilos")),
    Unit("mass", 1e-3, ("g", "gram", "grams", "gramme", "grammes")),
    Unit("mass", 1e-6, ("milligram", "milligrams"), exact=("mg",)),
    Unit("mass", 1000.0, ("t", "tonne", "tonnes")),
    Unit("mass", LB, ("lb", "lbs", "lbm", "pound", "pounds")),
    Unit("mass", LB / 16, ("oz", "ozs", "ounce", "ounces")),
    # length, m
    Unit("length", 1.0, ("m", "metre", "metres", "meter", "meters")),
    Unit("length", 1e-2, ("cm", "centimetre", "centimetres", "centimeter", "centimeters")),
    Unit("length", 1e-3, ("millimetre", "millimetres", "millimeter", "millimeters"), exact=("mm", "MM")),
    Unit("length", 1000.0, ("km", "kilometre", "kilometres", "kilometer", "kilometers")),
    Unit("length", 0.0254, ("in", "ins", "inch", "inches")),
    Unit("length", FT, ("ft", "foot", "feet")),
    Unit("length", 0.9144, ("yd", "yard", "yards")),
    Unit("length", 1609.344, ("mi", "mile", "miles")),
    # volume, m3
    Unit("volume", 1e-3, ("l", "litre", "litres", "liter", "liters", "dm3", "dm^3")),
    Unit("volume", 1e-6, ("millilitre", "millilitres", "milliliter", "milliliters", "cm3", "cm^3", "cc"), ("ml", "mL")),
    Unit("volume", 1.0, ("m3", "m^3", "cubic metre", "cubic metres", "cubic meter", "cubic meters")),
    Unit("volume", GALLON, ("gal", "gals", "gallon", "gallons", "us gal", "us gallon", "us gallons")),
    Unit("volume", FT**3, ("ft3", "ft^3", "cu ft", "cuft", "cubic foot", "cubic feet")),
    # time, s
    Unit("time", 1.0, ("s", "sec", "secs", "second", "seconds")),
    Unit("time", 1e-3, ("millisecond", "milliseconds"), exact=("ms",)),
    Unit("time", 1e-6, ("us", "usec", "microsecond", "microseconds")),
    Unit("time", 60.0, ("min", "mins", "minute", "minutes")),
    Unit("time", HOUR, ("h", "hr", "hrs", "hour", "hours")),
    Unit("time", DAY, ("d", "day", "days")),
    Unit("time", 7 * DAY, ("wk", "wks", "week", "weeks")),
    Unit("time", YEAR / 12, ("month", "months")),
    Unit("time", YEAR, ("yr", "yrs", "year", "years")),
    # energy, J
    Unit("energy", 1.0, ("joule", "joules"), exact=("J",)),
    Unit("energy", 1e3, ("kj", "kilojoule", "kilojoules")),
    Unit("energy", 1e6, ("megajoule", "megajoules"), exact=("MJ",)),
    Unit("energy", 1e9, ("gj", "gigajoule")),
    Unit("energy", HOUR, ("wh", "w h", "w*h")),
    Unit("energy", 1e3 * HOUR, ("kwh", "kw h", "kw*h")),
    Unit("energy", BTU, ("btu", "btus")),
    Unit("energy", 1e3 * BTU, ("kbtu", "kbtus")),
    Unit("energy", 1e6 * BTU, ("mmbtu",)),
    Unit("energy", 4.1868e3, ("kcal",)),  # International Table calorie, NIST SP 811
    # power, W
    Unit("power", 1.0, ("w", "watt", "watts")),
    Unit("power", 1e3, ("kw", "kilowatt", "kilowatts")),
    Unit("power", 1e6, ("megawatt", "megawatts"), exact=("MW",)),
    Unit("power", 1e-3, ("milliwatt", "milliwatts"), exact=("mW",)),
    Unit("power", BTU / HOUR, ("btuh", "btu h", "btuhr", "btu hr")),
    Unit("power", 1e3 * BTU / HOUR, ("mbh", "kbtuh")),  # M is the Roman thousand in the trade
    Unit("power", 550 * FT * LB * GRAVITY, ("hp", "horsepower")),  # mechanical, 550 ft lbf/s
    # pressure, Pa
    Unit("pressure", 1.0, ("pa", "pascal", "pascals")),
    Unit("pressure", 100.0, ("hpa", "hectopascal")),
    Unit("pressure", 1e3, ("kpa", "kilopascal")),
    Unit("pressure", 1e6, ("megapascal",), exact=("MPa",)),
    Unit("pressure", 1e5, ("bar", "bars")),
    Unit("pressure", 100.0, ("millibar", "millibars"), exact=("mbar", "mb")),
    Unit("pressure", PSI, ("psi", "lb/in2", "lb/in^2", "lbf/in2", "lbf/in^2", "lb/sq in", "lbs/in2")),
    Unit("pressure", PSI / 16, ("osi", "oz/in2", "oz/in^2", "ozf/in2", "oz/sq in")),
    Unit("pressure", IN_H2O, ("inh2o", "in h2o", "inwc", "in wc", "inwg", "in wg", "in w c", "in w g", '"wc', '" wc')),
    Unit("pressure", IN_H2O, ("inch h2o", "inches h2o", "inches wc", "inch wc", "in water", "inches of water")),
    Unit("pressure", IN_H2O, ("inches water column", "inch water column", "in water column", "iwc")),
    Unit("pressure", GRAVITY, ("mmh2o", "mm h2o", "mmwc", "mm wc", "mm w c", "mmws", "mm ws")),
    Unit("pressure", 10 * GRAVITY, ("cmh2o", "cm h2o", "cmwc", "cm wc")),
    Unit("pressure", MMHG, ("mmhg", "mm hg")),
    Unit("pressure", 25.4 * MMHG, ("inhg", "in hg")),
    Unit("pressure", 101_325.0, ("atm",)),
    Unit("pressure", 1e4 * GRAVITY, ("kgf/cm2", "kgf/cm^2", "kg/cm2", "kg/cm^2", "kp/cm2")),
    # speed, m/s
    Unit("speed", 1 / 3.6, ("kmh", "kph", "km/hr")),
    Unit("speed", 0.44704, ("mph",)),
    Unit("speed", 1852 / 3600, ("kn", "kt", "kts", "knot", "knots")),
    # share
    Unit("share", 0.01, ("%", "percent", "per cent", "pct")),
    # difference of temperature, K
    Unit("temperature_difference", 1.0, ("k", "kelvin", "kelvins", "°c", "degc", "deg c", "c", "celsius", "cel")),
    Unit(
        "temperature_difference", 5 / 9, ("°f", "degf", "deg f", "f", "fahrenheit", "degrees f", "degrees fahrenheit")
    ),
    Unit("temperature_difference", 1.0, ("° c", "degrees c", "degrees celsius", "degree celsius", "deg celsius")),
    Unit("temperature_difference", 5 / 9, ("° f", "degree fahrenheit", "deg fahrenheit")),
)

# "X/Y" is read as one dimension over another.
RATIOS: dict[str, tuple[str, str]] = {
    "power": ("energy", "time"),
    "mass_rate": ("mass", "time"),
    "speed": ("length", "time"),
}

# Written by people, but meaning more than one thing; what to write instead.
UNCLEAR: dict[str, str] = {
    "ton": 'write "t" (1,000 kg) or "lb"',
    "tons": 'write "t" (1,000 kg) or "lb"',
    "mbtuh": 'M may be a thousand or a million: write "kBtu/h" or "MMBtu/h"',
    "mbtu": 'M may be a thousand or a million: write "kBtu" or "MMBtu"',
    "mbtu/h": 'M may be a thousand or a million: write "kBtu/h" or "MMBtu/h"',
    "mbtu/hr": 'M may be a thousand or a million: write "kBtu/h" or "MMBtu/h"',
    "fl oz": 'write "mL", "L" or "gal"',
    "cal": 'write "kJ", "kWh" or "Btu"',
    "'": 'write "ft"',
    '"': 'write "in"',
    "lbf": 'write "lb" for a weight',
    "#": 'write "lb"',
}


def _index() -> tuple[dict[tuple[str, str], float], dict[tuple[str, str], float]]:
    folded: dict[tuple[str, str], float] = {}
    exact: dict[tuple[str, str], float] = {}
    for unit in UNITS:
        folded.update({(unit.dimension, name): unit.factor for name in unit.names})
        exact.update({(unit.dimension, name): unit.factor for name in unit.exact})
    return folded, exact


_FOLDED, _EXACT = _index()
DIMENSIONS: tuple[str, ...] = tuple(dict.fromkeys(unit.dimension for unit in UNITS))


def simple(dimension: str, name: str) -> float | None:
    """Return the factor to SI of a unit written without a ratio, None where the table has no such unit."""
    if (found := _EXACT.get((dimension, name))) is not None:
        return found
    return _FOLDED.get((dimension, name.lower()))


def factor(dimension: str, name: str) -> float | None:
    """Return the factor to SI of a unit or a ratio of two ("Btu/h", "lb per day"), None where it is not known."""
    if (found := simple(dimension, name)) is not None:
        return found
    if (ratio := RATIOS.get(dimension)) is None:
        return None
    top, slash, bottom = name.replace(" per ", "/").partition("/")
    if not slash:
        return None
    over, under = simple(ratio[0], top.strip()), simple(ratio[1], bottom.strip())
    return over / under if over is not None and under is not None else None


def dimension_of(name: str) -> str | None:
    """Return the first dimension that knows the unit, None where none does; for a hint on a wrong unit."""
    for dimension in (*DIMENSIONS, *RATIOS):
        if factor(dimension, name) is not None:
            return dimension
    return None


def names(dimension: str) -> list[str]:
    """Return every spelling known for a dimension, for a did-you-mean."""
    return [n for unit in UNITS if unit.dimension == dimension for n in (*unit.names, *unit.exact)]
