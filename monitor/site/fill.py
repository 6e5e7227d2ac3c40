"""One cylinder from its table: what is not stamped comes from the catalogue, and it is said what was filled and why."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.model.site import Cylinder
from monitor.site import catalogue
from monitor.site.catalogue import FILLING_DENSITY, WATER_KG_M3, Figure, Size
from monitor.site.problems import Collector
from monitor.site.quantity import parse
from monitor.site.schema import CylinderTable
from monitor.site.wording import pair

WALL_M = 0.003  # inside diameter = outside - 6 mm unless stated
_MARKS = ("manufactured", "requalified", "requalification", "requalify_every", "serial")
_STAMP = {
    "water_capacity": "it is stamped on the collar behind WC",
    "tare": "it is stamped on the collar behind TW",
    "outside_diameter": "measure round the shell and divide by 3.14",
}


@dataclass(frozen=True, slots=True)
class Filled:
    """One value that the file does not state: where, what was taken (SI, and in words), and why."""

    key: str
    cylinder: str
    field: str
    value_si: float
    value: str
    why: str


@dataclass(slots=True)
class _Work:
    place: int
    table: CylinderTable
    into: Collector
    known: dict[str, float] = field(default_factory=dict)
    filled: list[Filled] = field(default_factory=list)

    def take(self, name: str, kind: str, value: float, why: str) -> None:
        self.known[name] = value
        key = f"cylinder[{self.place + 1}].{name}"
        self.filled.append(Filled(key, self.table.name, name, value, pair(value, kind), why))

    def note(self, name: str, otherwise: str, expected: str, hint: str) -> None:
        """Note a value that cannot be: as the file gives it, else what was filled in."""
        path = ("cylinder", self.place, name)
        self.into.add(path, self.into.given(path, otherwise), expected, hint)

    def missing(self, name: str, why: str) -> None:
        self.into.add(("cylinder", self.place, name), None, f"the key {name}", f"{_STAMP[name]}; {why}")


def cylinder(place: int, table: CylinderTable, filled: list[Filled], into: Collector) -> Cylinder | None:
    """Return the cylinder in the table at `place`, appending to `filled`; None where problems were noted in `into`."""
    work = _Work(place, table, into)
    for name in ("water_capacity", "tare", "outside_diameter", "full"):
        if (value := getattr(table, name)) is not None:
            work.known[name] = value
    size = _size(work)
    _water_capacity(work, size)
    if "water_capacity" not in work.known or _is_net(work):
        return None
    if size is None or size.tare is None:
        size = catalogue.by_water_capacity(work.known["water_capacity"]) or size
    _dimension(work, size, "tare", "mass", "heavier" if size and size.tare and size.tare.low < size.tare.high else "")
    _dimension(work, size, "outside_diameter", "length", "")
    if "full" not in work.known:
        full = FILLING_DENSITY * work.known["water_capacity"]
        work.take("full", "mass", full, "42 % of the water capacity by mass (WAC 296-307 Table U-4)")
    wall = table.wall if table.wall is not None else WALL_M
    if not {"tare", "outside_diameter"} <= set(work.known) or not _is_solid(work, wall):
        return None
    filled.extend(work.filled)
    marks = {name: getattr(table, name) for name in _MARKS if getattr(table, name) is not None}
    if table.size is not None:
        marks["size"] = table.size
    return Cylinder(
        name=table.name,
        water_capacity_kg=work.known["water_capacity"],
        tare_kg=work.known["tare"],
        outside_diameter_m=work.known["outside_diameter"],
        full_kg=work.known["full"],
        wall_m=wall,
        shape=table.shape,
        gas=table.gas,
        side=table.side,
        valve_open=table.valve,
        assumed=tuple(f.field for f in work.filled),
        marks=marks,
    )


def _size(work: _Work) -> Size | None:
    if work.table.size is None:
        return None
    nominal = parse(work.table.size, "mass")
    size = catalogue.by_nominal(nominal)
    if size is None and "water_capacity" not in work.known and "lb" not in work.table.size.lower():
        hint = (
            f"sizes known: {', '.join(catalogue.names())}; for another, state water_capacity, tare and outside_diameter"
        )
        work.into.add(("cylinder", work.place, "size"), work.table.size, "a size in the catalogue", hint)
    return size


def _water_capacity(work: _Work, size: Size | None) -> None:
    if "water_capacity" in work.known:
        return
    if size is not None:
        figure = size.water_capacity
        work.take("water_capacity", "mass", figure.si, _why(size, figure, ""))
    elif work.table.size is None and not work.into.has("cylinder", work.place, "size"):
        work.missing("water_capacity", 'or give size, such as size = "40 lb"')
    elif work.table.size is not None and "lb" in work.table.size.lower():
        nominal = parse(work.table.size, "mass")
        work.take(
            "water_capacity", "mass", nominal / FILLING_DENSITY, f"{work.table.size} over a filling density of 0.42"
        )


def _dimension(work: _Work, size: Size | None, name: str, kind: str, more: str) -> None:
    if name in work.known:
        return
    figure: Figure | None = getattr(size, name) if size is not None else None
    if size is None or figure is None:
        work.missing(name, "the catalogue has none for this cylinder")
        return
    work.take(name, kind, figure.si, _why(size, figure, f", the {more} end is taken" if more else ""))


def _why(size: Size, figure: Figure, more: str) -> str:
    return f"common for the {size.name} size: {figure} ({figure.status}; {figure.source}){more}"


def _is_solid(work: _Work, wall: float) -> bool:
    """Whether such a cylinder can exist; notes what cannot be. Each check is geometry or the density of steel."""
    before = len(work.into.problems)
    wc, tare, od, full = (work.known[k] for k in ("water_capacity", "tare", "outside_diameter", "full"))
    inside, volume = od - 2 * wall, wc / WATER_KG_M3
    heads = math.pi * inside**3 / 12  # two 2:1 ellipsoidal heads, the least a shell of this diameter can hold
    if inside <= 0 or heads > volume:
        most = (12 * volume / math.pi) ** (1 / 3) + 2 * wall
        hint = f"the two heads alone would hold more than the water capacity of {pair(wc, 'mass')}; look at both"
        work.note("outside_diameter", pair(od, "length"), f"at most {pair(most, 'length')}", hint)
    elif (volume - heads) / (math.pi * inside**2 / 4) > 12 * od:
        hint = f"the shell would be {pair((volume - heads) / (math.pi * inside**2 / 4), 'length')} long; look at both"
        work.note("outside_diameter", pair(od, "length"), "a diameter that fits the water capacity", hint)
    if full > 0.6 * wc:
        hint = "that is more than the shell holds even when full of liquid; look at both"
        work.note("full", pair(full, "mass"), f"at most 60 % of the water capacity, {pair(wc, 'mass')}", hint)
    most = 0.8 if wc > 6.0 else 1.5  # valve and collar weigh more than the shell of a very small one
    if not 0.15 * wc <= tare <= most * wc:
        hint = f"a tare is 20-60 % of the water capacity, {pair(wc, 'mass')}; look at both, and at their units"
        work.note("tare", pair(tare, "mass"), "the stamped TW: the weight of the empty cylinder", hint)
    return len(work.into.problems) == before


def _is_net(work: _Work) -> bool:
    """Note a water capacity that is a size's weight of propane, where the tare is that of the same size."""
    wc, tare = work.table.water_capacity, work.table.tare
    if wc is None or tare is None or catalogue.by_water_capacity(wc) is not None:
        return False
    size = catalogue.by_nominal(wc)
    if size is None or size.tare is None:
        return False
    unit = size.tare.si / size.tare.high
    if not 0.85 * size.tare.low <= tare / unit <= 1.15 * size.tare.high:
        return False
    hint = (
        f"that looks like the weight of propane: the {size.name} size has a water capacity of {size.water_capacity}, "
        f'on the collar behind WC; or leave it out and write size = "{size.name}"'
    )
    expected = "the stamped WC: the weight of water, not of propane"
    work.note("water_capacity", pair(wc, "mass"), expected, hint)
    return True
