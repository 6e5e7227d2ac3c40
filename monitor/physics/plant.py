"""The site as the physics needs it: measures worked out once, tables for the integration, floors by basis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.site import BASES, Basis, Site
from monitor.physics import blend, film, fluid, quick, shell
from monitor.physics.film import Air, Outside
from monitor.physics.shell import Shell

Array = NDArray[np.float64]
TABLE_POINTS = 1024


@dataclass(frozen=True, slots=True)
class Calibration:
    """A site's own film factor on `weather`, as measured, with one standard deviation.

    What is used is the factor less one deviation, and never more than 2. With it the cap at `floor` is lifted.
    """

    factor: float
    sd: float

    @property
    def used(self) -> float:
        """The factor that multiplies the weather film."""
        return min(max(self.factor - self.sd, 0.1), 2.0)


@dataclass(frozen=True, eq=False)
class Plant:
    """Every cylinder of a site in order, and how they feed. Arrays have one entry a cylinder unless said otherwise.

    `feeding` holds the indices of cylinders whose valve is open. `area_table` (kinds, points) is the wall that takes
    heat (wetted and fin, m2) on an even grid of the square root of the share of volume filled, one row for each make of
    cylinder: `kind` (n,) says which.
    """

    names: tuple[str, ...]
    shells: tuple[Shell, ...]
    outside_m: Array
    full_kg: Array
    steel_j_k: Array
    fractions: Array  # (n, 4) mole fractions as filled, in the order of fluid.COMPONENTS
    feeding: NDArray[np.intp]
    reserve: NDArray[np.bool_]
    volume_m3: Array
    area_table: Array
    kind: NDArray[np.intp]
    basis: Basis
    shelter: float
    air_pressure_pa: float
    lowest_inlet_pa: float
    changeover: bool
    changeover_pa: float  # gauge
    check_valves: bool
    calibration: Calibration | None = None

    @classmethod
    def of(cls, site: Site, calibration: Calibration | None = None) -> Plant:
        """Work out a site. Raises ValueError for a site without cylinders."""
        if not site.cylinders:
            raise ValueError("a site needs at least one cylinder")
        shells = tuple(shell.of(c) for c in site.cylinders)
        kinds = list(dict.fromkeys(shells))
        supply = site.supply
        setting = supply.lowest_inlet_pa if supply.changeover_pa is None else supply.changeover_pa
        gas = [c.gas for c in site.cylinders]
        return cls(
            names=tuple(c.name for c in site.cylinders),
            shells=shells,
            outside_m=np.array([c.outside_diameter_m for c in site.cylinders]),
            full_kg=np.array([c.full_kg for c in site.cylinders]),
            steel_j_k=np.array([c.tare_kg * shell.STEEL_J_KGK for c in site.cylinders]),
            fractions=np.array([[g.propane, g.n_butane, g.isobutane, g.propylene] for g in gas]),
            feeding=np.flatnonzero([c.valve_open for c in site.cylinders]),
            reserve=np.array([c.side == "reserve" for c in site.cylinders]),
            volume_m3=np.array([s.volume_m3 for s in shells]),
            area_table=np.stack([_area_table(s) for s in kinds]),
            kind=_numbers(shells, kinds),
            basis=supply.basis,
            shelter=supply.shelter,
            air_pressure_pa=site.air_pressure_pa,
            lowest_inlet_pa=supply.lowest_inlet_pa,
            changeover=supply.feed == "changeover",
            changeover_pa=max(setting, supply.lowest_inlet_pa),
            check_valves=supply.check_valves,
            calibration=calibration,
        )

    @property
    def size(self) -> int:
        """Number of cylinders, open or not."""
        return len(self.names)

    @property
    def pure(self) -> bool:
        """True where every open cylinder holds nothing but propane."""
        return bool(np.all(self.fractions[self.feeding, 0] == 1.0))

    @property
    def shares_temperature(self) -> bool:
        """True where the open cylinders have one pressure and so one temperature, at rest and drawn."""
        return self.pure and not self.check_valves and not self.changeover

    def floor_gauge_pa(self, basis: Basis) -> float:
        """Gauge pressure (Pa) at which supply fails: 0 on `chart`, the regulator's lowest inlet else."""
        if basis not in BASES:
            raise ValueError(f"basis {basis!r}: expected one of {', '.join(BASES)}")
        return 0.0 if basis == "chart" else self.lowest_inlet_pa

    def floor_pa(self, basis: Basis) -> float:
        """The same, absolute, at the site's own air pressure."""
        return self.air_pressure_pa + self.floor_gauge_pa(basis)

    def floor_k(self, basis: Basis) -> float:
        """Temperature (K) of boiling propane at the floor."""
        return _boiling_k(self.floor_pa(basis))

    def floors_k(self, charge_kg: ArrayLike, basis: Basis) -> Array:
        """Temperature (K) at the floor in each cylinder, (..., n): for a blend by what is left of it."""
        charge = np.asarray(charge_kg, dtype=np.float64)
        out = np.where(np.isnan(charge), np.nan, self.floor_k(basis))
        for i in np.flatnonzero(self.fractions[:, 0] != 1.0):
            mole = blend.composition(self.fractions[i], charge[..., i] / self.full_kg[i])
            out[..., i] = blend.bubble_k(self.floor_pa(basis), mole)
        return out

    def walls(self, index: NDArray[np.intp]) -> quick.Walls:
        """Tables of the cylinders in `index`, for integrations."""
        return quick.Walls(self.area_table, self.volume_m3[index], self.kind[index])

    def only(self, index: NDArray[np.intp]) -> Plant:
        """The same plant with just the cylinders in `index` open, feeding together."""
        return replace(self, feeding=np.asarray(index, dtype=np.intp), changeover=False)

    def sides(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Indices of the open cylinders on the service side and on the reserve side."""
        on_reserve = self.reserve[self.feeding]
        return self.feeding[~on_reserve], self.feeding[on_reserve]


def _numbers(shells: Sequence[Shell], kinds: Sequence[Shell]) -> NDArray[np.intp]:
    number = {s: k for k, s in enumerate(kinds)}
    return np.array([number[s] for s in shells], dtype=np.intp)


@lru_cache(maxsize=128)
def _area_table(s: Shell) -> Array:
    filled = np.linspace(0.0, 1.0, TABLE_POINTS + 1) ** 2
    table = shell.effective_at_volume(s, filled * s.volume_m3)
    table.setflags(write=False)
    return table


@lru_cache(maxsize=64)
def _boiling_k(p_pa: float) -> float:
    return float(fluid.temperature_k(p_pa))


def outside(plant: Plant, air: Air, basis: Basis, floor_k: Array | None = None) -> Outside:
    """Film used and outside temperature for each cylinder: arrays (n, ...) with the shape of `air` after n.

    `floor_k` (n, ...) is the wall's temperature where it is not that of propane at the floor (blends).
    """
    t = air.temperature_k()
    if basis != "weather":
        plant.floor_gauge_pa(basis)
        shape = (plant.size, *t.shape)
        return Outside(np.full(shape, film.CHART_FILM_W_M2K), np.broadcast_to(t, shape))
    if floor_k is None:
        wall = np.full([1] * t.ndim, plant.floor_k(basis))
        which, makes = _makes(plant)
        made = [_weather(plant, plant.shells[i], float(plant.outside_m[i]), air, wall) for i in makes]
        return Outside(np.stack([o.film_w_m2k for o in made])[which], np.stack([o.outside_k for o in made])[which])
    each = [
        _weather(plant, s, float(plant.outside_m[i]), air, np.asarray(floor_k[i])) for i, s in enumerate(plant.shells)
    ]
    return Outside(np.stack([o.film_w_m2k for o in each]), np.stack([o.outside_k for o in each]))


def _makes(plant: Plant) -> tuple[NDArray[np.intp], list[int]]:
    """Cylinders alike to the air: which make each is, and one of each make."""
    first: dict[tuple[int, float], int] = {}
    makes: list[int] = []
    which = np.empty(plant.size, dtype=np.intp)
    for i, key in enumerate(zip(plant.kind.tolist(), plant.outside_m.tolist(), strict=True)):
        if key not in first:
            first[key] = len(makes)
            makes.append(i)
        which[i] = first[key]
    return which, makes


def _weather(plant: Plant, s: Shell, outside_m: float, air: Air, wall_k: Array) -> Outside:
    t = air.temperature_k()
    p = film.parts(s, outside_m, air, wall_k, plant.shelter, plant.air_pressure_pa)
    total, outside_k = np.broadcast_arrays(p.total, p.outside_k)
    if plant.calibration is not None:
        return Outside(total * plant.calibration.used, np.array(outside_k))
    return film.capped(total, outside_k, np.broadcast_to(t, total.shape), wall_k)
