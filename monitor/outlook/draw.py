"""Which cylinder gives how much of the gas that the household burns, over days.

From rest to rest the manifold keeps one pressure, so one liquid temperature, and every cylinder ends as it began: the
sum of `mdot_i h_fg = U A_i (T_env - T) - C_i dT/dt` over such a cycle leaves shares in proportion to the
effective (wetted and fin) wall. With automatic changeover the service side gives all until it is dry.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from monitor.model.site import Cylinder, Site
from monitor.physics import shell

Series = NDArray[np.float64]
DRY_KG = 1e-3
_GRID = 129
_FEW = 6  # cylinders up to which one after the other is quicker
_TYPICAL_K = 278.15  # the wall's share hardly depends on the liquid's density: 5 degC for all


@dataclass(frozen=True)
class Feed:
    """What shares out a draw: open cylinders, their side, and effective wall by mass (table per cylinder)."""

    names: tuple[str, ...]
    open: NDArray[np.bool_]
    first: NDArray[np.bool_]  # feeds before the others (service side, or all)
    full_kg: Series
    grid_kg: Series  # (n, grid)
    wall_m2: Series  # (n, grid)

    @classmethod
    def of(cls, site: Site) -> Feed:
        """Tabulate the cylinders of a site."""
        cylinders = site.cylinders
        grids = [np.linspace(0.0, c.full_kg * 1.2, _GRID) for c in cylinders]
        changeover = site.supply.feed == "changeover"
        return cls(
            names=tuple(c.name for c in cylinders),
            open=np.array([c.valve_open for c in cylinders], dtype=bool),
            first=np.array([not changeover or c.side == "service" for c in cylinders], dtype=bool),
            full_kg=np.array([c.full_kg for c in cylinders], dtype=np.float64),
            grid_kg=np.array(grids, dtype=np.float64),
            wall_m2=np.array([_wall(c, g) for c, g in zip(cylinders, grids, strict=True)], dtype=np.float64),
        )

    def wall(self, charge_kg: Series) -> Series:
        """Effective wall (m2) of each cylinder at `charge_kg` (..., n); 0 for a dry or shut one."""
        if charge_kg.shape[-1] > _FEW:
            out = self._walls(charge_kg)
        else:
            out = np.empty_like(charge_kg)
            for i in range(charge_kg.shape[-1]):
                out[..., i] = np.interp(charge_kg[..., i], self.grid_kg[i], self.wall_m2[i])
        return np.where((charge_kg > DRY_KG) & self.open, out, 0.0)

    def __deepcopy__(self, memo: object) -> Feed:
        """Itself: it never changes, and with many cylinders it is large."""
        return self

    @cached_property
    def _table(self) -> tuple[Series, Series, Series, NDArray[np.intp], Series]:
        """The tables end to end: grid, wall, its slope, where each cylinder's begins, and steps in a kilogram."""
        slope = np.zeros_like(self.wall_m2)
        slope[:, :-1] = np.diff(self.wall_m2, axis=1) / np.diff(self.grid_kg, axis=1)
        first = np.arange(len(self.names), dtype=np.intp) * _GRID
        return self.grid_kg.ravel(), self.wall_m2.ravel(), slope.ravel(), first, 1.0 / self.grid_kg[:, 1]

    def _walls(self, charge_kg: Series) -> Series:
        """What `np.interp` gives for each cylinder, for all of them at once: the grids are even, so nothing is sought.

        A step's number by division may be one off at its edge; the grid itself then says which it is.
        """
        grid, wall, slope, first, steps = self._table
        held = np.fmax(np.fmin(charge_kg, self.grid_kg[:, -1]), 0.0)
        at = np.minimum((held * steps).astype(np.intp), _GRID - 2) + first
        at -= (held < grid.take(at)) & (at > first)
        at += held >= grid.take(at + 1)
        return np.asarray(slope.take(at) * (held - grid.take(at)) + wall.take(at), dtype=np.float64)

    def shares(self, charge_kg: Series) -> Series:
        """Share of a small draw that each cylinder gives, (..., n); all 0 where nothing is left to give."""
        wall = self.wall(charge_kg)
        leading = np.where(self.first, wall, 0.0)
        lead = leading.sum(axis=-1, keepdims=True) > 0.0
        weight = np.where(lead, leading, wall)
        total = weight.sum(axis=-1, keepdims=True)
        return np.asarray(weight / np.where(total > 0.0, total, 1.0), dtype=np.float64)

    def spend(self, charge_kg: Series, use_kg: Series) -> Series:
        """Charges (..., n) after `use_kg` (...) has been drawn; what cannot be drawn is not drawn."""
        left = np.maximum(charge_kg, 0.0)
        want = np.maximum(use_kg, 0.0)
        for _ in range(2 * left.shape[-1]):
            take = np.minimum(self.shares(left) * want[..., None], left)
            left = left - take
            want = want - take.sum(axis=-1)
            if not np.any(want > 1e-12):
                break
        return left


def _wall(cylinder: Cylinder, grid_kg: Series) -> Series:
    wall = np.asarray(shell.effective_m2(cylinder, grid_kg, _TYPICAL_K), dtype=np.float64)
    return np.asarray(np.where(grid_kg > DRY_KG, wall, 0.0), dtype=np.float64)


def falling(feed: Feed, charge_kg: Series, use_kg: Series) -> Series:
    """Charges at the start of each hour while the use goes on.

    `charge_kg` (..., n) at the start of the first hour, `use_kg` (..., hours) drawn in each hour; returns
    (..., hours, n).
    """
    hours = use_kg.shape[-1]
    now = np.broadcast_to(charge_kg, (*use_kg.shape[:-1], charge_kg.shape[-1])).astype(np.float64)
    out = np.empty((*use_kg.shape, charge_kg.shape[-1]))
    for k in range(hours):
        out[..., k, :] = now
        now = feed.spend(now, use_kg[..., k])
    return out
