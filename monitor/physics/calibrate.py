"""The site's own film factor from draws that a pressure or wall-temperature sensor has seen.

Over each draw the heat balance leaves one unknown, the factor f on the weather film:

    f = [sum_i C_i dT + sum_i h_fg (m_before - m_after)] / integral of sum_i U_i A_i (T_env,i - T) dt

with U the film as the product uses it, but uncapped: the wall at the floor. (A wall still warmer than that has less
natural convection, so a factor found this way errs to the low side.) Each draw's f carries the error of its sensors;
draws are combined with a between-draw variance (DerSimonian and Laird, Controlled Clinical Trials 7 (1986) 177), so
that a site whose draws disagree is not called well determined. Nothing is used unless enough draws agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics import blend, film, fluid, shell
from monitor.physics.film import Air
from monitor.physics.plant import Calibration, Plant

Array = NDArray[np.float64]

LEAST_DRAWS = 5
LEAST_DIFFERENCE_K = 4.0  # mean of outside over liquid: below it a draw says little about the film
MOST_RELATIVE_SD = 0.10
PLAUSIBLE = (0.4, 2.5)
LEAST_RELATIVE_SD = 0.03  # what the model itself leaves open (frost, shape of foot and collar)


@dataclass(frozen=True, slots=True)
class Draw:
    """One draw as seen: `times_s` (t,), `liquid_k` (t,) of the cylinders that feed, `charge_kg` (t, n), `air` (t,).

    Noise is one standard deviation: of a liquid temperature, of all masses together at one time, of the air's.
    """

    times_s: Array
    liquid_k: Array
    charge_kg: Array
    air: Air
    liquid_sd_k: float = 0.3
    mass_sd_kg: float = 0.1
    air_sd_k: float = 1.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """`calibration` to be used, or None with the reason; `factor`, `sd` and how many draws told (`used`)."""

    calibration: Calibration | None
    factor: float | None
    sd: float | None
    used: int
    reason: str


def liquid_from_pressure_k(plant: Plant, gauge_pa: ArrayLike, mole: ArrayLike | None = None) -> Array:
    """Liquid temperature (K) that a container's gauge pressure (Pa) tells; `mole` (4,) for a blend as it is now."""
    absolute = np.asarray(gauge_pa, dtype=np.float64) + plant.air_pressure_pa
    if mole is None:
        return fluid.temperature_k(absolute)
    return blend.bubble_k(absolute, np.asarray(mole, dtype=np.float64))


@dataclass(frozen=True, slots=True)
class _Estimate:
    factor: float
    variance: float


def _of_draw(plant: Plant, d: Draw) -> _Estimate | None:
    """The factor that one draw tells, None where it tells too little."""
    index = plant.feeding
    t, m = np.asarray(d.liquid_k, dtype=np.float64), np.asarray(d.charge_kg, dtype=np.float64)[:, index]
    good = np.isfinite(t) & np.isfinite(m).all(axis=1) & np.isfinite(d.air.temperature_k())
    if good.sum() < 3:
        return None
    seconds = np.asarray(d.times_s, dtype=np.float64)[good]
    t, m = t[good], m[good]
    air = d.air.at_hours(np.flatnonzero(good))
    live = m >= shell.DRY_KG
    if not live.any(axis=0).any() or (live != live[0]).any():
        return None  # a cylinder running dry in between would need its own balance
    flow_w, per_kelvin = np.zeros_like(t), np.zeros_like(t)
    capacity = np.zeros_like(t)
    wall = np.full_like(t, plant.floor_k("weather"))
    for column, i in enumerate(index):
        if not live[0, column]:
            continue
        s = plant.shells[i]
        p = film.parts(s, float(plant.outside_m[i]), air, wall, plant.shelter, plant.air_pressure_pa)
        area = shell.effective_at_volume(s, m[:, column] / fluid.density_kg_m3(t))
        flow_w += p.total * area * (p.outside_k - t)
        per_kelvin += p.total * area
        capacity += m[:, column] * fluid.heat_capacity_j_kgk(t) + plant.steel_j_k[i]
    step = np.diff(seconds)
    told = float(np.sum(0.5 * (flow_w[1:] + flow_w[:-1]) * step))
    lever = float(np.sum(0.5 * (per_kelvin[1:] + per_kelvin[:-1]) * step))
    if lever <= 0.0 or told / lever < LEAST_DIFFERENCE_K:
        return None
    stored = float(np.sum(0.5 * (capacity[1:] + capacity[:-1]) * np.diff(t)))
    latent = fluid.latent_j_kg(0.5 * (t[1:] + t[:-1]))
    boiled = float(np.sum(latent * -np.diff(m.sum(axis=1))))
    factor = (stored + boiled) / told
    ends = 2.0 * (float(capacity.mean()) * d.liquid_sd_k) ** 2 + 2.0 * (float(latent.mean()) * d.mass_sd_kg) ** 2
    variance = ends / told**2 + (factor * lever * d.air_sd_k / told) ** 2
    return _Estimate(factor, variance)


def _combine(factors: Array, variances: Array) -> tuple[float, float]:
    """Weighted mean and its standard deviation, with a variance between draws beyond the sensors' own."""
    weight = 1.0 / variances
    mean = float((weight * factors).sum() / weight.sum())
    q = float((weight * (factors - mean) ** 2).sum())
    spread = weight.sum() - (weight**2).sum() / weight.sum()
    between = max(0.0, (q - (factors.size - 1)) / spread) if spread > 0 else 0.0
    weight = 1.0 / (variances + between)
    mean = float((weight * factors).sum() / weight.sum())
    return mean, max(float(weight.sum() ** -0.5), LEAST_RELATIVE_SD * abs(mean))


def film_factor(plant: Plant, draws: Sequence[Draw]) -> Verdict:
    """The film factor from all draws, used only when well determined: 5 draws, within 10 %, between 0.4 and 2.5.

    Pure propane only: a blend's temperature does not tell its vapour. A draw far off the others (over 4 times their
    median deviation) is left out. No draws, or none that tells: nothing changes.
    """
    if not plant.pure:
        return Verdict(None, None, None, 0, "a blend's pressure does not tell its film")
    told = [e for e in (_of_draw(plant, d) for d in draws) if e is not None and np.isfinite(e.factor)]
    if not told:
        return Verdict(None, None, None, 0, "no draw tells anything about the film")
    factors, variances = np.array([e.factor for e in told]), np.array([e.variance for e in told])
    off = np.abs(factors - np.median(factors))
    keep = off <= max(4.0 * float(np.median(off)), 0.05)
    factors, variances = factors[keep], variances[keep]
    mean, sd = _combine(factors, variances)
    if factors.size < LEAST_DRAWS:
        return Verdict(None, mean, sd, factors.size, f"{factors.size} draws tell, {LEAST_DRAWS} are needed")
    if sd > MOST_RELATIVE_SD * mean:
        return Verdict(None, mean, sd, factors.size, f"known to {100 * sd / mean:.0f} % only, 10 % is needed")
    if not PLAUSIBLE[0] <= mean <= PLAUSIBLE[1]:
        return Verdict(None, mean, sd, factors.size, "outside 0.4 to 2.5: a sensor or the level is more likely wrong")
    return Verdict(Calibration(mean, sd), mean, sd, factors.size, "well determined")
