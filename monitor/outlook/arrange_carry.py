"""What arrangements carry at the design low and down to which air, for all counts of one kind at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from monitor.model.site import BASES, Basis
from monitor.outlook.arrange_model import SHARES, Container, Feed, Question, unit_site
from monitor.physics import HEATING_VALUE_J_KG, Air, Plant, added_continuous_w, hold_constant, level_needed, sustained_w

Series = NDArray[np.float64]
Enough = Callable[[Series], NDArray[np.bool_]]  # (..., more) -> whether it is good enough
COLDEST_K, WARMEST_K = 203.15, 323.15  # -70 to 50 °C: what is not carried at the upper end is carried nowhere
_PARTS, _PASSES = 16, 3  # to a 4,096th of the range: 0.03 K, 0.02 % of full
LIMIT_S = 86_400.0
ADDED_SHARE = 0.5  # the charge at which it is asked what an appliance more may draw


@dataclass(frozen=True)
class Carry:
    """By basis, arrays (counts, shares); the last four (counts,). NaN = never, or not asked."""

    carried_k: dict[Basis, Series]
    held_k: dict[Basis, Series]
    hold_s: dict[Basis, Series]
    needed: dict[Basis, Series]
    needed_hold: Series
    added_continuous_w: Series
    added_hold_w: Series


def calm(air_k: Series | float) -> Air:
    """A calm, clear night: the conditions of the design low."""
    return Air(air_k, 0.0, 1.0)


def carry(question: Question, container: Container, feed: Feed, sets: NDArray[np.int64], low_k: float | None) -> Carry:
    """Everything about `sets` (counts,) units of one kind; `low_k` the design low."""
    site = unit_site(question, container, feed)
    plant = Plant.of(site)
    demand = (site.demand_w / sets)[:, None]
    charge = np.array(SHARES)[:, None] * plant.full_kg
    shape = (sets.size, len(SHARES))
    steady = np.zeros(sets.size) if low_k is None else demand[:, 0]
    nan = np.full(sets.size, np.nan)
    low = calm(np.nan if low_k is None else low_k)
    carried = {b: _coldest(partial(_carries, plant, charge, demand, b), shape) for b in BASES}
    stated = question.stated_s
    held = {b: np.full(shape, np.nan) for b in BASES}
    needed_hold, more_hold = nan, nan
    half = ADDED_SHARE * plant.full_kg
    if stated is not None:
        held = {b: _coldest(partial(_holds, plant, charge, demand, stated, b), shape) for b in BASES}
        if low_k is not None:
            needed_hold = _least(plant, low_k, demand[:, 0], stated, question.basis)
            more_hold = _added(plant, half, low_k, steady, stated, question.basis) * sets
    return Carry(
        carried,
        held,
        {b: np.asarray(hold_constant(plant, charge, low, demand, b).hold_s).reshape(shape) for b in BASES},
        {b: level_needed(plant, low, demand[:, 0], b) if low_k is not None else nan for b in BASES},
        needed_hold,
        nan if low_k is None else added_continuous_w(plant, half, low, steady, question.basis) * sets,
        more_hold,
    )


def _carries(plant: Plant, charge: Series, demand: Series, basis: Basis, air_k: Series) -> NDArray[np.bool_]:
    return np.asarray(sustained_w(plant, charge, calm(air_k), basis) >= demand)


def _holds(
    plant: Plant, charge: Series, demand: Series, stated_s: float, basis: Basis, air_k: Series
) -> NDArray[np.bool_]:
    hold = hold_constant(plant, charge, calm(air_k), demand, basis, limit_s=stated_s).hold_s
    return np.asarray(hold >= stated_s - 1e-3)


def _border(enough: Enough, bad: Series, good: Series) -> Series:
    """Where `enough` begins to hold between `bad` and `good` (any order), on the good side; NaN where not at `good`.

    The range is parted in 16 at once, not in halves one after the other: a call costs much, a case in it little.
    """
    parts = (np.arange(1, _PARTS + 1) / _PARTS).reshape(-1, *([1] * good.ndim))
    reached = np.ones(good.shape, dtype=bool)
    for _ in range(_PASSES):
        at = bad + parts * (good - bad)
        yes = enough(at)
        reached &= yes.any(axis=0)
        first = yes.argmax(axis=0)
        grid = np.concatenate([bad[None], at])
        bad, good = (np.take_along_axis(grid, (first + k)[None], axis=0)[0] for k in (0, 1))
    return np.where(reached, good, np.nan)


def _coldest(enough: Enough, shape: tuple[int, int]) -> Series:
    """Coldest air (K) that is good enough; NaN where not even the warmest is."""
    return _border(enough, np.full(shape, COLDEST_K), np.full(shape, WARMEST_K))


def _least(plant: Plant, low_k: float, demand: Series, stated_s: float, basis: Basis) -> Series:
    """Least share of full that holds the stated burn at the design low; NaN where full does not."""

    def enough(share: Series) -> NDArray[np.bool_]:
        charge = share[..., None] * plant.full_kg
        return _holds(plant, charge, demand, stated_s, basis, np.full(share.shape, low_k))

    return _border(enough, np.zeros(demand.shape), np.ones(demand.shape))


def _added(plant: Plant, charge: Series, low_k: float, demand: Series, stated_s: float, basis: Basis) -> Series:
    """Largest load (W) beside `demand` for the stated burn at the design low, 0 where nothing is to spare."""

    def enough(extra: Series) -> NDArray[np.bool_]:
        return _holds(plant, charge, demand + extra, stated_s, basis, np.full(extra.shape, low_k))

    most = np.full(demand.shape, plant.full_kg.sum() * HEATING_VALUE_J_KG / stated_s)  # all its fuel in that time
    found = _border(enough, most, np.zeros(demand.shape))
    return np.nan_to_num(_border(enough, np.minimum(most, found + most / _PARTS), found), nan=0.0)
