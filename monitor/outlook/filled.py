"""A fill that was entered without a weight: more is in the cylinder than before, and nobody knows how much.

Until a reading comes, its level is anything from what it held to its limit, each as likely, less what was used since:
the middle of that with its spread, so that the early odds stay near the level from before. Never full because it was
filled. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from monitor.model.filled import words
from monitor.model.reading import Level
from monitor.model.site import Site
from monitor.outlook.level import ago


def raised(levels: Sequence[Level], site: Site, filled: Mapping[str, datetime]) -> tuple[Level, ...]:
    """Return the levels with those raised that were filled (`filled`, by cylinder) after their newest reading.

    Of a cylinder that was never read only the fill is noted: it goes on counting as empty.
    """
    return tuple(_raised(x, site, filled[x.cylinder]) if x.cylinder in filled else x for x in levels)


def _raised(level: Level, site: Site, filled: datetime) -> Level:
    if level.reading_time is None:
        return replace(level, basis=f"{level.basis}; filled, not weighed", filled_unweighed=filled)
    if level.reading_time >= filled:
        return level
    since_s = max((level.time - filled).total_seconds(), 0.0)
    low = level.left_kg
    high = max(site.cylinder(level.cylinder).full_kg - level.burn_kg_s * since_s, low)
    # of a value anywhere between the two, of which `low` is known to `sd_kg` and `high` as well as the use since
    ends = level.sd_kg**2 + (level.burn_sd_kg_s * since_s) ** 2
    sd = math.sqrt((high - low) ** 2 / 12.0 + ends / 3.0)
    basis = f"{level.basis}; filled {ago(since_s)} ago, not weighed: half-way from there to full"
    return replace(level, left_kg=(low + high) / 2.0, sd_kg=sd, basis=basis, filled_unweighed=filled)


def said(levels: Sequence[Level], site: Site) -> list[str]:
    """Return `words` for each level that has a fill without a weight."""
    return [
        words(x.cylinder, x.filled_unweighed, site, read=x.reading_time is not None)
        for x in levels
        if x.filled_unweighed is not None
    ]
