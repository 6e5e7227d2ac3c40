"""What the coming hours look like: capacity against demand, and fuel left."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from monitor.model.reading import Level
from monitor.model.site import Basis

HoldEnds = Literal["pressure", "fuel", "limit"]


@dataclass(frozen=True, slots=True)
class Band:
    """10, 50 and 90 % of the odds lie below."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True)
class NightOdds:
    """One night ahead (18-10 local) by its members: the odds that any of its hours is uncovered, and the night's least
    air temperature (K), sustained capacity (W) and hold time (s) on the site's basis. `missing` hours have no air.
    """

    start: datetime
    end: datetime
    probability: float
    coldest_k: Band | None
    capacity_w: Band | None
    hold_s: Band | None
    missing: int = 0


@dataclass(frozen=True, slots=True)
class HourOutlook:
    """One hour. None where the forecast has a gap. `headroom_w`, `hold_s` follow the site's own basis.

    `level_needed` is the least share of full, the same in every open cylinder, that carries full-burner demand;
    None = at no level. `uncovered` is None where it cannot be judged.
    """

    time: datetime
    air_k: float | None
    liquid_k: float | None
    sustained_w: Mapping[Basis, float | None]
    headroom_w: float | None
    hold_s: float | None
    hold_ends: HoldEnds | None
    level_needed: Mapping[Basis, float | None]
    film_w_m2k: float | None
    may_burn: bool
    uncovered: bool | None
    probability_uncovered: float | None = None
    charge_kg: Mapping[str, float] = field(default_factory=dict)
    air_band_k: Band | None = None
    capacity_band_w: Band | None = None  # sustained, on the site's basis
    hold_band_s: Band | None = None
    needed_hold_s: float | None = None  # longest stated burn of this hour; 0 = none by turns, None = not known


@dataclass(frozen=True, slots=True)
class Stretch:
    """A run of uncovered hours; `end` is the end of its last hour. `why` is "hold" or "continuous"."""

    start: datetime
    end: datetime
    worst_time: datetime
    worst_headroom_w: float
    worst_hold_s: float
    worst_air_k: float
    needed_hold_s: float
    probability: float | None
    why: Literal["hold", "continuous"]


@dataclass(frozen=True, slots=True)
class RunOut:
    """When the fuel ends: 10, 50 and 90 % of the odds lie before. None = beyond what can be said."""

    p10: datetime | None
    p50: datetime | None
    p90: datetime | None


@dataclass(frozen=True, slots=True)
class FuelEnds:
    """When fuel ends. `subject` is "supply", "service", "reserve" or a cylinder's name.

    `dry`: the last of it is burnt. `usable`: the charge no longer carries everything for the stated burn at the
    coldest air that must be expected, with `unusable_kg` still in; None where that is not known.
    """

    subject: str
    left_kg: float
    unusable_kg: float | None
    dry: RunOut
    usable: RunOut | None
    basis: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """The whole answer made at `at`. `forecast_source` etc. say what it rests on; `notes` what it lacks."""

    at: datetime
    site: str
    basis: Basis
    demand_w: float
    hours: tuple[HourOutlook, ...]
    uncovered: tuple[Stretch, ...]
    run_out: RunOut | None
    levels: tuple[Level, ...] = ()
    forecast_source: str | None = None
    forecast_issued: datetime | None = None
    notes: tuple[str, ...] = ()
    fuel: tuple[FuelEnds, ...] = ()
    nights: tuple[NightOdds, ...] = ()
    probability_week: float | None = None
