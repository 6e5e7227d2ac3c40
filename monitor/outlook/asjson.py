"""The outlook as plain JSON values. Names are fixed: scripts rely on them (more may be added)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from monitor.model.outlook import Band, FuelEnds, HourOutlook, NightOdds, Outlook, RunOut, Stretch
from monitor.model.reading import Level
from monitor.model.site import BASES, Basis, Site
from monitor.outlook.bands import coldest
from monitor.outlook.plan import Plan

ZERO_C_K = 273.15


def _number(value: float | None, digits: int = 6) -> float | None:
    """A finite number to `digits` significant figures' worth of decimals, or None."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def _celsius(value_k: float | None) -> float | None:
    return None if value_k is None else _number(value_k - ZERO_C_K, 4)


def _time(value: datetime | None) -> str | None:
    return None if value is None else value.astimezone(UTC).isoformat()


def _bases(values: Mapping[Basis, float | None], digits: int) -> dict[str, float | None]:
    return {basis: _number(values.get(basis), digits) for basis in BASES}


def _hour(hour: HourOutlook) -> dict[str, Any]:
    return {
        "time": _time(hour.time),
        "air_c": _celsius(hour.air_k),
        "liquid_c": _celsius(hour.liquid_k),
        "sustained_w": _bases(hour.sustained_w, 3),
        "headroom_w": _number(hour.headroom_w, 3),
        "hold_s": _number(hour.hold_s, 2),
        "hold_ends": hour.hold_ends,
        "level_needed": _bases(hour.level_needed, 6),
        "film_w_m2k": _number(hour.film_w_m2k, 5),
        "may_burn": hour.may_burn,
        "uncovered": hour.uncovered,
        "probability_uncovered": _number(hour.probability_uncovered, 4),
        "charge_kg": {name: _number(kg, 5) for name, kg in hour.charge_kg.items()},
        "air_band_c": _band(hour.air_band_k, 2, ZERO_C_K),
        "capacity_band_w": _band(hour.capacity_band_w, 0),
        "hold_band_s": _band(hour.hold_band_s, 0),
        "needed_hold_s": _number(hour.needed_hold_s, 2),
    }


def _band(band: Band | None, digits: int, zero: float = 0.0) -> dict[str, float | None] | None:
    """10, 50 and 90 % of the odds lie below; None where there are no odds."""
    if band is None:
        return None
    return {name: _number(getattr(band, name) - zero, digits) for name in ("p10", "p50", "p90")}


def _night(night: NightOdds) -> dict[str, Any]:
    return {
        "from": _time(night.start),
        "to": _time(night.end),
        "probability_uncovered": _number(night.probability, 4),
        "coldest_c": _band(night.coldest_k, 2, ZERO_C_K),
        "capacity_w": _band(night.capacity_w, 0),
        "hold_s": _band(night.hold_s, 0),
        "missing_hours": night.missing,
    }


def _stretch(stretch: Stretch) -> dict[str, Any]:
    return {
        "from": _time(stretch.start),
        "to": _time(stretch.end),
        "worst_time": _time(stretch.worst_time),
        "worst_headroom_w": _number(stretch.worst_headroom_w, 3),
        "worst_hold_s": _number(stretch.worst_hold_s, 2),
        "worst_air_c": _celsius(stretch.worst_air_k),
        "needed_hold_s": _number(stretch.needed_hold_s, 2),
        "probability": _number(stretch.probability, 4),
        "why": stretch.why,
    }


def _level(level: Level, site: Site) -> dict[str, Any]:
    full = next((c.full_kg for c in site.cylinders if c.name == level.cylinder), None)
    known = level.reading_time is not None
    return {
        "cylinder": level.cylinder,
        "time": _time(level.time),
        "left_kg": _number(level.left_kg, 5) if known else None,
        "sd_kg": _number(level.sd_kg, 5),
        "share_of_full": _number(level.left_kg / full, 5) if full and known else None,
        "burn_kg_s": _number(level.burn_kg_s, 12),
        "burn_sd_kg_s": _number(level.burn_sd_kg_s, 12),
        "reading_time": _time(level.reading_time),
        "basis": level.basis,
        "filled_unweighed": _time(level.filled_unweighed),
    }


def _run_out(run_out: RunOut | None) -> dict[str, str | None] | None:
    if run_out is None:
        return None
    return {"p10": _time(run_out.p10), "p50": _time(run_out.p50), "p90": _time(run_out.p90)}


def _fuel(ends: FuelEnds) -> dict[str, Any]:
    return {
        "subject": ends.subject,
        "left_kg": _number(ends.left_kg, 5),
        "unusable_kg": _number(ends.unusable_kg, 5),
        "dry": _run_out(ends.dry),
        "usable": _run_out(ends.usable),
        "basis": ends.basis,
    }


def jsonable(outlook: Outlook, site: Site) -> dict[str, Any]:
    """Return the outlook as JSON values: temperatures in degC, power in W, times ISO 8601 in UTC, None for unknown."""
    return {
        "at": _time(outlook.at),
        "site": outlook.site,
        "basis": outlook.basis,
        "demand_w": _number(outlook.demand_w, 3),
        "forecast_source": outlook.forecast_source,
        "forecast_issued": _time(outlook.forecast_issued),
        "hours": [_hour(h) for h in outlook.hours],
        "uncovered": [_stretch(s) for s in outlook.uncovered],
        "run_out": _run_out(outlook.run_out),
        "fuel": [_fuel(f) for f in outlook.fuel],
        "nights": [_night(n) for n in outlook.nights],
        "coldest_night": None if (cold := coldest(outlook.nights)) is None else _night(cold),
        "probability_week": _number(outlook.probability_week, 4),
        "levels": [_level(level, site) for level in outlook.levels],
        "notes": list(outlook.notes),
    }


def plan_jsonable(found: Plan) -> dict[str, Any]:
    """Return a refill plan as JSON values: SI units, times in ISO 8601."""
    return {
        "at": found.made.isoformat(),
        "when": None if found.when is None else found.when.isoformat(),
        "latest": None if found.latest is None else found.latest.isoformat(),
        "take": [
            {"cylinder": t.cylinder, "goes_kg": t.goes_kg, "returns_kg": t.returns_kg, "adds_kg": t.adds_kg}
            for t in found.take
        ],
        "risk_before": found.risk_before,
        "stays_covered": found.stays_covered,
        "needed_share": found.needed_share,
        "share_after": found.share_after,
        "reasons": list(found.reasons),
        "gives_way": list(found.gives_way),
        "days": [{"date": d.isoformat(), "risk": float(odds)} for d, odds in found.days],
        "caution": found.caution,
    }
