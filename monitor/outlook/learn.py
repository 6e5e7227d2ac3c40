"""What this yard teaches: how far forecasts are off here, by lead day and part of day, and how sure they are.

Below 30 nights the decaying-average bias is taken off, shrunk to nothing while little is known. From 30 nights on
the forecast is calibrated in the manner of EMOS (Gneiting et al., Monthly Weather Review 133, 2005): location and
scale by maximum likelihood of Student's t with 4 degrees of freedom, one bias for each part of the day, one for each
lead day, one slope and a scale by lead day, all shrunk by how many nights speak for them. The slope may not fall below
1: forecasts of the coldest mornings are too warm as a rule, so pulling them to the mean is the unsafe side.

Pure and repeatable: it is fitted from the kept forecasts and readings whenever needed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.model.site import Units
from monitor.outlook.air import LEADS, NU, REPRESENTATIVENESS_K, combined_sigma_k, default_sigma_k

Series = NDArray[np.float64]

PARTS = 8  # of three hours each; part 2 is 06-09 local
PART_H = 24 // PARTS
DAWN = (1, 2)  # 03-09
NIGHT_PARTS = (0, 1, 2, 6, 7)  # 18-09: what matters, and what scale and slope are learnt from
CALIBRATE_NIGHTS = 30
KEEP_NIGHTS = 80  # older ones would count for under a tenth
ALPHA = 0.03  # share of the newest night in a decaying average; the mean age of what is known is a month
PRIOR_BIAS_K = 3.0  # standard deviation of a site's offset before anything is known
LEAD_NIGHTS, SCALE_NIGHTS = 20.0, 25.0  # nights at which a lead day's own bias or scale counts for half
SLOPE_SD = 0.15
SLOPES = (1.0, 1.3)
WIDEN = 1.1  # calibrated ensembles over Toulouse still covered 70-72 % where they said 80
ROUNDS = 12
SPREAD_WEIGHTS = (0.0, 0.25, 0.5, 0.75, 1.0)


@dataclass(frozen=True)
class Cases:
    """Forecast against measurement, one row for each issue, lead day and part of day. All arrays have one shape (n,).

    `lead` counts from 1 (the first 24 h); `night` is the local day number; `ends` the last hour's end (unix hours):
    a case is known from then on. `forecast_k` is corrected for height; `spread_k` NaN where the source gives none.
    """

    lead: NDArray[np.int64]
    part: NDArray[np.int64]
    night: NDArray[np.int64]
    ends: NDArray[np.int64]
    forecast_k: Series
    spread_k: Series
    observed_k: Series

    @classmethod
    def none(cls) -> Cases:
        """Return no cases."""
        whole, real = np.zeros(0, dtype=np.int64), np.zeros(0)
        return cls(whole, whole, whole, whole, real, real, real)

    @classmethod
    def joined(cls, several: Sequence[Cases]) -> Cases:
        """Return all of `several` as one."""
        if not several:
            return cls.none()
        return cls(*(np.concatenate([getattr(c, name) for c in several]) for name in cls.__dataclass_fields__))

    def where(self, keep: NDArray[np.bool_]) -> Cases:
        """Return the rows that `keep` marks."""
        return Cases(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Learnt:
    """What is known of the yard. Implements `air.Correction`. Bias = forecast less measured (K).

    `spread_weight` is how much of an ensemble's spread counts; `slope` acts around `centre_k`; `scale` multiplies the
    default error by lead day; `unsure_k` is the error of the bias itself.
    """

    nights: int
    method: str  # "nothing", "bias" or "calibrated"
    part_bias_k: Series = field(default_factory=lambda: np.zeros(PARTS))
    lead_bias_k: Series = field(default_factory=lambda: np.zeros(LEADS))
    scale: Series = field(default_factory=lambda: np.ones(LEADS))
    slope: float = 1.0
    centre_k: float = 273.15
    spread_weight: float = 0.5
    unsure_k: float = REPRESENTATIVENESS_K

    def corrected(self, air_k: Series, lead_h: Series, hour: Series) -> Series:
        """Return the corrected air temperature (K) at lead (h) and local clock hour; slope at night only."""
        centres = PART_H * (np.arange(PARTS) + 0.5)
        around = np.concatenate([[centres[-1] - 24.0], centres, [centres[0] + 24.0]])
        bias = np.concatenate([self.part_bias_k[-1:], self.part_bias_k, self.part_bias_k[:1]])
        by_part = np.interp(hour, around, bias)
        by_lead = np.interp(lead_h, 24.0 * np.arange(LEADS) + 12.0, self.lead_bias_k)
        night = np.isin((hour // PART_H).astype(int), NIGHT_PARTS)
        stretch = np.where(night, (self.slope - 1.0) * (air_k - self.centre_k), 0.0)
        return np.asarray(air_k + stretch - by_part - by_lead, dtype=np.float64)

    def sigma_k(self, default_k: Series, spread_k: Series | None, lead_h: Series) -> Series:
        """Return the standard deviation (K) of what error is left, the bias's own included."""
        base = combined_sigma_k(default_k, spread_k, self.spread_weight)
        scale = np.interp(lead_h, 24.0 * np.arange(LEADS) + 12.0, self.scale)
        return np.asarray(np.hypot(base * scale, self.unsure_k), dtype=np.float64)

    @property
    def dawn_bias_k(self) -> float:
        """How much warmer than measured the first day's forecast is at dawn (K)."""
        return float(np.mean(self.part_bias_k[list(DAWN)]) + self.lead_bias_k[0])

    def words(self, units: Units) -> str:
        """Return what was learnt, for a person; "" where nothing was."""
        if self.method == "nothing":
            return ""
        off, unit = -self.dawn_bias_k, "°C"
        if units == "us":
            off, unit = off * 1.8, "°F"
        ground = f"learnt from {self.nights} nights"
        if abs(off) < (0.5 if units == "us" else 0.3):
            return f"this yard runs as forecast at dawn ({ground})"
        return (
            f"this yard runs {abs(off):.1f} {unit} {'colder' if off < 0 else 'warmer'} than forecast at dawn ({ground})"
        )

    def plain(self) -> dict[str, Any]:
        """Return it as plain values for the store."""
        out: dict[str, Any] = {}
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            out[name] = value.tolist() if isinstance(value, np.ndarray) else value
        return out

    @classmethod
    def from_plain(cls, kept: Mapping[str, Any]) -> Learnt:
        """Return what `plain` gave. Raises KeyError, TypeError or ValueError for anything else."""
        values = {name: kept[name] for name in cls.__dataclass_fields__}
        for name, size in (("part_bias_k", PARTS), ("lead_bias_k", LEADS), ("scale", LEADS)):
            values[name] = np.array(values[name], dtype=np.float64)
            if values[name].shape != (size,) or not np.isfinite(values[name]).all():
                raise ValueError(f"{name}: expected {size} numbers")
        return cls(**values)


NOTHING = Learnt(0, "nothing")


def fit(cases: Cases, now_h: int, night: int) -> Learnt:
    """Return what the cases that were known at `now_h` (unix hours) teach; `night` is the local day number of now."""
    known = (
        (cases.ends <= now_h) & (cases.night > night - KEEP_NIGHTS) & np.isfinite(cases.forecast_k + cases.observed_k)
    )
    mine = cases.where(known & (cases.lead >= 1) & (cases.lead <= LEADS))
    nights = int(np.unique(mine.night).size)
    if nights == 0:
        return NOTHING
    age_weight = (1.0 - ALPHA) ** np.maximum(night - mine.night, 0)
    return _Fit(mine, age_weight, nights).learnt()


class _Fit:
    """Expectation-maximisation for Student's t, one block of parameters after the other."""

    def __init__(self, cases: Cases, age_weight: Series, nights: int) -> None:
        self.c = cases
        self.age = age_weight
        self.nights = nights
        self.lead = cases.lead - 1
        self.default = default_sigma_k(np.asarray(24.0 * self.lead + 12.0, dtype=np.float64))
        self.by_night = np.isin(cases.part, NIGHT_PARTS)
        self.calibrate = nights >= CALIBRATE_NIGHTS
        spoken = np.unique(cases.night, return_index=True)[1]
        self.effective = float(age_weight[spoken].sum())  # nights, older ones for less
        self.part = np.zeros(PARTS)
        self.lead_bias = np.zeros(LEADS)
        self.scale = np.ones(LEADS)
        self.slope = 1.0
        self.centre = float(np.average(cases.forecast_k, weights=age_weight))
        self.weight = 0.5

    def learnt(self) -> Learnt:
        self._rounds()
        if self.calibrate and np.isfinite(self.c.spread_k).any():
            self._best_spread_weight()
        noise = float(np.mean(self.scale[:3])) * 1.5
        unsure = 1.0 / math.sqrt(1.0 / PRIOR_BIAS_K**2 + self._independent() / noise**2)
        rest = REPRESENTATIVENESS_K * math.exp(-self.nights / 10.0) if not self.calibrate else 0.0
        return Learnt(
            nights=self.nights,
            method="calibrated" if self.calibrate else "bias",
            part_bias_k=self.part,
            lead_bias_k=self.lead_bias,
            scale=self.scale * (WIDEN if self.calibrate else 1.0),
            slope=self.slope,
            centre_k=self.centre,
            spread_weight=self.weight,
            unsure_k=math.hypot(unsure, rest),
        )

    def _independent(self) -> float:
        """Nights that count as independent of each other: neighbouring ones do only in part."""
        return self.effective / 2.0

    def _base(self) -> Series:
        spread = self.c.spread_k if np.isfinite(self.c.spread_k).any() else None
        return combined_sigma_k(self.default, spread, self.weight)

    def _rest(self) -> Series:
        """Forecast as corrected so far less measured (K)."""
        stretch = np.where(self.by_night, (self.slope - 1.0) * (self.c.forecast_k - self.centre), 0.0)
        bias = self.part[self.c.part] + self.lead_bias[self.lead]
        return np.asarray(self.c.forecast_k + stretch - bias - self.c.observed_k, dtype=np.float64)

    def _weights(self, rest: Series, base: Series) -> tuple[Series, Series]:
        """Robust weights (t), and those over the variance."""
        t_scale = base * self.scale[self.lead] / math.sqrt(2.0)  # Student's own scale is its deviation over root 2
        robust = self.age * (NU + 1.0) / (NU + (rest / t_scale) ** 2)
        return robust, robust / t_scale**2

    def _rounds(self) -> None:
        base = self._base()
        for _ in range(ROUNDS):
            _, w = self._weights(self._rest(), base)
            self._part_bias(w)
            _, w = self._weights(self._rest(), base)
            self._lead_bias(w)
            if self.calibrate:
                _, w = self._weights(self._rest(), base)
                self._slope(w)
                self._scale(base)

    def _part_bias(self, w: Series) -> None:
        rest = self._rest() + self.part[self.c.part]
        noise = 1.5 * float(np.mean(self.scale[:3]))
        trust = self._independent() / (self._independent() + noise**2 / PRIOR_BIAS_K**2)
        total, weight = np.bincount(self.c.part, w * rest, PARTS), np.bincount(self.c.part, w, PARTS)
        mean_all = float((w * rest).sum() / w.sum())
        own = np.where(weight > 0, total / np.maximum(weight, 1e-12), mean_all)
        to_own = self.effective / (self.effective + 5.0)  # a part of the day differs from the rest only by and by
        self.part = trust * (mean_all + to_own * (own - mean_all))

    def _lead_bias(self, w: Series) -> None:
        rest = self._rest() + self.lead_bias[self.lead]
        total, weight = np.bincount(self.lead, w * rest, LEADS), np.bincount(self.lead, w, LEADS)
        own = np.where(weight > 0, total / np.maximum(weight, 1e-12), 0.0)
        seen = self._nights_by_lead()
        self.lead_bias = own * seen / (seen + LEAD_NIGHTS)

    def _nights_by_lead(self) -> Series:
        """Effective nights behind each lead day."""
        key = self.c.night * LEADS + self.lead
        first = np.unique(key, return_index=True)[1]
        return np.asarray(np.bincount(self.lead[first], self.age[first], LEADS), dtype=np.float64)

    def _slope(self, w: Series) -> None:
        use = self.by_night & (self.lead < 5)
        x = self.c.forecast_k[use] - self.centre
        y = self._rest()[use] - (self.slope - 1.0) * x
        v = w[use]
        if v.sum() <= 0.0:
            return
        mean_x, mean_y = np.average(x, weights=v), np.average(y, weights=v)
        var = float(np.average((x - mean_x) ** 2, weights=v))
        both = float(np.average((x - mean_x) * (y - mean_y), weights=v))
        noise = float(np.average((y - mean_y) ** 2, weights=v))
        prior = noise / (max(self._independent(), 1.0) * SLOPE_SD**2)
        self.slope = float(np.clip(1.0 - both / (var + prior), *SLOPES))

    def _scale(self, base: Series) -> None:
        rest = self._rest()
        robust, _ = self._weights(rest, base)
        use = self.by_night
        z2 = (rest / base) ** 2 * 2.0
        pooled = float((robust * z2)[use].sum() / self.age[use].sum())
        total = np.bincount(self.lead[use], (robust * z2)[use], LEADS)
        weight = np.bincount(self.lead[use], self.age[use], LEADS)
        own = np.where(weight > 0, total / np.maximum(weight, 1e-12), pooled)
        seen = self._nights_by_lead()
        trust = seen / (seen + SCALE_NIGHTS)
        log = (1.0 - trust) * math.log(max(pooled, 1e-4)) + trust * np.log(np.maximum(own, 1e-4))
        self.scale = np.clip(np.exp(0.5 * log), 0.4, 3.0)

    def _best_spread_weight(self) -> None:
        """How much the spread of the ensemble tells here: the weight with the highest likelihood."""
        best = -math.inf
        found = (self.weight, self.scale)
        for weight in SPREAD_WEIGHTS:
            self.weight, self.scale = weight, np.ones(LEADS)
            self._rounds()
            base = self._base()
            t_scale = base * self.scale[self.lead] / math.sqrt(2.0)
            log = -np.log(t_scale) - 0.5 * (NU + 1.0) * np.log1p((self._rest() / t_scale) ** 2 / NU)
            likelihood = float((self.age * log)[self.by_night].sum())
            if likelihood > best:
                best, found = likelihood, (self.weight, self.scale)
        self.weight, self.scale = found
        self._rounds()
