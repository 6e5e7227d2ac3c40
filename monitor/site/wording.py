"""How a value in SI is shown to a person, in US or metric units. No Pint here: this is on every command's path."""

from __future__ import annotations

import math

from monitor.model import units_out
from monitor.model.site import Units
from monitor.site.unit_table import BTU, FT, GALLON, PSI

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


# Kinds that only the site file and its commands show; the rest is shown as notices and the page show it.
_HERE: dict[str, tuple[tuple[str, float, int], tuple[str, float, int]]] = {
    "elevation": (("ft", FT, 0), ("m", 1.0, 0)),
    "pressure_absolute": (("psia", PSI, 1), ("hPa", 100.0, 0)),
    "speed": (("mph", 0.44704, 0), ("m/s", 1.0, 1)),
    "volume": (("gal", GALLON, 1), ("L", 1e-3, 1)),
    "energy": (("Btu", BTU, 0), ("kWh", 3.6e6, 1)),
    "echo_time": (("µs", 1e-6, 0), ("µs", 1e-6, 0)),
}
_SHARED: dict[str, units_out.Kind] = {
    "mass": "mass",
    "length": "length",
    "power": "power",
    "pressure": "pressure",
    "pressure_low": "low_pressure",
    "temperature": "temperature",
    "temperature_difference": "difference",
    "share": "share",
    "mass_rate": "mass_rate",
}


def unit(kind: str, units: Units) -> str:
    """Return the unit in which a kind is shown ("lb", "°C"); time, which has several, gives "min"."""
    if kind == "time":
        return "min"
    return units_out.unit(_SHARED[kind], units) if kind in _SHARED else _HERE[kind][units != "us"][0]


def number(value_si: float, kind: str, units: Units) -> float:
    """Return `value_si` in the unit that `unit` names, not rounded. Raises KeyError for a kind that is never shown."""
    if kind == "time":
        return value_si / 60.0
    if kind in _SHARED:
        return units_out.number(value_si, _SHARED[kind], units)
    return value_si / _HERE[kind][units != "us"][1]


def show(value_si: float | None, kind: str, units: Units) -> str:
    """Return `value_si` rounded, with its unit ("18,000 Btu/h", "-14 °C", "1 h 20 min"); a dash for None or NaN."""
    if kind == "time":
        return units_out.duration(value_si)
    if value_si is None or not math.isfinite(value_si) or kind in _SHARED:
        return units_out.show(value_si, _SHARED.get(kind, "share"), units)
    name, _, decimals = _HERE[kind][units != "us"]
    return f"{_unsigned_zero(f'{number(value_si, kind, units):,.{decimals}f}')} {name}"


def precise(value_si: float, kind: str, units: Units) -> str:
    """Return the value to four figures with its unit, for what a person wrote themselves: "10,240 Btu/h"."""
    value = number(value_si, kind, units)
    if not value or not math.isfinite(value):
        return f"{value:.0f} {unit(kind, units)}"
    decimals = 3 - math.floor(math.log10(abs(value)))
    text = f"{round(value, decimals):,.{max(0, decimals)}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit(kind, units)}"


def _unsigned_zero(text: str) -> str:
    return text if text.strip("-0.,") else text.lstrip("-")


def pair(value_si: float, kind: str) -> str:
    """Return the value in both systems, metric in brackets: "95.2 lb (43.18 kg)"; for text that serves everybody."""
    if kind == "time":
        return _time(value_si)
    first, second = precise(value_si, kind, "us"), precise(value_si, kind, "metric")
    return first if first == second else f"{first} ({second})"


def _time(seconds: float) -> str:
    """Return a time as it would be written in the file: the largest unit that gives a round number."""
    for name, size in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        count = seconds / size
        if count >= 1 and abs(count - round(count, 2)) < 1e-9:
            return f"{count:g} {name if count != 1 or name != 'days' else 'day'}"
    return f"{seconds:g} s"


def colder_warmer(difference_k: float, units: Units) -> str:
    """Return a difference of temperature in words: "2.1 °C colder", "4 °F warmer", "as warm"."""
    text = show(abs(difference_k), "temperature_difference", units)
    if not text.split(" ", 1)[0].strip("0.,"):
        return "as warm"
    return f"{text} {'colder' if difference_k < 0 else 'warmer'}"


def in_words(value_si: float, kind: str, units: Units, more: str = "more", less: str = "less") -> str:
    """Return a difference in words: "18,000 Btu/h less", "4.0 lb more", "the same"."""
    text = show(abs(value_si), kind, units)
    if kind == "time":
        return f"{text} {less if value_si < 0 else more}" if value_si else "the same"
    if not text.split(" ", 1)[0].strip("0.,"):
        return "the same"
    return f"{text} {less if value_si < 0 else more}"
