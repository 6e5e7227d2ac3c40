"""Reading one number the way people write it, without ever taking it for another one.

A decimal comma is taken where it can be nothing else ("0,7", "12,5"). Where a comma or a space may as well separate
thousands ("1,234"), the number is refused with a hint: a wrong factor of a thousand is worse than a question.
"""

from __future__ import annotations

import math
import re

# Spaces, minus signs and letters that look like ours but are other code points. Nothing else beyond ASCII may be in a
# number; a blanket Unicode normalisation would turn "10²" into 102 and "12½" into 121/2.
_SAME = {
    **dict.fromkeys("\u00a0\u2002\u2003\u2007\u2009\u200a\u202f\t", " "),
    **dict.fromkeys("\u2212\ufe63\uff0d\u2012", "-"),
    "\u2013": "-",
    "\u00b5": "u",
    "\u03bc": "u",
    "\u2103": "°C",
    "\u2109": "°F",
    "\u00ba": "°",
    "\u02da": "°",
    "\u00b7": "*",
    "\u22c5": "*",
    "\u2044": "/",
    "\u2215": "/",
    "\u00bd": " 1/2",
    "\u00bc": " 1/4",
    "\u00be": " 3/4",
    "\u215b": " 1/8",
    "\u215c": " 3/8",
    "\u215d": " 5/8",
    "\u215e": " 7/8",
    "\u2082": "2",  # H₂O
    "\u2032": "'",
    "\u2033": '"',
}
_TABLE = str.maketrans(_SAME)
_HIGH = re.compile(r"(?<=[A-Za-z])[²³]")

_PLAIN = re.compile(r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+")
_FRACTION = re.compile(r"(?:([0-9]+)(?: +|-))?([0-9]+) ?/ ?([0-9]+)(?![0-9.,/])")
# Everything that belongs to a written number, right or wrong; what follows it is the unit.
_NUMERAL = re.compile(r"[0-9][0-9.,_]*|\.[0-9][0-9.,_]*")
_EXPONENT = re.compile(r"[eE][+-]?[0-9]+(?![0-9.,])")
_NOT_A_NUMBER = re.compile(r"[+-]?(?:(?:nan|inf(?:inity)?)\b|∞)", re.IGNORECASE)


class NumeralError(ValueError):
    """A number that cannot be read, or could be read in two ways. `hint` says how to write it."""

    def __init__(self, why: str, hint: str) -> None:
        self.why = why
        self.hint = hint
        super().__init__(f"{why}: {hint}")


def tidy(text: str) -> str:
    """Return `text` with look-alike spaces, minus signs, fractions and degree signs in their plain form."""
    high = _HIGH.sub(lambda m: "2" if m[0] == "²" else "3", text)
    return re.sub(r" +", " ", high.translate(_TABLE)).strip()


def _decimal_comma(numeral: str) -> str:
    """Return a numeral with exactly one comma and no point with a decimal point instead, or refuse it."""
    whole, _, part = numeral.partition(",")
    if not part or not whole:
        raise NumeralError("a comma without digits on both sides", f'write "{numeral.strip(",")}" or "0.5"')
    if len(part) == 3 and whole.lstrip("0"):
        if whole.startswith("0") or len(whole) > 3:
            return f"{whole}.{part}"  # "0012,345" and "1234,567" cannot be thousands
        raise NumeralError(
            "a comma that may mark thousands or decimals",
            f'write "{whole}{part}" or "{whole}.{part}", whichever is meant',
        )
    return f"{whole}.{part}"


def _plain(numeral: str) -> str:
    """Return a numeral of digits, points, commas and underscores as digits with at most one decimal point."""
    if _PLAIN.fullmatch(numeral):
        return numeral
    if "_" in numeral:
        raise NumeralError("an underscore in a number", f'write "{numeral.replace("_", "")}"')
    points, commas = numeral.count("."), numeral.count(",")
    if commas == 1 and not points:
        return _decimal_comma(numeral)
    if points and commas:
        raise NumeralError(
            "both a comma and a point in a number",
            "leave thousands marks out and write one decimal point, such as 1234.5",
        )
    grouped = re.fullmatch(r"[0-9]{1,3}(?:[.,][0-9]{3})+", numeral)
    hint = f'leave thousands marks out: "{re.sub("[.,]", "", numeral)}"' if grouped else "write one decimal point"
    raise NumeralError("more than one mark in a number", hint)


def leading(text: str) -> tuple[float, str]:
    """Split tidied `text` into its leading number and what follows it.

    Raises NumeralError where the text does not begin with a number, where the number can be read in two ways, or
    where it is not finite.
    """
    if _NOT_A_NUMBER.match(text):
        raise NumeralError("not a finite number", "leave the key out where the value is not known")
    sign = -1.0 if text[:1] == "-" else 1.0
    body = text[1:].lstrip() if text[:1] in {"+", "-"} else text
    if fraction := _FRACTION.match(body):
        whole, top, bottom = (int(g or 0) for g in fraction.groups())
        if not bottom:
            raise NumeralError("a fraction over nothing", "write a decimal number")
        if top >= bottom and fraction[1]:
            raise NumeralError("a fraction that is not below one", f'write "{whole + top / bottom:g}"')
        return sign * (whole + top / bottom), body[fraction.end() :].strip()
    found = _NUMERAL.match(body)
    if found is None:
        raise NumeralError("no number at the start", "begin with the number, then the unit")
    numeral = found[0]
    rest = body[found.end() :]
    if numeral.endswith(",") or (numeral.endswith(".") and not rest.strip()):
        raise NumeralError("a number that stops at its decimal mark", f'write "{numeral[:-1]}"')
    exponent = _EXPONENT.match(rest)
    value = float(_plain(numeral) + (exponent[0] if exponent else ""))
    rest = rest[exponent.end() :] if exponent else rest
    if not math.isfinite(value):
        raise NumeralError("not a finite number", "the number is too large")
    return sign * value, rest.strip()
