"""The largest appliance that could be added to what burns already."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.site import Basis
from monitor.physics.capacity import sustained_w
from monitor.physics.film import Air
from monitor.physics.hold import hold_constant
from monitor.physics.plant import Plant

Array = NDArray[np.float64]
_HALVINGS = 30


def added_continuous_w(plant: Plant, charge_kg: ArrayLike, air: Air, demand_w: ArrayLike, basis: Basis) -> Array:
    """Largest load (W gross) that could burn without end beside `demand_w`: 0 where nothing is to spare."""
    spare = sustained_w(plant, charge_kg, air, basis) - np.asarray(demand_w, dtype=np.float64)
    return np.maximum(spare, 0.0)


def added_hold_w(
    plant: Plant, charge_kg: ArrayLike, air: Air, demand_w: ArrayLike, hold_s: float, basis: Basis
) -> Array:
    """Largest load (W gross) beside `demand_w` with which everything still holds for `hold_s` from rest.

    By bisection on the hold time, to 1e-6 of the answer; 0 where even the present demand does not hold. NaN in, NaN
    out.
    """
    charge, demand = np.asarray(charge_kg, dtype=np.float64), np.asarray(demand_w, dtype=np.float64)

    def holds(extra: Array) -> NDArray[np.bool_]:
        done = hold_constant(plant, charge, air, demand + extra, basis, limit_s=hold_s)
        return np.asarray(done.hold_s >= hold_s - 1e-3)

    shape = np.broadcast_shapes(air.shape, charge.shape[:-1], demand.shape)
    high = np.full(shape, 2_000.0)
    for _ in range(14):
        still = holds(high)
        if not still.any():
            break
        high = np.where(still, high * 2.0, high)
    low = np.zeros(shape)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        enough = holds(middle)
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    now = hold_constant(plant, charge, air, demand, basis, limit_s=hold_s).hold_s
    return np.where(np.isnan(now), np.nan, np.where(now >= hold_s - 1e-3, low, 0.0))
