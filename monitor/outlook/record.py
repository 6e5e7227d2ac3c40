"""What the record says: the cylinder that stands there now, when it must be requalified, whether a fill was right."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from monitor.model.entry import Entry
from monitor.model.site import Cylinder, Site

MARKING = ("exchange", "marks")  # kinds of entry that say what stands there
FIRST_YEARS = 12  # 49 CFR 180.209: from the date of manufacture of a cylinder in LP-gas service
YEARS_BY_METHOD = {"external visual": 5, "proof pressure": 7, "volumetric": 12}  # 49 CFR 180.209: after the last one
LEAST_YEARS = min(YEARS_BY_METHOD.values())  # where the method is not known: on the safe side
YEAR_S = 365.25 * 86_400.0
SCALE_SD_KG = 0.1  # one weighing on a household's scale (our judgement, no source)
SURE = 2.0  # standard deviations beyond which a difference is told
SAME_SHELL = 0.15  # of the water capacity: a shell that differs by less has the same diameter
_DATES = ("manufactured", "requalified", "requalification", "requalify_every", "serial")

OVERFILLED = (
    "DANGER: filled above its limit by {over}. An overfilled cylinder has too little room for the liquid to expand: "
    "warmed, it vents gas or worse. Do not use it and do not warm it; keep it outdoors, upright, in the shade and away "
    "from anything that can ignite gas; do not bleed it yourself. Call the supplier or a licensed dealer, who has to "
    "bring it back to its limit. Local rules come first."
)


def applied(cylinder: Cylinder, entry: Entry) -> Cylinder:
    """Return the cylinder as it is after an exchange or after marks were read; other entries change nothing.

    What an exchange does not tell is not carried over from the old cylinder, except the interval that the user set.
    Where no diameter is told and the shell is of another size, its diameter goes with the cube root of the volume and
    counts as assumed.
    """
    if entry.kind not in MARKING or entry.subject != cylinder.name:
        return cylinder
    told = {key: value for key, value in entry.payload.items() if value is not None}
    water = float(told.get("water_capacity_kg", cylinder.water_capacity_kg))
    tare = float(told.get("tare_kg", cylinder.tare_kg))
    full = float(told.get("full_kg", cylinder.full_kg / cylinder.water_capacity_kg * water))
    ratio = water / cylinder.water_capacity_kg
    diameter = told.get("outside_diameter_m")
    assumed = {a for a in cylinder.assumed if not (a == "tare" and "tare_kg" in told)}
    assumed -= {"water_capacity"} if "water_capacity_kg" in told else set()
    if diameter is None and abs(ratio - 1.0) > SAME_SHELL:
        diameter, assumed = cylinder.outside_diameter_m * ratio ** (1.0 / 3.0), assumed | {"outside_diameter"}
    kept = dict(cylinder.marks)
    if entry.kind == "exchange":
        kept = {k: v for k, v in kept.items() if k == "requalify_every"}
    elif "requalified" in told:  # a new date without its method does not go with the old one's
        kept.pop("requalification", None)
    return replace(
        cylinder,
        water_capacity_kg=water,
        tare_kg=tare,
        full_kg=full,
        outside_diameter_m=float(diameter if diameter is not None else cylinder.outside_diameter_m),
        assumed=tuple(sorted(assumed)),
        marks=kept | {k: told[k] for k in _DATES if k in told},
    )


def marked(site: Site, entries: Iterable[Entry], at: datetime) -> Site:
    """Return the site with each cylinder's tare, water capacity, limit and dates as the record says at `at`."""
    by_name = {c.name: c for c in site.cylinders}
    for entry in sorted((e for e in entries if e.kind in MARKING and e.time <= at), key=lambda e: (e.time, e.id or 0)):
        if entry.subject in by_name:
            by_name[entry.subject] = applied(by_name[entry.subject], entry)
    cylinders = tuple(by_name[c.name] for c in site.cylinders)
    return site if cylinders == site.cylinders else replace(site, cylinders=cylinders)


def exchanged(entries: Iterable[Entry], at: datetime) -> dict[str, datetime]:
    """Return when each cylinder was last exchanged up to `at`: readings from before are of another cylinder."""
    found: dict[str, datetime] = {}
    for entry in entries:
        if entry.kind == "exchange" and entry.time <= at:
            found[entry.subject] = max(entry.time, found.get(entry.subject, entry.time))
    return found


def requalify_by(site: Site, entries: Iterable[Entry], at: datetime | None = None) -> dict[str, datetime]:
    """Return from when each cylinder may no longer be filled (UTC, the first of that month); unknown is left out.

    49 CFR 180.209: twelve years from manufacture, then 5 (external visual), 7 (proof pressure) or 12 (volumetric)
    years from the last requalification. A cylinder's own `requalify_every`, or else the site's
    `record.requalify_every` (seconds), wins: law differs elsewhere.
    """
    site = marked(site, entries, at or datetime.max.replace(tzinfo=UTC))
    own = site.settings.get("record.requalify_every")
    dates = {c.name: requalify_date(c.marks, own) for c in site.cylinders}
    return {name: date for name, date in dates.items() if date is not None}


def requalify_date(marks: Mapping[str, Any], own_s: float | None = None) -> datetime | None:
    """Return the date for one cylinder's marks, None where neither date is known. `own_s`: the site's own interval."""
    tested, made = _month(marks.get("requalified")), _month(marks.get("manufactured"))
    start = tested or made
    if start is None:
        return None
    years = YEARS_BY_METHOD.get(str(marks.get("requalification")), LEAST_YEARS) if tested else FIRST_YEARS
    every = marks.get("requalify_every") or own_s
    months = round(float(every) / YEAR_S * 12.0) if every else 12 * years
    count = start[0] * 12 + start[1] - 1 + months
    return datetime(count // 12, count % 12 + 1, 1, tzinfo=UTC)


def _month(text: object) -> tuple[int, int] | None:
    try:
        found = datetime.strptime(str(text)[:7], "%Y-%m").replace(tzinfo=UTC)
    except ValueError:
        return None
    return found.year, found.month


def leak_checked(entries: Iterable[Entry]) -> datetime | None:
    """Return when the joints were last found tight; None where never, or where a leak was found since."""
    checks = sorted((e for e in entries if e.kind == "leak-check"), key=lambda e: (e.time, e.id or 0))
    return checks[-1].time if checks and checks[-1].payload.get("result") == "tight" else None


def open_leak(entries: Iterable[Entry]) -> Entry | None:
    """Return the leak that was found and not followed by a tight check."""
    checks = sorted((e for e in entries if e.kind == "leak-check"), key=lambda e: (e.time, e.id or 0))
    return checks[-1] if checks and checks[-1].payload.get("result") == "leak" else None


@dataclass(frozen=True, slots=True)
class FillCheck:
    """What the weights of a fill or an exchange say (kg). None = cannot be said from what was weighed."""

    left_kg: float | None  # propane in it now
    taken_kg: float | None  # put in by the fill
    short_kg: float | None  # paid for and not there, 0.0 where within the scale's noise
    over_kg: float | None  # above the filling limit, 0.0 where within the scale's noise


def fill_check(cylinder: Cylinder, entry: Entry, scale_sd_kg: float = SCALE_SD_KG) -> FillCheck:
    """Compare what was weighed with what was paid for and with the filling limit.

    `cylinder` is the one that was weighed (see `applied`); `scale_sd_kg` is one standard deviation of one weighing.
    Without a weight from before, a fill is short only where less is in the cylinder than was paid for.
    """
    told = entry.payload
    before, paid = told.get("before_gross_kg"), told.get("paid_kg")
    after = told.get("after_gross_kg" if entry.kind == "fill" else "gross_kg")
    if after is None:
        return FillCheck(None, None, None, None)
    left = float(after) - cylinder.tare_kg
    taken = None if before is None else float(after) - float(before)
    short = None
    if paid is not None:
        noise = SURE * scale_sd_kg * (1.0 if taken is None else math.sqrt(2.0))
        missing = float(paid) - (left if taken is None else taken)
        short = missing if missing > noise else (0.0 if taken is not None else None)
    over = left - cylinder.full_kg
    return FillCheck(left, taken, short, over if over > SURE * scale_sd_kg else 0.0)
