"""One parser for quantities: a number, its unit, the kind that is meant. SI out, or an error with a hint."""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass
from typing import Any

from monitor.site import unit_table
from monitor.site.numerals import NumeralError, leading, tidy


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of quantity: its SI unit, what to tell who wrote it wrongly, and the range that can be meant."""

    si: str
    expected: str
    low: float
    high: float
    dimension: str  # as the unit table calls it
    pint: str = ""  # Pint's name of the SI unit, "" = Pint is not asked
    parts: tuple[tuple[str, ...], ...] = ()  # families of units that may be written together, "4 lb 8 oz"


KINDS: dict[str, Kind] = {
    "mass": Kind(
        "kg", 'a weight such as "95.2 lb" or "43.2 kg"', 0, 2e5, "mass", "kilogram", (("lb", "oz"), ("t", "kg", "g"))
    ),
    "length": Kind(
        "m",
        'a length such as "12.5 in" or "318 mm"',
        0,
        1e5,
        "length",
        "metre",
        (("yd", "ft", "in"), ("m", "cm", "mm")),
    ),
    "elevation": Kind("m", 'a height above the sea such as "1200 ft" or "365 m"', -500, 9000, "length", "metre"),
    "power": Kind("W", 'a heat rate such as "65000 Btu/h" or "19 kW"', 0, 1e8, "power", "watt"),
    "pressure": Kind("Pa", 'a gauge pressure such as "10 psi" or "0.7 bar"', -101_325, 1e8, "pressure", "pascal"),
    "pressure_absolute": Kind("Pa", 'an absolute pressure such as "1013 hPa"', 1e3, 1e8, "pressure", "pascal"),
    "temperature": Kind("K", 'a temperature such as "29 °C" or "-5 °F"', 150, 400, "temperature_difference"),
    "temperature_difference": Kind("K", 'a difference such as "2 °C" or "3.6 °F"', -200, 200, "temperature_difference"),
    "speed": Kind("m/s", 'a speed such as "5 mph" or "2 m/s"', 0, 150, "speed", "metre / second"),
    "time": Kind(
        "s",
        'a time such as "60 min" or "1 h 30 min"',
        0,
        1e10,
        "time",
        "second",
        (("year", "week", "day", "h", "min", "s"),),
    ),
    "volume": Kind("m3", 'a volume such as "27.2 L" or "9.2 gal"', 0, 1e4, "volume", "metre ** 3"),
    "share": Kind("1", 'a share such as "20 %" or 0.2', -1, 2, "share"),
    "mass_rate": Kind("kg/s", 'a rate such as "0.4 kg/day" or "1 lb/h"', 0, 1e3, "mass_rate", "kilogram / second"),
    "energy": Kind("J", 'an energy such as "1204 kBtu" or "350 kWh"', 0, 1e15, "energy", "joule"),
}

_ABSOLUTE = re.compile(r"(?<=[a-z0-9])(?:a$| ?\(a\)$| ?\(?abs(?:olute)?\)?$)", re.IGNORECASE)
_GAUGE = re.compile(r"(?<=[a-z0-9])(?:g$| ?\(g\)$| ?\(?gauge\)?$| ?\(?gage\)?$)", re.IGNORECASE)
# What Pint may be shown: whole words with small exponents, in products and ratios. It evaluates an expression, so
# nothing else may reach it ("kg**9**9" would run for ever), and its symbols of one and two letters are surprising
# ("pa" is a picoyear).
_WORD = r"[A-Za-z_]{3,30}(?:\^?[23])?"
_FOR_PINT = re.compile(rf"{_WORD}(?:[*/ ]{_WORD}){{0,2}}")
_OFTEN_MEANT = {
    ("power", "energy"): "a heat rate is an energy per hour: {unit}/h",
    ("power", "mass_rate"): "give the heat rate; 1 kg/h of propane is about 13.9 kW or 47,500 Btu/h, gross",
    ("mass", "volume"): "give the weight; a US gallon of liquid propane weighs about 4.2 lb, a litre about 0.51 kg",
    ("time", "length"): 'minutes are "min"',
    ("mass", "pressure"): "a weight has no area under it",
    ("pressure", "mass"): 'a pressure has an area under it, such as "psi"',
}


class QuantityError(ValueError):
    """A quantity that cannot be used. `why` says what is wrong, `expected` the form, `hint` how to mend it."""

    def __init__(self, why: str, expected: str, hint: str = "") -> None:
        self.why = why
        self.expected = expected
        self.hint = hint
        super().__init__(f"{why}; expected {expected}" + (f". {hint}" if hint else ""))


def _named(unit: str) -> str:
    """Return a unit as the table spells it: no full stops, single spaces, no space around a slash."""
    plain = re.sub(r" +", " ", unit.replace(".", " ") if re.search(r"\w\.\w", unit) else unit.replace(".", "")).strip()
    return re.sub(r" ?([/^*]) ?", r"\1", plain)


@functools.cache
def _registry() -> Any:
    import pint  # late: it takes a fifth of a second

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=False, cache_folder=None)


def _from_pint(kind: Kind, unit: str) -> float | None:
    """Ask Pint for the factor of a unit that the table does not have; None where it does not fit."""
    if not kind.pint or not _FOR_PINT.fullmatch(unit):
        return None
    registry = _registry()
    try:
        one = registry.Quantity(1.0, registry.parse_units(re.sub(r"\^?([23])", r"**\1", unit)))
        found = float(one.to(kind.pint).magnitude)
    except Exception:  # noqa: BLE001  Pint evaluates an expression: a strange unit may raise nearly anything
        return None
    return found if math.isfinite(found) and found > 0 else None


@functools.lru_cache(maxsize=512)
def _factor(kind_name: str, unit: str) -> float:
    """Return the factor to SI of `unit` for a kind; raise QuantityError with a hint where it does not fit."""
    kind = KINDS[kind_name]
    name = _named(unit)
    if kind.dimension == "pressure":
        name = _pressure_unit(kind_name, name)
    if (found := unit_table.factor(kind.dimension, name)) is not None:
        return found
    if (hint := unit_table.UNCLEAR.get(name.lower())) is not None:
        raise QuantityError(f'unit "{unit}" is not clear', kind.expected, hint)
    other = unit_table.dimension_of(name)
    if other is None and (found := _from_pint(kind, name)) is not None:
        return found
    raise QuantityError(f'unit "{unit}" does not fit', kind.expected, _unit_hint(kind, kind_name, name, other))


def _pressure_unit(kind_name: str, name: str) -> str:
    """Strip the mark for gauge or absolute off a pressure's unit; refuse the one that is not meant."""
    kind = KINDS[kind_name]
    if unit_table.simple("pressure", name) is not None:
        return name
    gauge, absolute = _GAUGE.sub("", name), _ABSOLUTE.sub("", name)
    if kind_name == "pressure":
        if absolute != name and unit_table.simple("pressure", absolute.strip()) is not None:
            hint = "a gauge pressure is meant: take the air pressure off (at sea level 14.7 psi, 1.013 bar)"
            raise QuantityError(f'"{name}" is an absolute pressure', kind.expected, hint)
        return gauge.strip()
    if gauge != name and unit_table.simple("pressure", gauge.strip()) is not None:
        hint = "an absolute pressure is meant: add the air pressure (at sea level 14.7 psi, 1.013 bar)"
        raise QuantityError(f'"{name}" is a gauge pressure', kind.expected, hint)
    return absolute.strip()


def _unit_hint(kind: Kind, kind_name: str, name: str, other: str | None) -> str:
    if other is not None:
        special = _OFTEN_MEANT.get((kind_name, other))
        return special.format(unit=name) if special else f'"{name}" is a unit of {other.replace("_", " ")}'
    import difflib

    close = difflib.get_close_matches(name.lower(), unit_table.names(kind.dimension), n=1, cutoff=0.6)
    return f'did you mean "{close[0]}"?' if close else ""


def _check_kind(kind_name: str) -> Kind:
    try:
        return KINDS[kind_name]
    except KeyError:
        raise TypeError(f"no kind of quantity called {kind_name!r}") from None


def _to_si(value: float, unit: str, kind_name: str) -> float:
    """Convert without regard to range; temperature is the one kind with an offset."""
    factor = _factor(kind_name, unit)
    if kind_name != "temperature":
        return value * factor
    if factor == 1.0:
        return value if _named(unit).lower().startswith("k") else value + 273.15
    return (value + 459.67) * 5 / 9


def convert(value: float, unit: str, kind: str) -> float:
    """Return `value` given in `unit` in the kind's SI unit. No range check: that is for who knows the sensor.

    Raises QuantityError where the unit does not fit the kind, or the value is not finite. An empty unit means SI.
    """
    spec = _check_kind(kind)
    if not math.isfinite(value):
        raise QuantityError(f"{value} is not a finite number", spec.expected)
    return _to_si(value, tidy(unit), kind) if unit.strip() else value


def parse(text: object, kind: str) -> float:
    """Return the quantity written in `text` in the SI unit of `kind` (see KINDS).

    A number without a unit is refused, save a share from 0 to 1. Raises QuantityError, a ValueError.
    """
    spec = _check_kind(kind)
    value = _read(text, kind, spec)
    if not math.isfinite(value):
        raise QuantityError("not a finite number", spec.expected, "the number is too large")
    if not spec.low <= value <= spec.high:
        why = "below zero" if value < 0 == spec.low else "out of any range that can be meant"
        raise QuantityError(why, spec.expected, "check the number and its unit")
    return value


def _read(text: object, kind: str, spec: Kind) -> float:
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise QuantityError("not a quantity", spec.expected, "write it in quotes, with its unit")
    if not isinstance(text, str):
        if isinstance(text, int) and abs(text) > 1e30:  # a whole number in TOML may have any length
            raise QuantityError("out of any range that can be meant", spec.expected)
        return _bare(float(text), str(text), kind, spec)
    if len(text) > 100:
        raise QuantityError("too long for a quantity", spec.expected)
    plain = tidy(text)
    try:
        value, unit = leading(plain)
        if not unit:
            return _bare(value, plain, kind, spec)
        _check_unit_text(unit, plain, spec)
        if _SECOND_NUMBER.search(unit) and (whole := _compound(plain, kind, spec)) is not None:
            return whole
        return _to_si(value, unit, kind)
    except NumeralError as error:
        raise QuantityError(error.why, spec.expected, error.hint) from None


def _bare(value: float, text: str, kind: str, spec: Kind) -> float:
    """Take a number without a unit where the kind has none, refuse it where a unit is needed."""
    if not math.isfinite(value):
        raise QuantityError("not a finite number", spec.expected, "leave the key out where the value is not known")
    if kind == "share":
        if 0 <= value <= 1:
            return value
        raise QuantityError("a bare share outside 0 to 1", spec.expected, f'write "{text} %" if percent is meant')
    units = re.findall(r'"[-0-9.]+ ([^" ]+)"', spec.expected)
    if kind == "power" and value >= 1000:
        units = units[:1]  # nobody has an appliance of so many kW
    ways = " or ".join(f'"{text} {unit}"' for unit in units)
    raise QuantityError("no unit", spec.expected, f"write {ways}, in quotes")


def _check_unit_text(unit: str, text: str, spec: Kind) -> None:
    """Refuse what follows a number and is no unit: a second number, a range, a clock time."""
    first = unit[0]
    if first.isdigit() or first in ".,":
        hint = f'write the number without a space, such as "{text.replace(" ", "", 1)}"'
        raise QuantityError("two numbers", spec.expected, hint)
    if first in "-+±~" or unit.lower().startswith("to "):
        raise QuantityError("a range or a sum", spec.expected, "give one value")
    if first == ":":
        raise QuantityError("a clock time", spec.expected, 'write "1 h 30 min"')
    if first in "'\"" and unit[1:].strip():
        raise QuantityError(f'unit "{unit}" does not fit', spec.expected, 'write "5 ft 3 in"')


_SECOND_NUMBER = re.compile(r"[A-Za-z.] ?,? ?[0-9]")
_PART = re.compile(r"([0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?) ?([A-Za-z]+)\.?,?(?: +|(?=[0-9])|$)")


def _compound(text: str, kind: str, spec: Kind) -> float | None:
    """Read "4 lb 8 oz", "5 ft 3 in", "1 h 30 min". None where the text is not a run of numbers with units.

    Each unit must be smaller than the one before, only the last number may have decimals, and it must be less than
    one of the unit before: "5 ft 14 in" is refused, as a slip of the hand.
    """
    if not spec.parts:
        return None
    negative = text.startswith("-")
    body = text.lstrip("+- ")
    found = list(_PART.finditer(body))
    if len(found) < 2 or sum(len(m[0]) for m in found) != len(body):
        return None
    sizes = [_factor(kind, m[2]) for m in found]
    if not any(set(sizes) <= {_factor(kind, part) for part in family} for family in spec.parts):
        raise QuantityError("several units together", spec.expected, "give one number with one unit")
    total = 0.0
    for place, (match, size) in enumerate(zip(found, sizes, strict=True)):
        value, _ = leading(match[1])
        if place + 1 < len(found) and value != int(value):
            raise QuantityError("decimals before the last unit", spec.expected, "give one number with one unit")
        if place and (size >= sizes[place - 1] or value * size >= sizes[place - 1] * (1 - 1e-12)):
            hint = f"the part in {match[2]} must be less than one {found[place - 1][2]}"
            raise QuantityError("a part that is too large", spec.expected, hint)
        total += value * size
    return -total if negative else total
