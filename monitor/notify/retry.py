"""When to try again: exponential growth with full jitter, so that many homes do not call a service at once."""

from __future__ import annotations

from random import Random

from monitor.model.alert import Notice
from monitor.notify.outcome import Outcome

BASE_S = 5.0
CAP_S = 900.0
MOST_ASKED_S = 86_400.0
# How long a notice may be on its way before it goes another way too; by severity.
PATIENCE_S = {"Extreme": 600.0, "Severe": 3600.0, "Moderate": 43_200.0, "Minor": 43_200.0}
GIVE_UP_S = 7 * 86_400.0  # older than this a notice helps nobody


def wait_s(attempts: int, chance: Random, outcome: Outcome | None = None) -> float:
    """Return the seconds until the next attempt after `attempts` failed ones: full jitter, base 5 s, cap 15 min.

    A wait that the other side asked for (Retry-After) is the least, up to a day.
    """
    jittered = chance.uniform(0.0, min(CAP_S, BASE_S * 2.0 ** min(attempts, 20)))
    asked = outcome.retry_after_s if outcome is not None else None
    return max(jittered, min(asked, MOST_ASKED_S)) if asked is not None else jittered


def patience_s(notice: Notice) -> float:
    """Return how long after it was made the notice may be on its way before it goes another way too."""
    return PATIENCE_S[notice.severity]
