"""Several notices as one: how things stand now, in the order in which they began. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.alerts import when
from monitor.alerts.cautions import LOCAL, SMELL, WARMING
from monitor.model.alert import Certainty, Notice, Severity, Urgency
from monitor.model.site import Site

_SEVERITIES: tuple[Severity, ...] = ("Minor", "Moderate", "Severe", "Extreme")
_MOST_LINES = 40


@dataclass(frozen=True, slots=True)
class Item:
    """One occurrence: its notices that were not told yet, oldest first, and whether it is over."""

    notices: tuple[Notice, ...]
    over: bool


def digest(items: Sequence[Item], channel: str, site: Site, now: datetime, reason: str) -> Notice:
    """Return one notice for all `items`. Its id follows from what it holds, so it is the same when made again."""
    open_ = [i for i in items if not i.over]
    over = [i for i in items if i.over]
    severity: Severity = max((n.severity for i in open_ for n in i.notices), key=_SEVERITIES.index, default="Minor")
    urgency: Urgency = open_[0].notices[-1].urgency if open_ else "Past"
    certainty: Certainty = open_[0].notices[-1].certainty if open_ else "Observed"
    worst = max(open_, key=lambda i: _SEVERITIES.index(i.notices[-1].severity), default=None)
    if worst is not None:
        more = f" (and {len(open_) - 1} more)" if len(open_) > 1 else ""
        headline = f"{worst.notices[-1].headline}{more}"
    else:
        headline = over[-1].notices[-1].headline if len(over) == 1 else f"{len(over)} alerts are over by now"
    lines = [_why(reason, items, site, now), ""]
    if open_:
        lines.append("Standing now:")
        lines += [_line(i, site, now) for i in open_[:_MOST_LINES]]
        lines += [f"- and {len(open_) - _MOST_LINES} more" for _ in range(len(open_) > _MOST_LINES)]
        lines.append("")
    if over:
        lines.append("Over by now:")
        lines += [_line(i, site, now) for i in over[-_MOST_LINES:]]
        lines.append("")
    if len(open_) == 1:
        lines += [open_[0].notices[-1].body, ""]
    elif open_:
        lines += [WARMING, SMELL, LOCAL, "boiloff is no gas detector and sees no leak.", ""]
    lines.append(f"{site.name} · digest of {len(items)} · made {when.moment(now, site.timezone, now)}")
    key = "\n".join(n.id for i in items for n in i.notices) + "".join(str(i.over) for i in items)
    mark = hashlib.sha256(f"{channel}\n{key}".encode()).hexdigest()[:12]
    return Notice(
        f"digest/{channel}@{when.iso(now)}~{mark}", f"digest/{channel}", "", now, "digest", severity, urgency,
        certainty, headline, "\n".join(lines),
    )  # fmt: skip


def _why(reason: str, items: Sequence[Item], site: Site, now: datetime) -> str:
    first = min(n.at for i in items for n in i.notices)
    begin = when.moment(first, site.timezone, now)
    if reason == "many at once":
        return f"{len(items)} things at once since {begin}, told together."
    return f"These could not be told earlier, the first since {begin}: quiet hours, or a way out that did not work."


def _line(item: Item, site: Site, now: datetime) -> str:
    last = next((n for n in reversed(item.notices) if n.what != "ended"), item.notices[-1])
    began = when.moment(item.notices[0].at, site.timezone, now)
    text = f"- {began}: {last.headline}"
    return f"{text} (over)" if item.over and last.what != "ended" else text
