"""How much liquid a cylinder may hold: filling density as a share of its water capacity, by weight.

Above ground, up to 1,200 gal: WAC 296-307 Table U-4, which repeats NFPA 58. The lightest gas in the table may be filled
to 41 %, propane (specific gravity 0.504-0.510 at 60 degF) to 42 %, heavier blends to more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics import blend, fluid

Array = NDArray[np.float64]
_SIXTY_F_K = 288.705_555_555_555_56
_WATER_60F = 999.016
# upper end of each row's specific gravity at 60 degF, and its percentage of water capacity
_UPTO = np.array([0.503, 0.510, 0.519, 0.527, 0.536, 0.544, 0.552, 0.560, 0.568, 0.576, 0.584, 0.592, 0.600])
_PERCENT = np.arange(41.0, 54.0)


def filling_density(specific_gravity: ArrayLike) -> Array:
    """Share of the water capacity (by weight) for a liquid's specific gravity at 60 degF, 0.496 to 0.600.

    Rounded to three places as the table is; NaN outside it.
    """
    sg = np.round(np.asarray(specific_gravity, dtype=np.float64), 3)
    row = np.searchsorted(_UPTO, np.nan_to_num(sg, nan=9.0) - 1e-9)
    inside = (sg >= 0.496) & (sg <= 0.600)
    return np.where(inside, _PERCENT[np.minimum(row, _PERCENT.size - 1)] / 100.0, np.nan)


def specific_gravity(mole: ArrayLike) -> float:
    """Specific gravity at 60 degF of a blend of mole fractions `mole` (4,), as `fluid.COMPONENTS` orders them."""
    m = np.asarray(mole, dtype=np.float64)
    density = float((m @ fluid.MOLAR_KG_MOL) / blend.liquid_m3_mol(_SIXTY_F_K, m))
    return density / _WATER_60F
