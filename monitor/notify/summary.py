"""A regular summary for those who want one: how things stand, in a few lines. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.alerts import kinds, when
from monitor.alerts.cautions import DETECTOR
from monitor.alerts.say import percent
from monitor.model.alert import AlertState, Notice
from monitor.model.health import SourceHealth
from monitor.model.outlook import Outlook
from monitor.model.reading import Level
from monitor.model.site import Site
from monitor.model.units_out import duration, show

WEEKLY_DAY = 6  # Sunday


def due(site: Site, last: datetime | None, now: datetime) -> bool:
    """Return whether the summary's hour has come and none was made since it came."""
    how = site.settings.get("alerts.summary", "off")
    if how not in {"daily", "weekly"}:
        return False
    local = now.astimezone(ZoneInfo(site.timezone))
    at = local.replace(hour=int(site.settings.get("alerts.summary_hour", 18)), minute=0, second=0, microsecond=0)
    if at > local:
        at -= timedelta(days=1)
    if how == "weekly":
        at -= timedelta(days=(at.weekday() - WEEKLY_DAY) % 7)
    fresh = local - at < timedelta(hours=6)  # one that was missed by more is not made up for
    return fresh and (last is None or last < at or last > now)


def make(
    site: Site,
    outlook: Outlook | None,
    levels: Sequence[Level],
    states: Mapping[str, AlertState],
    health: Mapping[str, SourceHealth],
    now: datetime,
) -> Notice:
    """Return the summary as a notice of its own."""
    stands = [s for s in states.values() if s.occurrence]
    cold = _cold(site, outlook, now)
    fuel = _fuel(site, levels)
    headline = f"{site.name}: {cold[0]}; {fuel[0]}" + (f"; {len(stands)} alerts stand" if stands else "")
    lines = [f"{headline}.", "", *cold, *fuel[1:], ""]
    for state in sorted(stands, key=lambda s: s.since):
        began = when.moment(state.raised or state.since, site.timezone, now)
        lines.append(f"- {kinds.of(state.kind).title} ({state.subject}), since {began}: {state.reason}")
    blind = _blind(health.values(), now)
    lines += [*(["", "Not working:"] if blind else []), *blind, "", DETECTOR]
    day = now.astimezone(ZoneInfo(site.timezone)).date().isoformat()
    return Notice(
        f"summary/site@{day}#1",
        "summary/site",
        "",
        now,
        "digest",
        "Minor",
        "Future",
        "Likely",
        headline,
        "\n".join(lines),
    )


def _cold(site: Site, outlook: Outlook | None, now: datetime) -> list[str]:
    if outlook is None or not outlook.hours:
        return ["the coming cold cannot be judged"]
    ahead = [h for h in outlook.hours if h.time >= now]
    if not any(h.uncovered is not None for h in ahead):
        return ["the coming cold cannot be judged"]
    coldest = min((h for h in ahead if h.air_k is not None), key=lambda h: h.air_k or 0.0, default=None)
    end = when.day(outlook.hours[-1].time, site.timezone, now)
    lines = [f"uncovered from {when.moment(outlook.uncovered[0].start, site.timezone, now)}"
             if outlook.uncovered else f"covered until {end}, as far as the forecast goes"]  # fmt: skip
    if coldest is not None:
        at = when.moment(coldest.time, site.timezone, now)
        lines.append(f"Coldest ahead: {show(coldest.air_k, 'temperature', site.units)}, {at}.")
    return lines


def _fuel(site: Site, levels: Sequence[Level]) -> list[str]:
    read = {level.cylinder: level for level in levels if level.reading_time is not None}
    feeding = [c for c in site.cylinders if c.valve_open]
    if not feeding or any(c.name not in read for c in feeding):
        first = "fuel not known"
    else:
        share = sum(read[c.name].left_kg for c in feeding) / sum(c.full_kg for c in feeding)
        first = f"fuel {percent(share)}"
    each = [
        f"{c.name}: {show(read[c.name].left_kg, 'mass', site.units)}, {percent(read[c.name].left_kg / c.full_kg)} "
        f"({read[c.name].basis})."
        for c in site.cylinders
        if c.name in read
    ]
    return [first, *each]


def _blind(health: Iterable[SourceHealth], now: datetime) -> list[str]:
    return [
        f"- {h.name}: {h.error}, for {duration((now - h.since).total_seconds())}"
        for h in sorted(health, key=lambda h: h.name)
        if h.error
    ]
