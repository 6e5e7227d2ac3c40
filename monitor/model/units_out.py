"""Numbers as the household reads them: SI in, text in US customary or metric units out. Pure and light.

The factors are exact by definition (international pound and inch, International Table Btu, standard gravity).
"""

from __future__ import annotations

from typing import Literal

from monitor.model.site import Units

Kind = Literal["mass", "length", "power", "pressure", "low_pressure", "temperature", "difference", "share", "mass_rate"]

POUND_KG = 0.45359237
INCH_M = 0.0254
BTU_J = 1055.05585262
PSI_PA = POUND_KG * 9.80665 / INCH_M**2
INCH_WATER_PA = 249.08891  # at 4 degC
DAY_S = 86_400.0
# A US gallon of liquid commercial propane at 60 degF: 4.24 lb, NFPA 58 table of properties; its own heating values,
# 91,502 Btu a gallon over 21,548 Btu a pound, give 4.246. Older editions print 4.20.
LIQUID_GALLON_KG = 4.24 * POUND_KG

# kind -> (unit, what to divide by, decimals) for each system
_US: dict[Kind, tuple[str, float, int]] = {
    "mass": ("lb", POUND_KG, 1),
    "length": ("in", INCH_M, 1),
    "power": ("Btu/h", BTU_J / 3600.0, 0),
    "pressure": ("psi", PSI_PA, 1),
    "low_pressure": ("inH2O", INCH_WATER_PA, 1),
    "difference": ("°F", 5.0 / 9.0, 0),
    "share": ("%", 0.01, 0),
    "mass_rate": ("lb/day", POUND_KG / DAY_S, 2),
}
_METRIC: dict[Kind, tuple[str, float, int]] = {
    "mass": ("kg", 1.0, 1),
    "length": ("cm", 0.01, 1),
    "power": ("kW", 1000.0, 1),
    "pressure": ("bar", 1e5, 2),
    "low_pressure": ("mbar", 100.0, 1),
    "difference": ("°C", 1.0, 1),
    "share": ("%", 0.01, 0),
    "mass_rate": ("kg/day", 1.0 / DAY_S, 2),
}


def number(value: float, kind: Kind, units: Units) -> float:
    """Return the SI `value` in the unit that `units` shows for `kind`, not rounded."""
    if kind == "temperature":
        celsius = value - 273.15
        return celsius * 1.8 + 32.0 if units == "us" else celsius
    _, factor, _ = (_US if units == "us" else _METRIC)[kind]
    return value / factor


def unit(kind: Kind, units: Units) -> str:
    """Return the name of the unit that `units` shows for `kind`."""
    if kind == "temperature":
        return "°F" if units == "us" else "°C"
    return (_US if units == "us" else _METRIC)[kind][0]


def show(value: float | None, kind: Kind, units: Units) -> str:
    """Return the SI `value` with its unit, e.g. "18,000 Btu/h"; an em dash where it is not known."""
    if value is None or value != value:  # noqa: PLR0124  NaN
        return "–"
    amount = number(value, kind, units)
    decimals = 0 if kind == "temperature" else (_US if units == "us" else _METRIC)[kind][2]
    if kind == "power" and units == "us":
        amount = round(amount / 500.0) * 500.0
    text = f"{amount:,.{decimals}f}"
    if float(text.replace(",", "")) == 0.0:
        text = text.lstrip("-")
    return f"{text} {unit(kind, units)}"


def distance(metres: float, units: Units) -> str:
    """Return a way driven, in miles or kilometres: "14 mi", "2.5 km"."""
    amount = metres / (1609.344 if units == "us" else 1000.0)
    return f"{amount:,.1f}".removesuffix(".0") + (" mi" if units == "us" else " km")


def duration(seconds: float | None) -> str:
    """Return a length of time as people say it: "40 min", "1 h 20 min", "3 days"."""
    if seconds is None or seconds != seconds:  # noqa: PLR0124  NaN
        return "–"
    minutes = round(abs(seconds) / 60.0)
    if minutes < 1:
        return "under a minute"
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {rest} min" if rest and hours < 6 else f"{round(minutes / 60)} h"
    return f"{round(minutes / 1440)} days"
