"""Readers of single values that are no plain quantity: hours, dates, mixtures, addresses, prices.

Each takes what TOML gave and returns what the model holds, or raises QuantityError with the form that was expected.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Callable, Iterable
from typing import Any, Final

from monitor.model.site import Gas
from monitor.model.units_out import LIQUID_GALLON_KG
from monitor.site.quantity import QuantityError, convert, parse
from monitor.site.settings import Setting

WHEN = 'hours of the local clock such as "05-23" (from 5:00 until 23:00)'
_HOURS = re.compile(r"(\d{1,2})(?::?00)?\s*(?:-|to)\s*(\d{1,2})(?::?00)?")
_MONTH = re.compile(r"(\d{4})-(\d{2})(?:-(\d{2}))?")
WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def closest(word: str, words: Iterable[str]) -> str:
    """Return the one of `words` that is closest to `word`, "" where none is close."""
    choices = {w.lower(): w for w in words}
    found = difflib.get_close_matches(word.lower().strip(), choices, n=1, cutoff=0.6)
    return choices[found[0]] if found else ""


def close_to(word: str, words: Iterable[str]) -> str:
    """Return `did you mean "…"?` for the closest of `words`, "" where none is close."""
    found = closest(word, words)
    return f'did you mean "{found}"?' if found else ""


def hours(value: object) -> tuple[int, int]:
    """Return first and last hour of "05-23": burning from the first until the start of the last, past midnight too."""
    text = value.strip().replace("–", "-") if isinstance(value, str) else ""
    match = _HOURS.fullmatch(text)
    if match is None:
        hint = 'write whole hours on the 24-hour clock in quotes; "00-24" is all day'
        if "," in text or ";" in text:
            hint = "one stretch only: write the one that holds them all"
        elif re.search(r"[ap]\.?m", text, re.IGNORECASE):
            hint = 'write the 24-hour clock: 11 pm is 23, so "05-23"'
        elif re.search(r":\d[1-9]|:[1-9]\d", text):
            hint = 'whole hours only: "05:30-22:00" becomes "05-22"'
        raise QuantityError("not a stretch of hours", WHEN, hint)
    first, last = int(match[1]), int(match[2])
    if first > 23 or last > 24:
        raise QuantityError("an hour that no day has", WHEN, "hours run from 00 to 24")
    if first == last:
        raise QuantityError("a stretch without length", WHEN, '"00-24" is all day; continuous = true for a heater')
    return first, last


def date(value: object) -> str:
    """Return a date of manufacture or test as "YYYY-MM" or "YYYY-MM-DD"."""
    form = 'a month such as "2019-04"'
    if isinstance(value, dt.date):
        return value.isoformat()[:10]
    match = _MONTH.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise QuantityError("not a month", form, 'a stamp "04-19" is April 2019: write "2019-04"')
    try:
        dt.date(int(match[1]), int(match[2]), int(match[3] or 1))
    except ValueError:
        raise QuantityError("a date that no calendar has", form, "year first, then month") from None
    if not 1900 <= int(match[1]) <= 2200:
        raise QuantityError("a year that cannot be meant", form)
    return match[0]


_PARTS = ("propane", "n_butane", "isobutane", "propylene")


def gas(value: object) -> Gas:
    """Return the mixture: a name ("propane", "butane") or a table of mole shares that add to 1."""
    form = '"propane" or shares by mole such as { propane = 0.95, n_butane = 0.05 }'
    if isinstance(value, str):
        plain = {"propane": Gas(), "hd-5": Gas(), "butane": Gas(propane=0.0, n_butane=1.0)}
        plain["n-butane"] = plain["n_butane"] = plain["butane"]
        plain["isobutane"] = Gas(propane=0.0, isobutane=1.0)
        if value.strip().lower() not in plain:
            raise QuantityError("not a gas that is known", form, close_to(value, plain))
        return plain[value.strip().lower()]
    if not isinstance(value, dict) or not value:
        raise QuantityError("not a mixture", form)
    shares: dict[str, float] = {}
    for name, share in value.items():
        part = str(name).replace("-", "_")
        if part not in _PARTS:
            raise QuantityError(
                f'no part called "{name}"', form, close_to(str(name), _PARTS) or "parts: " + ", ".join(_PARTS)
            )
        shares[part] = parse(share, "share")
    total = sum(shares.values())
    if min(shares.values()) < 0 or not 0.98 <= total <= 1.02:
        raise QuantityError(f"shares that add to {total:g}", form, "they must add to 1")
    return Gas(**{part: shares.get(part, 0.0) / total for part in _PARTS})


def address(value: object) -> str:
    """Return "host:port" for where to listen."""
    form = 'an address and port such as "127.0.0.1:8087"'
    match = re.fullmatch(r"(\[[0-9a-fA-F:.]+\]|[\w.-]+):(\d{1,5})", value.strip()) if isinstance(value, str) else None
    if match is None or not 0 <= int(match[2]) <= 65535:
        raise QuantityError("not an address with a port", form, "an IPv6 address stands in brackets")
    return match[0]


def url(value: object) -> str:
    """Return a web address; "" stays empty."""
    form = 'a web address such as "https://example.org/"'
    if not isinstance(value, str):
        raise QuantityError("not a web address", form)
    text = value.strip()
    if text and not re.fullmatch(r"https?://[^\s/?#]+(?:[/?#]\S*)?", text):
        hint = f'write "https://{text}"' if re.fullmatch(r"[\w.-]+\.\w+(/\S*)?", text) else ""
        raise QuantityError("not a web address", form, hint)
    return text


def price(value: object) -> float:
    """Return a price a kilogram from "3.80 / gal", "1.10 / lb", "2.40 / kg", "1.20 / L"."""
    form = 'a price such as "3.80 / gal" or "2.40 / kg"'
    match = re.fullmatch(r"([0-9.,]+)\s*(?:/|per)\s*([A-Za-z]+)", value.strip()) if isinstance(value, str) else None
    if match is None:
        raise QuantityError("not a price by weight or volume", form, "without the sign of the money")
    amount = parse(f"{match[1]} kg", "mass")  # the number's own checks; the unit is only borrowed
    try:
        return amount / convert(1.0, match[2], "mass")
    except QuantityError:
        try:
            gallons = convert(1.0, match[2], "volume") / convert(1.0, "gal", "volume")
        except QuantityError:
            raise QuantityError(f'unit "{match[2]}" does not fit', form) from None
        return amount / (gallons * LIQUID_GALLON_KG)


def per_distance(value: object) -> float:
    """Return money a metre from "0.30 / mi" or "0.20 / km"."""
    form = 'money by distance such as "0.30 / mi" or "0.20 / km"'
    match = re.fullmatch(r"([0-9.,]+)\s*(?:/|per)\s*([A-Za-z]+)", value.strip()) if isinstance(value, str) else None
    if match is None:
        raise QuantityError("not money by distance", form, "without the sign of the money")
    amount = parse(f"{match[1]} kg", "mass")  # the number's own checks; the unit is only borrowed
    try:
        return amount / convert(1.0, match[2], "length")
    except QuantityError:
        raise QuantityError(f'unit "{match[2]}" does not fit', form) from None


def _flag(value: object) -> bool:
    if isinstance(value, bool):
        return value
    raise QuantityError("neither true nor false", "true or false", "without quotes")


def real(value: object) -> float:
    """Return a plain number, which must be finite and not absurd."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) <= 1e15:
        raise QuantityError("not a number", "a number without quotes")
    return float(value)


def _count(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise QuantityError("not a whole number", "a whole number without quotes")
    return value


def text(value: object) -> str:
    """Return a string without control characters."""
    if not isinstance(value, str) or any(ord(c) < 32 for c in value):
        raise QuantityError("not a text", "a text in quotes")
    return value


def texts(value: object) -> tuple[str, ...]:
    """Return a list of strings."""
    if not isinstance(value, (list, tuple)):
        raise QuantityError("not a list", 'a list of texts such as ["a", "b"]')
    return tuple(text(item) for item in value)


def _shares(value: object) -> tuple[float, ...]:
    items = value if isinstance(value, (list, tuple)) else [value]
    if not items:
        raise QuantityError("an empty list", 'shares such as ["20 %", "15 %"]')
    found = tuple(parse(item, "share") for item in items)
    if list(found) != sorted(set(found), reverse=True):
        raise QuantityError("out of order", 'shares such as ["20 %", "15 %"]', "the higher one first, each once")
    return found


def _days(value: object) -> tuple[int, ...]:
    known = {name.lower(): day for day, name in enumerate(WEEKDAYS)}
    days = [known.get(item[:3].lower()) for item in texts(value)]
    if not days or None in days:
        raise QuantityError("not a list of weekdays", 'weekdays such as ["Tue", "Sat"]')
    return tuple(sorted({day for day in days if day is not None}))


def _any(value: object) -> object:
    """Return what TOML gave: whoever takes the option reads it."""
    return value


def pipe_size(value: object) -> str:
    """Return the nominal size of a pipe without its inch mark: "3/4", "1-1/4"; corrugated tubing has an EHD number."""
    form = 'a nominal size such as "1/2" or "1-1/4", or for corrugated tubing its EHD number such as "19"'
    if isinstance(value, bool) or not isinstance(value, (str, int)):
        raise QuantityError("not a size", form, "in quotes, as printed on it")
    found = re.sub(r"^ehd\s*", "", str(value).strip().lower().replace("inches", "in").replace("inch", "in"))
    found = re.sub(r"\s*(?:in\.?|\")$", "", found)
    found = re.sub(r"^(\d+)\s+(\d+/\d+)$", r"\1-\2", found)
    if not re.fullmatch(r"\d{1,2}(?:-\d/\d)?|\d/\d", found):
        raise QuantityError("not a size", form, "as printed on the pipe or tubing")
    return found


READERS: dict[str, Callable[[object], Any]] = {
    "flag": _flag, "factor": real, "money": real, "count": _count, "text": text, "texts": texts, "file": text,
    "choice": text,
    "choices": texts,
    "any": _any, "hours": hours, "shares": _shares, "days": _days, "address": address, "url": url, "price": price,
    "per_distance": per_distance,
}  # fmt: skip


def setting(spec: Setting, value: object) -> Any:
    """Return the value of a setting as the program holds it; raise QuantityError where it does not fit."""
    reader = READERS.get(spec.kind)
    found: Any = reader(value) if reader else parse(value, spec.kind)
    for word in (found,) if spec.kind == "choice" else found if spec.kind == "choices" else ():
        if word not in spec.choices:
            raise QuantityError("not a choice", "one of " + ", ".join(spec.choices), close_to(word, spec.choices))
    numbers = found if spec.kind == "shares" else (found,)
    for one in numbers:
        if isinstance(one, (int, float)) and not isinstance(one, bool):
            _bounds(spec, float(one))
    return found


def _bounds(spec: Setting, value: float) -> None:
    if (spec.low is not None and value < spec.low) or (spec.high is not None and value > spec.high):
        far = spec.high is None or (spec.kind == "time" and spec.high > 1e9)  # no bound that a person would meet
        span = f"at least {bound(spec.low, spec.kind)}"
        if not far:
            span = f"from {bound(spec.low, spec.kind)} to {bound(spec.high, spec.kind)}"
        raise QuantityError("out of range", span, f"the default is {bound(spec.default, spec.kind)}")


def bound(value: Any, kind: str) -> str:
    """Return a bound or default of a setting as a person would write it, in both unit systems where they differ."""
    from monitor.site.wording import pair

    if value is None:
        return "none"
    if kind == "shares":
        return ", ".join(bound(v, "share") for v in value) if isinstance(value, tuple) else f"{100 * value:g} %"
    if kind == "share":
        return f"{100 * value:g} %"
    if kind == "hours":
        return f"{value[0]:02}-{value[1]:02}"
    if kind == "days":
        return ", ".join(WEEKDAYS[day] for day in value)
    if kind in READERS:
        return str(value).lower() if isinstance(value, bool) else str(value)
    return pair(value, kind)
