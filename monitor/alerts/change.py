"""Whether what holds now is news beside what was told: worse, and whether that can wait."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from monitor.alerts import when
from monitor.alerts.kinds import Kind
from monitor.model.alert import Condition, Fact

RANK_STEP = 0.5
AT_ONCE_STEP = 1.0  # a step of severity or of a threshold; surer news of the same can wait
EARLIER = timedelta(hours=12)


def news(kind: Kind, told_rank: float | None, told: Mapping[str, Fact], now: Condition) -> tuple[str, bool]:
    """Return why the condition is worse than what was told ("" where it is not), and whether to tell it at once."""
    if told_rank is not None and now.rank - told_rank >= RANK_STEP:
        return f"nearer, surer or worse than when it was told: {now.reason}", now.rank - told_rank >= AT_ONCE_STEP
    before, start = when.parse(told.get("start")), when.parse(now.facts.get("start"))
    if before is not None and start is not None and before - start >= EARLIER:
        return "it begins earlier than was told", now.urgency != "Future"
    for fact, step in kind.material:
        a, b = told.get(fact), now.facts.get(fact)
        if not isinstance(a, int | float) or not isinstance(b, int | float):
            continue
        if (b - a) / step >= 1.0:
            return f"{WORDS.get(fact, fact)} than was told", kind.at_once
    return "", False


WORDS = {
    "nights": "more nights are concerned",
    "short_share": "the burners are shorter of gas",
    "hold_missing": "the burners hold for a shorter time",
    "sooner_s": "the fuel ends sooner",
    "rate_kg_s": "it falls faster",
}
