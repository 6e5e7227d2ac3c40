"""What each kind of entry holds: its fields, how they are written, and what must be there."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from monitor.model import units_out
from monitor.model.errors import Problem
from monitor.model.site import Units
from monitor.site import units
from monitor.site.fit_out import NAMES

Choices = tuple[str, ...]
METHODS: Choices = ("volumetric", "proof pressure", "external visual")
RESULTS: Choices = ("tight", "leak")
_MONTH = re.compile(r"(19|20)\d\d-(0[1-9]|1[0-2])")


@dataclass(frozen=True, slots=True)
class Field:
    """One value of an entry: its key in the payload, its option, and its kind: a kind of quantity, "money", "month",
    "text", "steps" (of the first-start sheet) or a tuple of choices."""

    key: str
    option: str
    kind: str | Choices
    needed: bool = False
    example: str = ""


_PRICE = Field("price", "price", "money", example="14.60")
_WHERE, _NOTE = Field("where", "where", "text"), Field("note", "note", "text")
_TARE = Field("tare_kg", "tare", "mass", example="17.1 lb")
_WATER = Field("water_capacity_kg", "water-capacity", "mass", example="47.6 lb")
_DATES = (
    Field("manufactured", "manufactured", "month", example="2024-05"),
    Field("requalified", "requalified", "month", example="2024-05"),
    Field("requalification", "requalification", METHODS),
)
_BOUGHT = (Field("made", "made", "month", example="2024-05"), _PRICE, _NOTE)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of entry: what it is called, whether it is of a cylinder ("either": or of the site), its fields."""

    title: str
    of_cylinder: bool | str
    fields: tuple[Field, ...]
    ahead: bool = False  # its time is still to come


def _needed(field: Field) -> Field:
    return Field(field.key, field.option, field.kind, True, field.example)


KINDS: Mapping[str, Kind] = {
    "fill": Kind("Filled", True, (
        Field("before_gross_kg", "before", "mass", example="20.4 lb"),
        Field("after_gross_kg", "after", "mass", example="38.1 lb"),
        Field("paid_kg", "paid", "mass", example="17.5 lb"), _PRICE, _WHERE, _NOTE)),
    "exchange": Kind("Exchanged", True, (
        _needed(_TARE), _needed(_WATER), Field("full_kg", "full", "mass", example="20 lb"),
        Field("gross_kg", "weighs", "mass", example="32.0 lb"),
        Field("outside_diameter_m", "outside-diameter", "length", example="12.2 in"), *_DATES, _PRICE, _WHERE, _NOTE)),
    "purchase": Kind("Bought", "either", (Field("what", "what", "text", True), _needed(_PRICE), _NOTE)),
    "trip": Kind("Trip", False, (
        Field("cost", "cost", "money", example="6.50"), Field("distance_m", "distance", "length", example="14 mi"),
        Field("duration_s", "duration", "time", example="50 min"), _NOTE)),
    "leak-check": Kind("Leak check", False, (
        Field("result", "result", RESULTS, True), Field("method", "method", "text"), _NOTE)),
    "regulator": Kind("Regulator replaced", False, (
        Field("rating_w", "rating", "power", example="200,000 Btu/h"),
        Field("pressure_pa", "pressure", "pressure", example="11 inH2O"), *_BOUGHT)),
    "hose": Kind("Hose replaced", False, _BOUGHT),
    "marks": Kind("Marks read", True, (_TARE, _WATER, *_DATES, _NOTE)),
    "first-start": Kind("First start", False, (Field("steps", "steps", "steps", True, "air; leak check"), _NOTE)),
    "planned-refill": Kind("Refill planned", "either", (_NOTE,), ahead=True),
    "delivery": Kind("Delivered", False, (Field("mass_kg", "mass", "mass", example="250 lb"), _PRICE, _NOTE)),
}  # fmt: skip


_KIND_OF: Mapping[str, units_out.Kind] = {"_kg": "mass", "_m": "length", "_pa": "pressure", "_w": "power"}


def told(payload: Mapping[str, Any], system: Units, currency: str) -> str:
    """Return what an entry says, in one line, in the household's units and money."""
    parts = []
    for name, value in payload.items():
        if value is None or value == "" or name == "readings":
            continue
        kind = next((k for end, k in _KIND_OF.items() if name.endswith(end)), None)
        plain = re.sub(r"_(kg|m|pa|w|s)$", "", name).replace("_", " ")
        if name == "distance_m":
            parts.append(f"{plain} {units_out.distance(float(value), system)}")
        elif name == "duration_s":
            parts.append(f"{plain} {units_out.duration(float(value))}")
        elif kind is not None:
            parts.append(f"{plain} {units_out.show(float(value), kind, system)}")
        elif name in {"price", "cost"}:
            parts.append(f"{plain} {float(value):,.2f} {currency}".rstrip())
        else:
            parts.append(f"{plain} {', '.join(map(str, value)) if isinstance(value, list) else value}")
    return "; ".join(parts)


@lru_cache(maxsize=4096)
def _quantity(text: str, kind: str) -> float:
    return units.parse(text, kind)


def _steps(text: str, key: str, problems: list[Problem]) -> list[str]:
    """Steps of the first-start sheet, parted by ; or , and also as a list in JSON or as an export writes one."""
    told = [part.strip(" '\"").lower() for part in re.split(r"[;,]", text.strip("[] "))]
    problems += [Problem(key, f'"{name}"', f"steps of {', '.join(NAMES)}") for name in told if name not in NAMES]
    return [name for name in NAMES if name in told]


def value(field: Field, text: str, key: str, now: datetime, problems: list[Problem]) -> Any:
    """Return what `text` means for the field, SI; None with a problem noted under `key` where it means nothing."""
    if isinstance(field.kind, tuple):
        if text.lower() in field.kind:
            return text.lower()
        problems.append(Problem(key, f'"{text}"', " or ".join(f'"{c}"' for c in field.kind)))
    elif field.kind == "text":
        return text[:300]
    elif field.kind == "steps":
        return _steps(text, key, problems)
    elif field.kind == "month":
        if _MONTH.fullmatch(text) and text <= f"{now:%Y-%m}":
            return text
        problems.append(Problem(key, f'"{text}"', "a year and a month such as 2024-05, not to come"))
    elif field.kind == "money":
        if re.fullmatch(r"\d{1,9}(\.\d{1,4}|,\d{1,2})?", text):  # "1,250" could be either: it is asked for again
            return float(text.replace(",", "."))
        problems.append(Problem(key, f'"{text}"', f"an amount without its sign, such as {field.example}"))
    else:
        try:
            found = _quantity(text, field.kind)
        except units.QuantityError as error:
            expected, hint = error.expected, error.hint
            if field.key == "distance_m":  # a length too, but nobody drives inches
                expected, hint = 'a distance such as "14 mi" or "22 km"', ""
            problems.append(Problem(key, f'"{text}"', expected, hint))
            return None
        if found >= 0.0:
            return found
        problems.append(Problem(key, f'"{text}"', "not less than nothing"))
    return None
