"""One round of the main job: what the store holds -> levels -> outlook -> alerts -> what has to be told.

Runs in the compute thread with a reading connection of its own; what it found goes to the one writer.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from monitor import alerts, outlook
from monitor.model.alert import Condition, Judgement
from monitor.model.forecast import Forecast
from monitor.model.health import SourceHealth
from monitor.model.outlook import Outlook
from monitor.model.reading import AHEAD, Level, Quantity, Reading
from monitor.model.site import Site
from monitor.outlook.sensor_faults import SensorFault
from monitor.outlook.unexpected import Draw
from monitor.sensors import plausible
from monitor.service.due import dates
from monitor.service.levels import Levels
from monitor.service.quiet import Quiet
from monitor.service.usage import Usage
from monitor.store.opening import damage_of
from monitor.weather import bulletin
from monitor.weather.choose import choose
from monitor.weather.yard import Yard, gap_k

if TYPE_CHECKING:
    from monitor.store import Store

log = logging.getLogger(__name__)

HISTORY_HOURS = 48
OFTEN = timedelta(minutes=10)  # a thermometer that tells each minute says no more by it
WEIGHTS = frozenset({Quantity.GROSS_WEIGHT, Quantity.PROPANE_LEFT, Quantity.SHARE_OF_FULL})
YARD = Yard()  # remembers for the rest of the day what was learnt of forecasts here
QUIET = Quiet()
USAGE = Usage()

History = tuple[Sequence[datetime], Sequence[float]]


@dataclass(frozen=True, slots=True)
class Facts:
    """What a round starts from."""

    forecast: Forecast | None
    history: History | None
    newest: tuple[Reading, ...]  # of each source and quantity


@dataclass(frozen=True, slots=True)
class Found:
    """What a round ends with. `site` has the valves as they stand; `failed` says what could not be worked out."""

    at: datetime
    site: Site
    levels: tuple[Level, ...]
    outlook: Outlook
    conditions: tuple[Condition, ...]
    judgement: Judgement
    failed: str = ""
    damage: str = ""  # what is wrong with the database's file, where that is why


def gather(site: Site, store: Store, now: datetime) -> Facts:
    """Read from the store what the outlook rests on."""
    air = [
        r
        for r in store.readings(
            since=now - timedelta(hours=HISTORY_HOURS), subject="site", quantity=Quantity.AIR_TEMPERATURE, every=OFTEN
        )
        if r.value is not None
    ]
    history = ([r.time for r in air], [float(r.value or 0.0) for r in air]) if air else None
    forecast = YARD.ready(store, site, choose_forecast(site, store, now), now)
    return Facts(forecast, history, tuple(store.latest_readings(now + AHEAD)))


def choose_forecast(site: Site, store: Store, now: datetime) -> Forecast | None:
    """Return the forecast to go by: in the site's order of sources, by freshness; None where none reaches ahead."""
    order = list(dict.fromkeys(w.kind for w in site.weather))
    kept = [f for kind in order if (f := store.latest_forecast(kind, now + AHEAD)) is not None]
    newest = store.latest_forecast(until=now + AHEAD)
    return choose([*kept, newest] if newest is not None else kept, order, now).forecast


def work(
    site: Site, store: Store, now: datetime, health: Mapping[str, SourceHealth], levels_of: Levels | None = None
) -> Found:
    """Make the outlook and judge it. `levels_of` remembers what was read in earlier rounds.

    Where the outlook cannot be made, what needs none (gas, a silent sensor, a full disk) is judged all the same.
    """
    failed, damage, made = "", "", None
    facts = Facts(None, None, tuple(store.latest_readings(now + AHEAD)))
    levels: tuple[Level, ...] = ()
    faults: Sequence[SensorFault] = ()
    try:
        facts = gather(site, store, now)
        level = (levels_of or Levels()).now(site, store, now, facts.history)
        site, levels, faults = level.site, level.levels, level.faults
        learnt = USAGE.now(site, store, now)
        made = outlook.make(site, facts.forecast, levels, now, history=facts.history, learnt=learnt)
    except Exception as error:
        log.exception("the outlook could not be made")
        failed, damage = f"{type(error).__name__}: {error}", damage_of(error)
        health = {**health, "outlook": SourceHealth("outlook", "service", now, failed_at=now, error=failed)}
    known = know(store, site, facts, now, faults)
    conditions = alerts.conditions(made, levels, site, now, health, known)
    judgement = alerts.judge(conditions, store.alert_states(), now, site)
    if made is None:
        made = Outlook(now, site.name, site.supply.basis, site.demand_w, (), (), None, levels, notes=(failed,))
    return Found(now, site, levels, made, conditions, judgement, failed, damage)


def know(store: Store, site: Site, facts: Facts, now: datetime, faults: Sequence[SensorFault] = ()) -> alerts.Known:
    """Return what else the rules look at: the newest readings, what each source sent that could not be used, how far
    thermometer and forecast are apart, what is lost in closed hours, the record's dates, and the official warnings.
    """
    draws = _draws(site, store, now)
    due = dates(site, store.entries(), now)
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
        overfull=_overfull(store, facts.newest, now),
        stuck_since={fault.sensor: fault.since for fault in faults if fault.kind == "stuck"},
        unexpected_kg_s={name: draw.kg_s for name, draw in draws.items()},
        unexpected_sd_kg_s={name: draw.sd_kg_s for name, draw in draws.items()},
        requalify_by=due.requalify_by,
        leak_checked=due.leak_checked,
        leak_found=due.leak_found,
        planned_refill=due.planned_refill,
        air_gap_k=gap_k(facts.forecast, facts.history, now),
        official_warning=bulletin.words(bulletin.load(store.get(bulletin.KEY), now), site.timezone),
    )


def _overfull(store: Store, newest: Sequence[Reading], now: datetime) -> dict[str, tuple[int, str]]:
    """Return for each cylinder how often its scale ran far above full within a day, since a weight that could be."""
    weighed: dict[str, datetime] = {}
    for reading in (r for r in newest if r.quantity in WEIGHTS and r.value is not None):
        weighed[reading.subject] = max(reading.received, weighed.get(reading.subject, reading.received))
    found: dict[str, tuple[int, str]] = {}
    for item in store.set_asides(limit=1000):  # newest first
        since = max(now - timedelta(days=1), weighed.get(item.subject, item.received))
        if plausible.DANGER in item.reason and item.received >= since:
            count, said = found.get(item.subject, (0, item.reason))
            found[item.subject] = (count + 1, said)
    return found


def _draws(site: Site, store: Store, now: datetime) -> Mapping[str, Draw]:
    """Return what is lost in closed hours. What goes wrong there must not cost the round, gas above all."""
    try:
        return QUIET.now(site, store, now)
    except Exception:
        log.exception("what is lost at night could not be worked out")
        return {}
