"""What a person reads off and types in: the ways to say it, and how far each can be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from monitor.model.errors import BadInput, Problem
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from monitor.sensors import plausible
from monitor.sensors.sent import Refused
from monitor.site import units

SOURCE = "hand"
# The line where a cylinder wetted with warm water feels cold: one sd, as share of the shell's volume (our judgement,
# no source), and as height.
LINE_NOISE_SHARE, LINE_NOISE_M = 0.10, 0.05


@dataclass(frozen=True, slots=True)
class Way:
    """One option of `boiloff reading`: which quantity it tells, of what kind, of the site or of a cylinder."""

    quantity: Quantity
    kind: str
    of_site: bool = False


WAYS: Mapping[str, Way] = {
    "weighs": Way(Quantity.GROSS_WEIGHT, "mass"),
    "left": Way(Quantity.PROPANE_LEFT, "mass"),
    "share": Way(Quantity.SHARE_OF_FULL, "share"),
    "gauge": Way(Quantity.GAUGE_PERCENT, "share"),
    "height": Way(Quantity.LIQUID_HEIGHT, "length"),
    "line": Way(Quantity.GAUGE_PERCENT, "share"),
    "pressure": Way(Quantity.CONTAINER_PRESSURE, "pressure"),
    "valve": Way(Quantity.VALVE, "switch"),
    "air": Way(Quantity.AIR_TEMPERATURE, "temperature", of_site=True),
}
_PARTS = {"full": "100 %", "three quarters": "75 %", "half": "50 %", "a third": "33.3 %", "a quarter": "25 %"}
_STATES = {"open": 1.0, "closed": 0.0, "shut": 0.0}


def readings(
    site: Site,
    cylinder: str | None,
    said: Mapping[str, str],
    time: datetime,
    received: datetime,
    *,
    corrects: int | None = None,
    note: str = "",
    source: str = SOURCE,
) -> list[Reading]:
    """Return one reading for each way in `said` (keys of WAYS, texts with units); BadInput has every problem."""
    problems: list[Problem] = []
    found = []
    subject = _subject(site, cylinder, any(not WAYS[way].of_site for way in said), problems)
    for way, text in said.items():
        try:
            quantity, value, noise = _value(way, text)
            where = "site" if WAYS[way].of_site else subject
            if where is not None:
                value = plausible.check(quantity, value, site, where)
                found.append(
                    Reading(
                        time,
                        received,
                        where,
                        quantity,
                        value,
                        source,
                        noise=noise,
                        corrects=corrects,
                        note=note.strip(),
                    )
                )
        except units.QuantityError as error:
            problems.append(Problem(f"--{way}", f'"{text}"', error.expected, error.hint))
        except Refused as refused:
            problems.append(Problem(f"--{way}", f'"{text}"', "a value that can be true", _why(refused, site)))
    if problems:
        raise BadInput(problems)
    return found


def _why(refused: Refused, site: Site) -> str:
    """Return why it was refused; a weight that an overfilled cylinder may have is refused with what to do about it."""
    if not refused.over_kg:
        return str(refused)
    from monitor.outlook.record import OVERFILLED  # a reading that is in order need not wait for it

    over = units.show(refused.over_kg, "mass", site.units)
    return f"{refused}. If it is: {OVERFILLED.format(over=over)} If not, correct the scale, or the tare."


def _subject(site: Site, cylinder: str | None, needed: bool, problems: list[Problem]) -> str | None:
    names = [c.name for c in site.cylinders]
    if cylinder is None:
        if not needed:
            return None
        if len(names) == 1:
            return names[0]
        problems.append(Problem("cylinder", "none", "the name of a cylinder", f"one of: {', '.join(names)}"))
        return None
    by_plain = {name.casefold(): name for name in names}
    if cylinder in names:
        return cylinder
    if cylinder.casefold() in by_plain:
        return by_plain[cylinder.casefold()]
    problems.append(Problem("cylinder", f'"{cylinder}"', "the name of a cylinder", f"one of: {', '.join(names)}"))
    return None


def _value(way: str, text: str) -> tuple[Quantity, float, float | None]:
    """Return quantity, value in SI and noise (one sd, None = the usual of the quantity)."""
    spec = WAYS[way]
    if spec.kind == "switch":
        state = _STATES.get(text.strip().lower())
        if state is None:
            raise units.QuantityError("no state of a valve", '"open" or "closed"')
        return spec.quantity, state, None
    if way != "line":
        return spec.quantity, units.parse(text, spec.kind), None
    written = _PARTS.get(text.strip().lower(), text)
    try:
        return Quantity.GAUGE_PERCENT, units.parse(written, "share"), LINE_NOISE_SHARE
    except units.QuantityError as first:
        try:
            return Quantity.LIQUID_HEIGHT, units.parse(written, "length"), LINE_NOISE_M
        except units.QuantityError:
            form = 'a height above the base such as "10 in", or a part: "half", "40 %"'
            raise units.QuantityError(first.why, form) from None
