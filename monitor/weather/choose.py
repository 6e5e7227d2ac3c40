"""Which of the forecasts that were kept to go by: in the site's order, by their own time of issue and reach."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np

from monitor.model.forecast import Forecast

Freshness = Literal["fresh", "old", "gone"]

OLD_H = 12.0  # services renew every 1-6 h
GONE_H = 24.0  # unavailable for a choice while another source has a younger one
SHORT_H = 36.0  # less reach than this does not show the night after next


@dataclass(frozen=True, slots=True)
class Choice:
    """The forecast to go by (None = none kept), how fresh it is, and why it and not another, in words."""

    forecast: Forecast | None
    freshness: Freshness
    reason: str


def reach_h(forecast: Forecast, now: datetime) -> float:
    """Return hours from `now` to the end of the last hour that has an air temperature, 0 where that is past."""
    there = np.flatnonzero(np.isfinite(forecast.air_k).any(axis=0))
    if there.size == 0:
        return 0.0
    last = forecast.start + timedelta(hours=int(there[-1]) + 1)
    return max(0.0, (last - now).total_seconds() / 3600.0)


def freshness(forecast: Forecast, now: datetime) -> tuple[Freshness, str]:
    """Return how fresh a forecast is by its own time of issue, whatever time it came in, and why in words."""
    age_h = (now - forecast.issued).total_seconds() / 3600.0
    reach = reach_h(forecast, now)
    if reach <= 0.0:
        return "gone", f"{forecast.source}: its last hour is past"
    if age_h > GONE_H:
        return "gone", f"{forecast.source}: issued {age_h:.0f} h ago"
    if age_h > OLD_H:
        return "old", f"{forecast.source}: issued {age_h:.0f} h ago"
    if reach < SHORT_H:
        return "old", f"{forecast.source}: reaches only {reach:.0f} h ahead"
    return "fresh", f"{forecast.source}: issued {max(age_h, 0.0):.0f} h ago"


def choose(kept: Sequence[Forecast], order: Sequence[str], now: datetime) -> Choice:
    """Choose among `kept`: the first source in `order` with a fresh forecast, else the first with an old one.

    With nothing but gone ones, the one issued last that still reaches ahead is taken and said to be what it is.
    """
    rank = {name: i for i, name in enumerate(order)}
    newest: dict[str, Forecast] = {}
    for forecast in kept:
        other = newest.get(forecast.source)
        if other is None or (forecast.issued, forecast.received) > (other.issued, other.received):
            newest[forecast.source] = forecast
    sources = sorted(newest.values(), key=lambda f: rank.get(f.source, len(rank)))
    judged = [(f, *freshness(f, now)) for f in sources]
    for wanted in ("fresh", "old"):
        for i, (forecast, state, why) in enumerate(judged):
            if state == wanted:
                passed = "; passed over: " + "; ".join(w for _, _, w in judged[:i]) if i else ""
                return Choice(forecast, state, why + passed)
    reaching = [f for f in sources if reach_h(f, now) > 0.0]
    if not reaching:
        return Choice(None, "gone", "no forecast reaches ahead of now")
    best = max(reaching, key=lambda f: f.issued)
    return Choice(best, "gone", freshness(best, now)[1] + ", and there is none younger")
