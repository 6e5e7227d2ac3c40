"""One round of judging for a site: conditions and the states before, to new states, transitions and notices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from monitor.alerts import life
from monitor.alerts.settings import Limits
from monitor.alerts.wording import words
from monitor.model.alert import AlertState, Condition, Judgement
from monitor.model.site import Site


def judge(
    conditions: Sequence[Condition],
    states: Mapping[str, AlertState],
    now: datetime,
    site: Site,
    *,
    complete: bool = True,
) -> Judgement:
    """Return what this round changes. `now` is UTC; thresholds and words follow `site`.

    `complete`: `conditions` lists everything that is watched, so an alert without one ends ("watched no more").
    """
    return life.judge(conditions, states, now, Limits(site.settings), words(site), complete=complete)
