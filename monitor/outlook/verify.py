"""Scores of forecasts against what came: bias, MAE, CRPS, coverage by lead day, reliability and skill of odds.

Definitions: Wilks, Statistical Methods in the Atmospheric Sciences (Brier score and its parts, reliability); Gneiting
and Raftery, J. Am. Stat. Assoc. 102, 2007 (CRPS). Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.forecast import Forecast
from monitor.outlook import air
from monitor.outlook.air import NIGHT_FROM, NIGHT_TO

Series = NDArray[np.float64]

LEAST_NIGHT_HOURS = 14  # of its 16


def crps(members: Series, observed: Series) -> Series:
    """Continuous ranked probability score of each case: `members` (..., m), `observed` (...); same unit as they are.

    mean|x_i - y| - 1/2 mean|x_i - x_j|; equals the absolute error where there is one member.
    """
    m = members.shape[-1]
    ordered = np.sort(members, axis=-1)
    near = np.abs(ordered - observed[..., None]).mean(axis=-1)
    weight = 2.0 * np.arange(1, m + 1) - m - 1.0
    apart = (ordered * weight).sum(axis=-1) * 2.0 / (m * m)
    return np.asarray(near - 0.5 * apart, dtype=np.float64)


def inside(members: Series, observed: Series, low: float = 0.1, high: float = 0.9) -> NDArray[np.bool_]:
    """Whether each observation lies between two quantiles of its members (linear between members)."""
    positions = np.array([low, high])
    m = members.shape[-1]
    ordered = np.sort(members, axis=-1)
    # A member stands for an equal share of the odds: member k sits at (k + 0.5) / m.
    at = np.clip(positions * m - 0.5, 0.0, m - 1.0)
    left = at.astype(int)
    right = np.minimum(left + 1, m - 1)
    bounds = ordered[..., left] + (at - left) * (ordered[..., right] - ordered[..., left])
    return np.asarray((observed >= bounds[..., 0]) & (observed <= bounds[..., 1]), dtype=np.bool_)


@dataclass(frozen=True)
class NightCase:
    """One night's minimum: `members_k` (m,) as we said, `raw_k` as the source said, `observed_k` as it came."""

    source: str
    lead: int
    night: int  # local day number of the morning
    members_k: Series
    raw_k: Series
    observed_k: float


@dataclass(frozen=True)
class Scores:
    """Scores of `n` nights at one lead day (all: 0). Bias is forecast less measured. All in K but the share covered."""

    lead: int
    n: int
    bias_k: float
    mae_k: float
    crps_k: float
    covered: float
    raw_bias_k: float
    raw_mae_k: float
    raw_crps_k: float


def night_minima(
    start_lead_h: Series, times_local: Sequence[tuple[int, int]], members_k: Series
) -> dict[int, tuple[float, Series]]:
    """Minimum of each night for each member: local day of its morning -> (lead h at 06 local, members (m,)).

    `times_local` holds (local day number, local hour) of every hour; a night with under 14 of its hours is left out.
    """
    day = np.array([d + (h >= NIGHT_FROM) for d, h in times_local])
    hour = np.array([h for _, h in times_local])
    night = (hour >= NIGHT_FROM) | (hour < NIGHT_TO)
    out: dict[int, tuple[float, Series]] = {}
    for number in np.unique(day[night]):
        mine = night & (day == number)
        whole = mine & np.isfinite(members_k).all(axis=0)
        if whole.sum() < LEAST_NIGHT_HOURS:
            continue
        lead = start_lead_h[mine][-1] - (hour[mine][-1] - 6)
        out[int(number)] = (float(lead), np.asarray(members_k[:, whole].min(axis=1), dtype=np.float64))
    return out


def local_times(forecast: Forecast, timezone: str) -> list[tuple[int, int]]:
    """Return (local day number, local hour) of each hour of a forecast."""
    zone = ZoneInfo(timezone)
    return [(t.date().toordinal(), t.hour) for t in (u.astimezone(zone) for u in forecast.times())]


def nights(made: Forecast, raw: Forecast, observed_k: Series, timezone: str) -> list[NightCase]:
    """Return a case for each night of one forecast that has passed: `made` as we said it, `raw` as issued.

    `observed_k` holds what was measured at the hours of the forecast, NaN where nothing was.
    """
    local = local_times(made, timezone)
    lead_h = air.lead_hours(made)
    said = night_minima(lead_h, local, made.air_k)
    issued = night_minima(lead_h, local, raw.air_k)
    came = night_minima(lead_h, local, observed_k[None, :])
    cases = []
    for number, (lead, members) in said.items():
        if number in came and number in issued and lead >= 0.0:
            seen = float(came[number][1][0])
            cases.append(NightCase(raw.source, int(lead // 24.0) + 1, number, members, issued[number][1], seen))
    return cases


def scores(cases: Sequence[NightCase], lead: int = 0) -> Scores | None:
    """Return the scores of the cases of one lead day (0 = all); None where there are none."""
    mine = [c for c in cases if lead in {0, c.lead}]
    if not mine:
        return None
    seen = np.array([c.observed_k for c in mine])
    errors = np.array([c.members_k.mean() for c in mine]) - seen
    raw = np.array([c.raw_k.mean() for c in mine]) - seen
    return Scores(
        lead=lead,
        n=len(mine),
        bias_k=float(errors.mean()),
        mae_k=float(np.abs(np.array([np.median(c.members_k) for c in mine]) - seen).mean()),
        crps_k=float(np.mean([crps(c.members_k, np.array(c.observed_k)) for c in mine])),
        covered=float(np.mean([inside(c.members_k, np.array(c.observed_k)) for c in mine])),
        raw_bias_k=float(raw.mean()),
        raw_mae_k=float(np.abs(raw).mean()),
        raw_crps_k=float(np.mean([crps(c.raw_k, np.array(c.observed_k)) for c in mine])),
    )


@dataclass(frozen=True)
class Bin:
    """One bin of a reliability diagram: mean odds given, how often it came, how many, the 90 % bar of right odds."""

    odds: float
    came: float
    n: int
    low: float
    high: float

    @property
    def consistent(self) -> bool:
        """Whether what came is within what chance allows a forecast that is right."""
        return self.low <= self.came <= self.high


def reliability(odds: Series, came: NDArray[np.bool_], bins: int = 10) -> tuple[Bin, ...]:
    """Return the filled bins of a reliability diagram: the first and last half as wide, so that 0 and 1 stand alone."""
    which = np.clip(np.floor(odds * bins + 0.5).astype(int), 0, bins)
    out = []
    for k in range(bins + 1):
        mine = which == k
        n = int(mine.sum())
        if n:
            mean = float(odds[mine].mean())
            low, high = binomial_bar(n, mean)
            out.append(Bin(mean, float(came[mine].mean()), n, low, high))
    return tuple(out)


def binomial_bar(n: int, p: float, inner: float = 0.9) -> tuple[float, float]:
    """Return the shares between which `inner` of the draws of a binomial (n, p) lie; exact."""
    if p <= 0.0 or p >= 1.0:
        return p, p
    tail = (1.0 - inner) / 2.0
    total, low, high = 0.0, 0, n
    found_low = False
    for k in range(n + 1):
        log = (
            math.lgamma(n + 1)
            - math.lgamma(k + 1)
            - math.lgamma(n - k + 1)
            + k * math.log(p)
            + (n - k) * math.log1p(-p)
        )
        total += math.exp(log)
        if not found_low and total > tail:
            low, found_low = k, True
        if total >= 1.0 - tail:
            high = k
            break
    return low / n, high / n


@dataclass(frozen=True)
class Brier:
    """Brier score with its parts (score = reliability - resolution + uncertainty, within binning) and its skill.

    Skill is against always saying how often it came; None where it always or never came.
    """

    score: float
    reliability: float
    resolution: float
    uncertainty: float
    skill: float | None


def brier(odds: Series, came: NDArray[np.bool_], bins: int = 10) -> Brier:
    """Return the Brier score of odds against what came. Needs at least one case."""
    outcome = came.astype(np.float64)
    score = float(((odds - outcome) ** 2).mean())
    base = float(outcome.mean())
    uncertainty = base * (1.0 - base)
    parts = reliability(odds, came, bins)
    weight = np.array([b.n for b in parts]) / odds.size
    off = float((weight * np.array([(b.odds - b.came) ** 2 for b in parts])).sum())
    resolution = float((weight * np.array([(b.came - base) ** 2 for b in parts])).sum())
    return Brier(score, off, resolution, uncertainty, 1.0 - score / uncertainty if uncertainty > 0.0 else None)
