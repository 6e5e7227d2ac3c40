"""Quantities in and out: what people write becomes SI, and SI becomes what they read. Pint is loaded only if needed."""

from __future__ import annotations

from monitor.site.quantity import KINDS, Kind, QuantityError, convert, parse
from monitor.site.wording import (
    KIND_OF_QUANTITY,
    colder_warmer,
    in_words,
    number,
    pair,
    precise,
    show,
    unit,
)

__all__ = [
    "KINDS",
    "KIND_OF_QUANTITY",
    "Kind",
    "QuantityError",
    "colder_warmer",
    "convert",
    "in_words",
    "number",
    "pair",
    "parse",
    "precise",
    "show",
    "unit",
]
