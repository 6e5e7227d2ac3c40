"""The coverage map: temperature across, charge up; where all burners are carried, held for the burn, or not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor import physics
from monitor.model.site import Basis, Site
from monitor.model.units_out import number
from monitor.web.scale import Linear, ticks

ZERO_C_K = 273.15
LEFT, TOP, WIDTH, HEIGHT = 56.0, 16.0, 640.0, 320.0
Cover = Literal["carried", "held", "not"]
_NAMES: tuple[Cover, ...] = ("not", "held", "carried")


@dataclass(frozen=True, slots=True)
class CoverageMap:
    """The picture: the field of each kind of cover as one path, axes, and points of the coming hours.

    `days` has the coldest hour of each coming day, but for the coldest of all.
    """

    fields: Mapping[Cover, str]
    temperature_marks: Sequence[tuple[float, str]]
    charge_marks: Sequence[tuple[float, str]]
    days: Sequence[tuple[float, float]]
    now: tuple[float, float] | None
    coldest: tuple[float, float] | None
    basis: Basis
    low_x: float | None = None  # where the design low stands


def cover(site: Site, air_k: NDArray[np.float64], share: NDArray[np.float64], basis: Basis) -> NDArray[np.int64]:
    """Return 0 (not), 1 (held for the stated burn only) or 2 (carried) with shape (shares, temperatures).

    Calm air and an overcast sky on `weather`; the same share of full in every open cylinder.
    """
    plant = physics.Plant.of(site)
    charge = share[:, None, None] * plant.full_kg
    air = physics.Air(np.broadcast_to(air_k, (share.size, air_k.size)))
    charges = np.broadcast_to(charge, (share.size, air_k.size, plant.full_kg.size))
    sustained = np.asarray(physics.sustained_w(plant, charges, air, basis))
    by_turns = [a.hold_s for a in site.appliances if not a.continuous]
    held = np.zeros(sustained.shape, dtype=bool)
    if by_turns:
        hold = physics.hold_constant(plant, charges, air, site.demand_w, basis, limit_s=max(by_turns))
        held = np.asarray(hold.hold_s) >= max(by_turns) * (1 - 1e-9)
        if site.continuous_w:
            held &= sustained >= site.continuous_w
    carried = sustained >= site.demand_w
    return np.where(carried, 2, np.where(held, 1, 0)).astype(np.int64)


def _fields(grid: NDArray[np.int64]) -> dict[Cover, str]:
    """Join equal neighbours of each row, and all of one kind into one path."""
    rows, columns = grid.shape
    wide, high = WIDTH / columns, HEIGHT / rows
    out: dict[Cover, list[str]] = {name: [] for name in _NAMES}
    for r in range(rows):
        first = 0
        for c in range(1, columns + 1):
            if c == columns or grid[r, c] != grid[r, first]:
                x, y = round(LEFT + first * wide, 2), round(TOP + HEIGHT - (r + 1) * high, 2)
                out[_NAMES[int(grid[r, first])]].append(f"M{x:g} {y:g}h{(c - first) * wide:g}v{high:g}H{x:g}z")
                first = c
    return {name: "".join(pieces) for name, pieces in out.items()}


def draw(
    site: Site, payload: Mapping[str, Any] | None, basis: Basis, now: datetime, *, low_k: float | None = None
) -> CoverageMap:
    """Draw the map on one basis, wide enough for the coming hours, with them as a path through it.

    `low_k` (K): a design low to mark; the map then reaches 5 K beyond it.
    """
    by_day = _points(site, payload, now)
    points = [point for day in by_day.values() for point in day]
    marked = [] if low_k is None else [low_k - ZERO_C_K]
    low = min([-30.0, *[t for t, _ in points], *[t - 5.0 for t in marked]])
    high = max([30.0, *[t for t, _ in points], *[t + 5.0 for t in marked]])
    air_c = np.linspace(low, high, 81)
    share = np.linspace(0.0, 1.0, 41)
    middle_c, middle_share = (air_c[1:] + air_c[:-1]) / 2, (share[1:] + share[:-1]) / 2
    grid = cover(site, middle_c + ZERO_C_K, middle_share, basis)
    x, y = Linear(low, high, LEFT, LEFT + WIDTH), Linear(0.0, 1.0, TOP + HEIGHT, TOP)
    in_units = [number(t + ZERO_C_K, "temperature", site.units) for t in (low, high)]
    unit_x = Linear(in_units[0], in_units[1], LEFT, LEFT + WIDTH)
    coldest = min(points, default=None)
    return CoverageMap(
        fields=_fields(grid),
        temperature_marks=[
            (unit_x(t), f"{t:g}") for t in ticks(in_units[0], in_units[1], 8) if in_units[0] <= t <= in_units[1]
        ],
        charge_marks=[(y(s / 100), f"{s} %" if s else "") for s in range(0, 101, 20)],
        days=[(x(t), y(s)) for t, s in (min(day) for day in by_day.values()) if (t, s) != coldest],
        now=(x(points[0][0]), y(points[0][1])) if points else None,
        coldest=(x(coldest[0]), y(coldest[1])) if coldest else None,
        basis=basis,
        low_x=x(marked[0]) if marked else None,
    )


def _points(
    site: Site, payload: Mapping[str, Any] | None, now: datetime
) -> Mapping[date, Sequence[tuple[float, float]]]:
    """Air (degC) and mean share of full over the open cylinders, for each coming hour that has both, by local day."""
    full = {c.name: c.full_kg for c in site.cylinders if c.valve_open}
    total, zone = sum(full.values()), ZoneInfo(site.timezone)
    out: dict[date, list[tuple[float, float]]] = {}
    for hour in (payload or {"hours": ()})["hours"]:
        time = datetime.fromisoformat(hour["time"])
        if time.timestamp() < now.timestamp() - 3600 or hour["air_c"] is None:
            continue
        charge = [hour["charge_kg"][name] for name in full if hour["charge_kg"].get(name) is not None]
        if charge and total:
            day = out.setdefault(time.astimezone(zone).date(), [])
            day.append((float(hour["air_c"]), min(1.0, sum(charge) / total)))
    return out
