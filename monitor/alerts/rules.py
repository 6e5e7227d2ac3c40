"""All rules: from an outlook, levels, health and what else is known to the conditions that hold now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from monitor.alerts import draw, eyes, kinds, supply
from monitor.alerts.known import NOTHING, Known
from monitor.alerts.settings import Limits
from monitor.model.alert import Condition
from monitor.model.outlook import Outlook
from monitor.model.reading import Level
from monitor.model.site import Site


def conditions(
    outlook: Outlook | None,
    levels: Sequence[Level],
    site: Site,
    now: datetime,
    health: eyes.Health,
    known: Known = NOTHING,
) -> tuple[Condition, ...]:
    """Return one condition for each thing watched, whether it holds, does not, or cannot be judged (None).

    Times are UTC. The same things are listed each time, so that one that is missing is known to be watched no more.
    """
    limits = Limits(site.settings)
    silent_ones = tuple(eyes.sensor_silent(site, health, now, limits))
    silent = frozenset(c.subject for c in silent_ones if c.holds)
    off = frozenset(limits.many("out_of_service")) - {name for name, kind in kinds.KINDS.items() if kind.stays}
    every = (
        *supply.gas_detected(site, known, now),
        supply.cold_shortfall(outlook, site, now, limits, known),
        supply.low_fuel(levels, site, now, limits, silent),
        supply.run_out(outlook, now, limits, known),
        *supply.overfilled(levels, site, limits, known),
        *draw.unexpected_draw(site, known, limits, silent),
        *eyes.broker_down(site, health),
        *silent_ones,
        *eyes.level_old(levels, site, now, limits),
        *eyes.sensor_faults(site, known, now),
        *eyes.battery_low(known, limits),
        eyes.sources_failing(site, health),
        eyes.forecast_stale(outlook, health, now, limits),
        eyes.air_disagrees(known, limits),
        *eyes.dates_due(site, known, now, limits),
        eyes.leak_found(known),
        *eyes.delivery_failing(health, now),
        *eyes.part_failing(health, now),
        *eyes.machine(health, now, limits),
    )
    if known.leak_found is not None:  # who is told of cold or of fuel must not be told to open a valve then
        every = tuple(replace(c, facts={**c.facts, "leak_open": True}) if c.kind in _OF_VALVES else c for c in every)
    return tuple(c for c in every if c.kind not in off)


_OF_VALVES = ("cold-shortfall", "low-fuel", "run-out")
