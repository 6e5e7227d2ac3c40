"""What else the rules may look at beside outlook, levels and health. All of it may be missing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from monitor.model.alert import Certainty, Condition, Fact, Severity, Urgency
from monitor.model.reading import Reading


@dataclass(frozen=True, slots=True)
class Known:
    """Newest readings, counts and dates that the store knows. Missing is missing, never "all is well".

    `set_aside` counts what each source sent in the last day that could not be used. `overfull` has, of a cylinder whose
    scale sends weights far above full, how many came running up to now, and what was said of the newest.
    `unexpected_kg_s` is the draw of a cylinder in hours in which nothing may burn, `unexpected_sd_kg_s` one standard
    deviation of it; `stuck_since` is when a sensor began to repeat one number while gas was used; `air_gap_k` the mean
    of thermometer less forecast over the last hours.
    """

    readings: tuple[Reading, ...] = ()
    set_aside: Mapping[str, int] = field(default_factory=dict)
    set_aside_reason: Mapping[str, str] = field(default_factory=dict)
    overfull: Mapping[str, tuple[int, str]] = field(default_factory=dict)
    stuck_since: Mapping[str, datetime] = field(default_factory=dict)
    unexpected_kg_s: Mapping[str, float] = field(default_factory=dict)
    unexpected_sd_kg_s: Mapping[str, float] = field(default_factory=dict)
    air_gap_k: float | None = None
    requalify_by: Mapping[str, datetime] = field(default_factory=dict)
    leak_checked: datetime | None = None
    leak_found: datetime | None = None  # and no tight check since
    planned_refill: datetime | None = None
    official_warning: str = ""


NOTHING = Known()


def found(
    kind: str,
    subject: str,
    holds: bool | None,
    reason: str,
    facts: Mapping[str, Fact] | None = None,
    *,
    severity: Severity = "Moderate",
    urgency: Urgency = "Future",
    certainty: Certainty = "Observed",
    rank: float = 1.0,
    band: bool = False,
    rests_on: Iterable[str] = (),
) -> Condition:
    """Return a condition. `band`: neither raises nor ends; `rests_on`: keys of the alerts that hold this one back."""
    all_facts: dict[str, Fact] = dict(facts or {})
    if band:
        all_facts["in_band"] = True
    on = "\n".join(sorted(set(rests_on)))  # a name may hold a comma
    if on:
        all_facts["rests_on"] = on
    return Condition(kind, subject, holds, severity, urgency, certainty, rank, reason, all_facts)
