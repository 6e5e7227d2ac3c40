"""When the fuel ends, from what the household burns: with the odds, for the supply, each side and each cylinder.

"Usable" ends earlier than dry: where the charge no longer carries everything for the stated burn at the coldest air
that must be expected.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from statistics import NormalDist
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.outlook import FuelEnds, RunOut
from monitor.model.reading import Level
from monitor.model.site import Site
from monitor.outlook.draw import Feed
from monitor.outlook.use import Use
from monitor.physics import Air, Plant, hold_constant, sustained_w

Series = NDArray[np.float64]
HORIZON_D = 400
DAY_S = 86_400.0
_SHARES = 61


@dataclass(frozen=True)
class Ahead:
    """Expected burn from `at` on: at the end of each day `edge_d` (days from `at`), mean sum and its deviation (kg)."""

    at: datetime
    edge_d: Series
    mean_kg: Series
    sd_kg: Series


def burn_ahead(use: Use, at: datetime, timezone: str, air_k: Sequence[float] | None = None) -> Ahead:
    """Sum of the expected burn; `air_k` is the mean air of the coming local days as far as it is known."""
    zone = ZoneInfo(timezone)
    local = at.astimezone(zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    passed = (local.replace(tzinfo=None) - midnight.replace(tzinfo=None)).total_seconds() / DAY_S
    weekday = (local.weekday() + np.arange(HORIZON_D)) % 7
    known = np.full(HORIZON_D, np.nan)
    if air_k is not None:
        count = min(len(air_k), HORIZON_D)
        known[:count] = np.asarray(air_k, dtype=np.float64)[:count]
    daily = use.mean_kg_d(weekday.astype(np.int64), known)
    daily[0] *= 1.0 - passed
    edge = np.asarray(np.arange(1, HORIZON_D + 1) - passed, dtype=np.float64)
    return Ahead(at, edge, np.cumsum(daily), use.spread_kg(edge))


def run_out(left_kg: float, left_sd_kg: float, ahead: Ahead) -> RunOut:
    """Times at which the burn has reached what is left with odds of 10, 50, 90 %; None beyond 400 days.

    The sum burnt by a day and what is left are taken as normal and independent.
    """
    if left_kg <= 0.0:
        return RunOut(ahead.at, ahead.at, ahead.at)
    score = (ahead.mean_kg - left_kg) / np.hypot(ahead.sd_kg, max(left_sd_kg, 1e-3))

    def when(share: float) -> datetime | None:
        reached = np.flatnonzero(score >= NormalDist().inv_cdf(share))
        if reached.size == 0:
            return None
        k = int(reached[0])
        before = (0.0, -left_kg / max(left_sd_kg, 1e-3)) if k == 0 else (ahead.edge_d[k - 1], score[k - 1])
        wanted = NormalDist().inv_cdf(share)
        part = (wanted - before[1]) / max(score[k] - before[1], 1e-9)
        part = min(max(float(part), 0.0), 1.0)
        return ahead.at + timedelta(days=float(before[0] + part * (ahead.edge_d[k] - before[0])))

    return RunOut(when(0.1), when(0.5), when(0.9))


def holds(site: Site, plant: Plant, charge_kg: Series, air: Air) -> NDArray[np.bool_]:
    """Whether everything on holds the stated burn from rest at the outside temperature; charges (..., n)."""
    stated = max((a.hold_s for a in site.appliances if not a.continuous), default=0.0)
    limit = 1.001 * stated + 1.0  # how much longer it would hold is not asked
    held = hold_constant(plant, charge_kg, air, site.demand_w, site.supply.basis, limit_s=limit).hold_s
    return np.asarray(np.asarray(held) >= stated, dtype=np.bool_)


def least_share(site: Site, cold_k: float, *, wind_m_s: float = 0.0, sky: float = 1.0) -> float | None:
    """Least share of full, the same in every open cylinder, at which everything on holds the stated burn at `cold_k`.

    From rest at the outside temperature, on the site's basis; calm and clear unless told. For a continuous appliance
    sustained capacity must meet its demand. None = at no level.
    """
    plant = Plant.of(site)
    shares = np.linspace(0.005, 1.0, _SHARES)
    charge = shares[:, None] * np.array([c.full_kg for c in site.cylinders])[None, :]
    air = Air(np.full(_SHARES, cold_k), wind_m_s, sky)
    enough = holds(site, plant, charge, air)
    if site.continuous_w > 0.0:
        enough &= np.asarray(sustained_w(plant, charge, air, site.supply.basis)) >= site.continuous_w
    below = np.flatnonzero(~enough)
    if below.size == 0:
        return float(shares[0])
    k = int(below[-1]) + 1
    return None if k >= _SHARES else float(shares[k])


def coldest_covered_k(site: Site) -> float | None:
    """Coldest air (K, to half a kelvin, calm and clear) at which full open cylinders hold the stated burn.

    None where not even 30 degC is warm enough.
    """
    plant = Plant.of(site)
    air = np.arange(213.15, 303.65, 0.5)
    full = np.broadcast_to(np.array([c.full_kg for c in site.cylinders]), (air.size, len(site.cylinders)))
    enough = holds(site, plant, full, Air(air, 0.0, 1.0))
    if site.continuous_w > 0.0:
        enough &= np.asarray(sustained_w(plant, full, Air(air, 0.0, 1.0), site.supply.basis)) >= site.continuous_w
    short = np.flatnonzero(~enough)
    k = 0 if short.size == 0 else int(short[-1]) + 1
    return None if k >= air.size else float(air[k])


def ends(
    site: Site,
    levels: Sequence[Level],
    use: Use,
    at: datetime,
    *,
    air_k: Sequence[float] | None = None,
    cold_k: float | None = None,
) -> tuple[FuelEnds, ...]:
    """When the supply, each side (with changeover) and each open cylinder runs out, dry and usable.

    `air_k`: mean air of the coming days; `cold_k`: the coldest air that must be expected while the fuel lasts; without
    it only the dry end is told. Nothing is told where an open cylinder's level was never read.
    """
    by_name = {x.cylinder: x for x in levels}
    opened = [c for c in site.cylinders if c.valve_open]
    known = [c for c in opened if c.name in by_name and by_name[c.name].reading_time is not None]
    if not known:
        return ()
    at = at.astimezone(UTC)
    ahead = burn_ahead(use, at, site.timezone, air_k)
    share = None if cold_k is None else least_share(site, cold_k)
    out = [_ends("supply", [by_name[c.name] for c in known], ahead, use, _unusable(known, share, cold_k))]
    if site.supply.feed == "changeover":
        service = [by_name[c.name] for c in known if c.side == "service"]
        if service and len(service) < len(known):
            out.append(_ends("service", service, ahead, use, None))
            out.append(_ends("reserve", [by_name[c.name] for c in known], ahead, use, None))
    elif len(known) > 1:
        out += _each(site, known, by_name, ahead, use)
    return tuple(out)


def _unusable(known: Sequence[object], share: float | None, cold_k: float | None) -> float | None:
    if cold_k is None:
        return None
    full = sum(float(getattr(c, "full_kg", 0.0)) for c in known)
    return full if share is None else share * full


def _ends(subject: str, part: Sequence[Level], ahead: Ahead, use: Use, unusable_kg: float | None) -> FuelEnds:
    left = sum(x.left_kg for x in part)
    sd = math.sqrt(sum(x.sd_kg**2 for x in part))
    usable = None if unusable_kg is None else run_out(left - unusable_kg, sd, ahead)
    return FuelEnds(subject, left, unusable_kg, run_out(left, sd, ahead), usable, use.basis)


def _each(site: Site, known: Sequence[object], by_name: dict[str, Level], ahead: Ahead, use: Use) -> list[FuelEnds]:
    """Each cylinder on its own clock: the supply's sum at which it is dry when all share the draw."""
    feed = Feed.of(site)
    charge = np.array([by_name[c.name].left_kg if c.name in by_name else 0.0 for c in site.cylinders])
    total = float(charge[feed.open].sum())
    steps = np.full(200, total / 200.0)
    dry_at = np.full(len(charge), total)
    now, burnt = charge.copy(), 0.0
    for step in steps:
        now = feed.spend(now, np.array(step))
        burnt += step
        newly = (now <= 0.01 * np.maximum(feed.full_kg, 1.0)) & (dry_at == total) & (burnt < total)
        dry_at[newly] = burnt
    out = []
    for i, cylinder in enumerate(site.cylinders):
        if cylinder in known:
            mine = by_name[cylinder.name]
            part = float(dry_at[i])
            sd = mine.sd_kg * part / max(mine.left_kg, 0.2)
            out.append(FuelEnds(cylinder.name, mine.left_kg, None, run_out(part, sd, ahead), None, use.basis))
    return out
