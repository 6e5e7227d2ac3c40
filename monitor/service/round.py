"""One round of the main job: what the store holds -> levels -> outlook -> alerts -> what has to be told.

Runs in the compute thread with a reading connection of its own; what it found goes to the one writer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from monitor import alerts, outlook
from monitor.model.alert import Condition, Judgement
from monitor.model.forecast import Forecast
from monitor.model.health import SourceHealth
from monitor.model.outlook import Outlook
from monitor.model.reading import LEVEL_QUANTITIES, Level, Quantity, Reading
from monitor.model.site import Site
from monitor.outlook import level
from monitor.weather import bulletin
from monitor.weather.choose import choose
from monitor.weather.yard import Yard, gap_k

if TYPE_CHECKING:
    from monitor.store import Store

LEVEL_DAYS = 45  # readings this old no longer say anything about the level now
HISTORY_HOURS = 48
YARD = Yard()  # remembers for the rest of the day what was learnt of forecasts here

History = tuple[Sequence[datetime], Sequence[float]]


@dataclass(frozen=True, slots=True)
class Facts:
    """What a round starts from."""

    readings: tuple[Reading, ...]
    forecast: Forecast | None
    history: History | None
    newest: tuple[Reading, ...]  # of each source and quantity


@dataclass(frozen=True, slots=True)
class Found:
    """What a round ends with."""

    at: datetime
    levels: tuple[Level, ...]
    outlook: Outlook
    conditions: tuple[Condition, ...]
    judgement: Judgement


def gather(site: Site, store: Store, now: datetime) -> Facts:
    """Read from the store what the outlook rests on."""
    names = {c.name for c in site.cylinders}
    readings = tuple(
        r
        for quantity in (*sorted(LEVEL_QUANTITIES), Quantity.VALVE)
        for r in store.readings(since=now - timedelta(days=LEVEL_DAYS), quantity=quantity)
        if r.subject in names
    )
    air = [
        r
        for r in store.readings(
            since=now - timedelta(hours=HISTORY_HOURS), subject="site", quantity=Quantity.AIR_TEMPERATURE
        )
        if r.value is not None
    ]
    history = ([r.time for r in air], [float(r.value or 0.0) for r in air]) if air else None
    forecast = YARD.ready(store, site, choose_forecast(site, store, now), now)
    return Facts(readings, forecast, history, tuple(store.latest_readings()))


def choose_forecast(site: Site, store: Store, now: datetime) -> Forecast | None:
    """Return the forecast to go by: in the site's order of sources, by freshness; None where none reaches ahead."""
    order = list(dict.fromkeys(w.kind for w in site.weather))
    kept = [f for kind in order if (f := store.latest_forecast(kind)) is not None]
    newest = store.latest_forecast()
    return choose([*kept, newest] if newest is not None else kept, order, now).forecast


def work(site: Site, store: Store, now: datetime, health: Mapping[str, SourceHealth]) -> Found:
    """Make the outlook and judge it."""
    facts = gather(site, store, now)
    levels = level.estimate(site, facts.readings, now, facts.history)
    site = level.with_valves(site, facts.readings, now)
    made = outlook.make(site, facts.forecast, levels, now, history=facts.history)
    known = know(store, site, facts, now)
    conditions = alerts.conditions(made, levels, site, now, health, known)
    judgement = alerts.judge(conditions, store.alert_states(), now, site)
    return Found(now, levels, made, conditions, judgement)


def know(store: Store, site: Site, facts: Facts, now: datetime) -> alerts.Known:
    """Return what else the rules look at: the newest readings, what each source sent that could not be used, how far
    thermometer and forecast are apart, and the official warnings.
    """
    count: dict[str, int] = {}
    reason: dict[str, str] = {}
    for item in store.set_asides(limit=1000):  # newest first
        if now - item.received <= timedelta(days=1):
            count[item.source] = count.get(item.source, 0) + 1
            reason.setdefault(item.source, item.reason)
    return alerts.Known(
        readings=facts.newest,
        set_aside=count,
        set_aside_reason=reason,
        air_gap_k=gap_k(facts.forecast, facts.history, now),
        official_warning=bulletin.words(bulletin.load(store.get(bulletin.KEY), now), site.timezone),
    )
