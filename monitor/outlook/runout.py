"""When the fuel ends, from the levels alone: the first estimate, used until the household's use has been learnt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from statistics import NormalDist

from monitor.model.outlook import RunOut
from monitor.model.reading import Level
from monitor.model.site import Site
from monitor.model.units_out import show

HORIZON_DAYS = 400.0  # a date further off than this is not worth saying
STATED_USE_SPREAD = 0.15  # one sd of a stated daily use, relative: a habit is not a meter (our judgement)
LEAST_SPREAD = 0.05


def _spread(mean: float, sd: float) -> float:
    """One standard deviation of the logarithm for a positive quantity with `mean` and `sd`."""
    return math.sqrt(math.log1p(min(sd / max(mean, 1e-9), 1e3) ** 2))


def first_estimate(
    site: Site, levels: Sequence[Level], at: datetime, use_kg_s: float | None = None
) -> tuple[RunOut | None, str]:
    """Spread of the time at which all open cylinders together are dry, and in words what it rests on.

    Fuel and use are taken as log-normal and independent; with `use_kg_s` (kg/s) a stated use replaces the one that
    the levels show. None where no level was ever read or no use is known; a date beyond 400 days is None.
    """
    open_names = {c.name for c in site.cylinders if c.valve_open}
    known = [level for level in levels if level.cylinder in open_names and level.reading_time is not None]
    if not known:
        return None, "no run-out date: no level of an open cylinder is known"
    left = sum(level.left_kg for level in known)
    left_sd = math.sqrt(sum(level.sd_kg**2 for level in known))
    if left <= 0.0:
        return RunOut(at, at, at), "run-out: the open cylinders are empty"
    burn = sum(level.burn_kg_s for level in known) if use_kg_s is None else use_kg_s
    burn_sd = STATED_USE_SPREAD * burn
    words = "stated use"
    if use_kg_s is None:
        burn_sd = math.sqrt(sum(level.burn_sd_kg_s**2 for level in known))
        words = "use seen in the levels"
    if not burn > 0.0:
        return None, "no run-out date: no use is known"
    spread = max(LEAST_SPREAD, math.hypot(_spread(left, left_sd), _spread(burn, burn_sd)))
    middle_s = left / burn

    def when(share: float) -> datetime | None:
        seconds = middle_s * math.exp(spread * NormalDist().inv_cdf(share))
        return at + timedelta(seconds=seconds) if seconds <= HORIZON_DAYS * 86_400.0 else None

    rate, fuel = show(burn, "mass_rate", site.units), show(left, "mass", site.units)
    basis = f"run-out from {words}: {rate}, {fuel} left in open cylinders"
    return RunOut(when(0.1), when(0.5), when(0.9)), basis
