"""From what a sensor sent to a reading in SI, or to something set aside with the reason. Shared by every way in.

The order is: calibration table, scale, offset (all in the sensor's own unit), unit, hose allowance, plausibility.
No exception leaves `to_reading` or `set_aside`.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from datetime import datetime, timedelta
from functools import lru_cache

from monitor.model.reading import Quantity, Reading, SetAside
from monitor.model.site import SensorSpec, Site
from monitor.sensors import plausible
from monitor.sensors.sent import AHEAD_S, OLDEST_DAYS, Refused, Sent, printable, shorten
from monitor.site import units
from monitor.site.numerals import NumeralError, leading, tidy

# Words for "I do not know", and for the two states of a switch.
_UNKNOWN = frozenset({"unknown", "unavailable", "null", "none", "n/a"})
_ON = frozenset({"true", "on", "yes", "open", "opened", "active", "reserve", "detected", "1"})
_OFF = frozenset({"false", "off", "no", "closed", "shut", "inactive", "service", "clear", "0"})
_TEXT_LIMIT = 100
QUANTITY = {q.value: q for q in Quantity}
_BEYOND_TABLE = 0.05  # a calibration table is drawn out at its ends by so much of its span


def to_reading(
    spec: SensorSpec, site: Site, sent: Sent, received: datetime, raw: bytes | str = ""
) -> Reading | SetAside:
    """Return the reading that `sent` makes for the sensor `spec`, or what is kept of it with the reason."""
    try:
        time = _time(sent, received)
        value = None if sent.value is None else _value(spec, site, sent)
    except Refused as refused:
        return set_aside(spec, received, raw or str(sent.value), str(refused))
    return Reading(
        time=time,
        received=received,
        subject=spec.subject,
        quantity=QUANTITY[spec.quantity],
        value=value,
        source=spec.name,
        noise=spec.noise,
        age_known=sent.age_known or sent.time is not None,
    )


def set_aside(spec: SensorSpec, received: datetime, raw: bytes | str, reason: str, size: int | None = None) -> SetAside:
    """Return what is kept of something that cannot be used; `size` is that of the whole where `raw` is a part."""
    # The reason may quote what was sent: half a surrogate pair, say, which no database takes.
    return SetAside(received, spec.name, spec.subject, spec.quantity, shorten(raw, size), printable(reason))


def _time(sent: Sent, received: datetime) -> datetime:
    if sent.time is None:
        return received
    if sent.time > received + timedelta(seconds=AHEAD_S):
        raise Refused(f"time {sent.time:%Y-%m-%d %H:%M} UTC lies in the future: the sender's clock is wrong")
    if sent.time < received - timedelta(days=OLDEST_DAYS):
        raise Refused(f"time {sent.time:%Y-%m-%d %H:%M} UTC is over {OLDEST_DAYS:.0f} days ago: is the clock right?")
    return min(sent.time, received)


def _value(spec: SensorSpec, site: Site, sent: Sent) -> float | None:
    """Return the value in SI; None where the sender says in words that it does not know. Raises Refused."""
    quantity = QUANTITY[spec.quantity]
    number, unit = sent.value, sent.unit
    if quantity in plausible.SWITCHES and (state := _switch(number)) is not None:
        number = state
    if isinstance(number, bool):
        raise Refused("a truth value where a number was expected")
    if isinstance(number, str):
        if number.strip().lower() in _UNKNOWN:
            return None
        number, unit = _from_text(number, unit)
    if number is None:
        return None
    if not math.isfinite(number):
        raise Refused(f"{number} is no finite number")
    return plausible.check(quantity, to_si(spec, quantity, number, unit or spec.unit), site, spec.subject)


def to_si(spec: SensorSpec, quantity: Quantity, number: float, unit: str) -> float:
    """Return `number` as sent, calibrated, in the quantity's SI unit. Raises Refused where the unit does not fit."""
    calibrated = (_from_table(spec.table, number) if spec.table else number) * spec.scale + spec.offset
    kind = units.KIND_OF_QUANTITY.get(quantity.value)
    if not math.isfinite(calibrated):
        raise Refused(f"{calibrated} is no finite number")
    if kind is None:
        if unit not in {"", "1", "dBm"}:
            raise Refused(f'another unit: "{shorten(unit)}" where {quantity.value} has none')
        return calibrated
    if kind == "share" and unit == "1":
        unit = ""  # SenML's ratio, said in the payload
    try:
        zero, factor = _line(unit, kind)
    except units.QuantityError as error:
        raise Refused(f'another unit: "{shorten(unit)}" does not fit {quantity.value}; {error.expected}') from None
    value = zero + factor * calibrated
    if quantity is Quantity.GROSS_WEIGHT:
        value -= float(spec.options.get("allowance_kg", 0.0))  # hose and regulator that the scale carries as well
    return value


@lru_cache(maxsize=256)
def _line(unit: str, kind: str) -> tuple[float, float]:
    """Return what 0 of a unit is in SI, and how much one more is: every unit here is a straight line."""
    zero = units.convert(0.0, unit, kind)
    return zero, units.convert(1.0, unit, kind) - zero


def _switch(value: object) -> float | None:
    """Return 1 or 0 for a switch's state in whatever way it is written; None where it is a plain number or unknown."""
    if isinstance(value, bool):
        return float(value)
    if isinstance(value, str):
        word = value.strip().lower()
        return 1.0 if word in _ON else 0.0 if word in _OFF else None
    return None


def _from_text(text: str, unit: str) -> tuple[float, str]:
    """Return number and unit of a text such as "52.4 lb"; a unit beside the number goes before one given elsewhere."""
    if len(text) > _TEXT_LIMIT:
        raise Refused(f"text of {len(text):,} characters where a number was expected")
    plain = text
    try:
        number = float(plain)  # as programs write it: exponent and all
    except ValueError:
        plain = tidy(text)
        try:
            number, named = leading(plain)
        except NumeralError as error:
            raise Refused(f'"{shorten(plain)}" is not a number: {error.why}; {error.hint}') from None
        return number, named or unit
    if "_" in plain or not math.isfinite(number):
        raise Refused(f'"{shorten(plain)}" is no finite number')
    return number, unit


def _from_table(table: tuple[tuple[float, float], ...], sent: float) -> float:
    """Return the true value by the calibration table, linear between its points (rising by what is sent)."""
    sends = [point[0] for point in table]
    margin = _BEYOND_TABLE * (sends[-1] - sends[0])
    if not sends[0] - margin <= sent <= sends[-1] + margin:
        raise Refused(f"{sent:g} lies outside the calibration table ({sends[0]:g} to {sends[-1]:g})")
    place = min(max(bisect_right(sends, sent), 1), len(table) - 1)
    (x0, y0), (x1, y1) = table[place - 1], table[place]
    return y0 + (y1 - y0) * (sent - x0) / (x1 - x0)
