"""Whether the end of what was told can be judged at all: an all-clear needs eyes on the hours that were warned of."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from monitor.alerts import when
from monitor.model.alert import Condition, Fact

NOT_REACHED = "the forecast does not reach to the end of what was told"
GAP = "hours within what was told cannot be judged for want of data"


def unseen(told: Mapping[str, Fact], now: Condition) -> str:
    """Return why `now` cannot end what was told, "" where it can.

    Told: ISO times `start`, `last_end` of what was warned of. Now: `seen_to` (None = nothing), the time up to which
    was judged; `seen_enough`, beyond which nobody looks; `unseen_hours`, the starts of hours that could not be judged,
    one a line. A condition that says nothing of how far it saw ends as before.
    """
    last, enough = when.parse(told.get("last_end")), when.parse(now.facts.get("seen_enough"))
    if last is None or enough is None:
        return ""
    first, seen = when.parse(told.get("start")), when.parse(now.facts.get("seen_to"))
    if seen is None or seen < min(last, enough):
        return NOT_REACHED
    text = now.facts.get("unseen_hours")
    hours = [when.parse(line) for line in text.split("\n")] if isinstance(text, str) and text else []
    for hour in hours:
        if hour is not None and hour < last and (first is None or hour + timedelta(hours=1) > first):
            return GAP
    return ""
