"""Common cylinder sizes, as data: value, unit, what the figure rests on, and where it comes from, side by side.

A stamped figure always comes first; these fill what is not stamped. Of a range the end on the safe side is taken: the
heavier tare (fuel is never overstated) and the larger diameter (a squat shell wets less wall at a usual charge).
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.site.unit_table import GALLON, LB

WATER_KG_M3 = 999.016  # at 60 °F (15.56 °C), where water capacity is stated; IAPWS-95 value
FILLING_DENSITY = 0.42  # of water capacity by mass: specific gravity 0.504-0.510 at 60 °F, WAC 296-307 Table U-4
_UNIT = {"lb": LB, "kg": 1.0, "in": 0.0254, "L": WATER_KG_M3 * 1e-3, "gal": WATER_KG_M3 * GALLON}

FOUND = "found"  # read in a maker-independent list or on a collar
RECALLED = "recalled"  # from memory, to be confirmed by the stamp
DERIVED = "derived"  # nominal weight over the filling density
_US = "stamped and catalogue figures, US"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: `low` and `high` in `unit`, whether found or recalled, and its source."""

    low: float
    high: float
    unit: str
    status: str
    source: str

    @property
    def si(self) -> float:
        """Return the value to use, the high end, in kg or m (a volume as the mass of water that fills it)."""
        return self.high * _UNIT[self.unit]

    def __str__(self) -> str:
        span = f"{self.low:g}-{self.high:g}" if self.low != self.high else f"{self.high:g}"
        return f"{span} {self.unit}"


@dataclass(frozen=True, slots=True)
class Size:
    """One common size. `nominal` is the weight of propane people call it by. None = not known."""

    nominal: Figure
    water_capacity: Figure
    outside_diameter: Figure | None = None
    height: Figure | None = None
    tare: Figure | None = None
    gas: str = "propane"

    @property
    def name(self) -> str:
        """The size as people write it, such as "40 lb" or "11 kg"."""
        return str(self.nominal)


def _us(
    nominal: float,
    wc: tuple[float, str],
    od: tuple[float, float],
    height: tuple[float, float],
    tare: tuple[float, float],
    dims: str,
    tare_status: str = "",
) -> Size:
    return Size(
        Figure(nominal, nominal, "lb", FOUND, _US),
        Figure(wc[0], wc[0], "lb", wc[1], _US),
        Figure(*od, "in", dims, _US),
        Figure(*height, "in", dims, _US),
        Figure(*tare, "lb", tare_status or dims, _US),
    )


def _eu(net: float, litres: float, source: str, gas: str = "propane") -> Size:
    return Size(Figure(net, net, "kg", FOUND, source), Figure(litres, litres, "L", FOUND, source), gas=gas)


SIZES: tuple[Size, ...] = (
    _us(5, (12, FOUND), (8, 8), (12, 12), (6.5, 6.5), RECALLED),
    _us(10, (23.8, FOUND), (9, 9), (15, 15), (12, 13), RECALLED),
    _us(11, (26.1, RECALLED), (12.2, 12.2), (12, 12), (13, 13), RECALLED),
    _us(20, (47.6, FOUND), (12.2, 12.5), (17.6, 18), (16.6, 19), FOUND),
    _us(30, (71.4, DERIVED), (12.5, 12.5), (24, 24), (24, 27), FOUND),
    _us(33.5, (79.8, RECALLED), (12, 12), (24, 28), (27, 30), "part found"),
    _us(40, (95.2, DERIVED), (12.5, 12.5), (29, 29), (28, 30), FOUND, RECALLED),
    _us(60, (143, RECALLED), (14.6, 14.6), (31, 31), (44, 46), RECALLED),
    _us(100, (238, DERIVED), (14.5, 14.5), (48, 48), (68, 71), FOUND),
    _us(420, (1000, RECALLED), (30, 30), (53, 53), (260, 285), RECALLED),
    _eu(0.425, 1.0, "Austrian textbook"),
    _eu(3, 7.1, "Austrian textbook"),
    _eu(5, 11.75, "Austrian textbook"),
    _eu(5, 12, "Belgian supplier"),
    _eu(11, 27.2, "Austrian textbook"),
    _eu(12.5, 26, "Belgian supplier", gas="butane"),
    _eu(33, 79.0, "Austrian textbook"),
    _eu(46.5, 112, "Belgian supplier"),
)


def _tank(gallons: float, od: float, length: float, tare: tuple[float, float]) -> Size:
    water = Figure(gallons, gallons, "gal", FOUND, "what it is called by")
    od_, length_ = (Figure(v, v, "in", RECALLED, _US) for v in (od, length))
    return Size(water, water, od_, length_, Figure(*tare, "lb", RECALLED, _US))


# Lying tanks, filled where they stand. `height` is the length over the heads; a tank stands its diameter and feet high.
TANKS: tuple[Size, ...] = (
    _tank(120, 24, 68, (245, 290)),
    _tank(250, 30, 94, (472, 490)),
    _tank(320, 30, 116, (590, 610)),
    _tank(500, 37.4, 120, (920, 960)),
)
IN_PLACE_LB = 200.0  # a cylinder called by more than this is filled where it stands


def by_nominal(mass_kg: float) -> Size | None:
    """Return the size whose nominal weight is within 1 % of `mass_kg`, None where there is none."""
    close = [s for s in SIZES if abs(s.nominal.si - mass_kg) <= 0.01 * mass_kg]
    return min(close, key=lambda s: abs(s.nominal.si - mass_kg), default=None)


def by_water_capacity(mass_kg: float) -> Size | None:
    """Return the size with known dimensions whose water capacity is within 3 % of `mass_kg`, None where none is."""
    close = [s for s in SIZES if s.tare and abs(s.water_capacity.si - mass_kg) <= 0.03 * mass_kg]
    return min(close, key=lambda s: abs(s.water_capacity.si - mass_kg), default=None)


def names() -> list[str]:
    """Return the sizes as people write them, smallest first in each system."""
    return list(dict.fromkeys(s.name for s in SIZES))
