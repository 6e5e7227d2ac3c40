"""How a value in SI is shown to a person, in US or metric units. No Pint here: this is on every command's path."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.model.site import Units
from monitor.site.unit_table import BTU, DAY, FT, GALLON, HOUR, IN_H2O, LB, PSI

KIND_OF_QUANTITY: dict[str, str] = {
    "gross_weight": "mass",
    "propane_left": "mass",
    "share_of_full": "share",
    "gauge_percent": "share",
    "liquid_height": "length",
    "height_from_top": "length",
    "echo_time": "time",
    "liquid_volume": "volume",
    "container_pressure": "pressure",
    "air_temperature": "temperature",
    "wall_temperature": "temperature",
    "battery": "share",
}  # valve, changeover, gas_detected and signal have no unit that a person would choose


@dataclass(frozen=True, slots=True)
class Style:
    """One way to show a kind: shown = value / factor + offset, with so many decimals, or rounded to a step."""

    unit: str
    factor: float
    offset: float = 0.0
    decimals: int = 0
    step: float = 0.0


_STYLES: dict[str, tuple[Style, Style]] = {
    "mass": (Style("lb", LB, decimals=1), Style("kg", 1.0, decimals=1)),
    "length": (Style("in", 0.0254, decimals=1), Style("mm", 1e-3)),
    "elevation": (Style("ft", FT), Style("m", 1.0)),
    "power": (Style("Btu/h", BTU / HOUR, step=500.0), Style("kW", 1e3, decimals=1)),
    "pressure": (Style("psi", PSI, decimals=1), Style("bar", 1e5, decimals=2)),
    "pressure_low": (Style("in. w.c.", IN_H2O, decimals=1), Style("mbar", 100.0, decimals=1)),
    "pressure_absolute": (Style("psia", PSI, decimals=1), Style("hPa", 100.0)),
    "temperature": (Style("°F", 5 / 9, offset=-459.67), Style("°C", 1.0, offset=-273.15)),
    "temperature_difference": (Style("°F", 5 / 9, decimals=1), Style("°C", 1.0, decimals=1)),
    "speed": (Style("mph", 0.44704), Style("m/s", 1.0, decimals=1)),
    "volume": (Style("gal", GALLON, decimals=1), Style("L", 1e-3, decimals=1)),
    "share": (Style("%", 0.01), Style("%", 0.01)),
    "mass_rate": (Style("lb/day", LB / DAY, decimals=2), Style("kg/day", 1 / DAY, decimals=2)),
    "energy": (Style("Btu", BTU), Style("kWh", 3.6e6, decimals=1)),
    "echo_time": (Style("µs", 1e-6), Style("µs", 1e-6)),
}


def _style(kind: str, units: Units) -> Style:
    us, metric = _STYLES[kind]
    return us if units == "us" else metric


def unit(kind: str, units: Units) -> str:
    """Return the unit in which a kind is shown ("lb", "°C"); time has several and gives "min"."""
    return "min" if kind == "time" else _style(kind, units).unit


def number(value_si: float, kind: str, units: Units) -> float:
    """Return `value_si` in the unit that `unit` names, not rounded. Raises KeyError for a kind never shown."""
    if kind == "time":
        return value_si / 60.0
    style = _style(kind, units)
    return value_si / style.factor + style.offset


def _rounded(value: float, style: Style) -> str:
    if style.step:
        # A small heater must not be rounded to nothing.
        step = style.step if abs(value) >= 10 * style.step else style.step / 10
        value = round(value / step) * step
    text = f"{value:,.{style.decimals}f}"
    return text.lstrip("-") if not text.strip("-0.,") else text


def show(value_si: float | None, kind: str, units: Units) -> str:
    """Return `value_si` rounded, with its unit ("18,000 Btu/h", "-14 °C", "1 h 20 min"); "unknown" for None or NaN."""
    if value_si is None or not math.isfinite(value_si):
        return "unknown"
    if kind == "time":
        return _duration(value_si)
    style = _style(kind, units)
    return f"{_rounded(number(value_si, kind, units), style)} {style.unit}"


def _duration(seconds: float) -> str:
    sign = "-" if seconds < 0 else ""
    seconds = abs(seconds)
    if seconds < 90:
        return f"{sign}{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{sign}{minutes} min"
    if minutes < 48 * 60:
        hours, rest = divmod(minutes, 60)
        return f"{sign}{hours} h {rest} min" if rest and hours < 10 else f"{sign}{round(minutes / 60)} h"
    return f"{sign}{round(seconds / DAY)} days"


def pair(value_si: float | None, kind: str) -> str:
    """Return the value in both systems, metric in brackets: "95.2 lb (43.2 kg)"; for text that serves everybody."""
    first, second = show(value_si, kind, "us"), show(value_si, kind, "metric")
    return first if first == second else f"{first} ({second})"


def colder_warmer(difference_k: float, units: Units) -> str:
    """Return a difference of temperature in words: "2.1 °C colder", "3.8 °F warmer", "as warm"."""
    text = show(abs(difference_k), "temperature_difference", units)
    if not text.split(" ", 1)[0].strip("0.,"):
        return "as warm"
    return f"{text} {'colder' if difference_k < 0 else 'warmer'}"


def in_words(value_si: float, kind: str, units: Units, more: str = "more", less: str = "less") -> str:
    """Return a difference in words: "18,000 Btu/h less", "4.0 lb more", "the same"."""
    text = show(abs(value_si), kind, units)
    if not text.split(" ", 1)[0].strip("0.,"):
        return "the same"
    return f"{text} {less if value_si < 0 else more}"
