"""What `boiloff draws` reads and how it prints it."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from monitor.commands import _conditions
from monitor.model.errors import BadInput, Problem
from monitor.model.reading import LEVEL_QUANTITIES
from monitor.model.site import Site
from monitor.model.units_out import duration, number, show, unit
from monitor.outlook import level, meals, record

if TYPE_CHECKING:
    from rich.console import Console

    from monitor.store import Store

MOST_DAYS = 90


@dataclass(frozen=True)
class Sensor:
    """What one sensor of one cylinder showed."""

    cylinder: str
    source: str
    quantity: str
    readings: int
    found: meals.Found


@dataclass(frozen=True)
class Answer:
    """The sensors in the site's order, and the span that was searched."""

    site: Site
    since: datetime
    until: datetime
    sensors: tuple[Sensor, ...]


def answer(site_path: Path | None, store_path: Path | None, days: int, cylinder: str | None, least: str) -> Answer:
    """Search the last `days` of the store. Raises BadInput or SourceFailed."""
    from monitor import site as site_file
    from monitor import store as database
    from monitor.store import place

    site = site_file.load(site_file.find(site_path))
    problems: list[Problem] = []
    names = [c.name for c in site.cylinders]
    if not 1 <= days <= MOST_DAYS:
        problems.append(Problem("--days", str(days), f"a number of days from 1 to {MOST_DAYS}"))
    if cylinder is not None and cylinder not in names:
        problems.append(Problem("--cylinder", f'"{cylinder}"', "one of " + ", ".join(names)))
    least_kg = _conditions.quantity("--least", least, "mass", problems)
    if least_kg is not None and not least_kg > 0.0:
        problems.append(Problem("--least", f'"{least}"', "a mass above 0, such as 0.25 kg"))
    if problems or least_kg is None:
        raise BadInput(problems)
    path = database.find(site, store_path)
    if not path.exists():
        raise database.missing(path)
    now = datetime.now(UTC)
    with database.Store.open(path, readonly=True) as store:
        place.warn(store, site)
        return search(store, site, now - timedelta(days=days), now, names if cylinder is None else [cylinder], least_kg)


def search(store: Store, site: Site, since: datetime, until: datetime, names: list[str], least_kg: float) -> Answer:
    """Search every level sensor of the cylinders `names` from `since` to `until`.

    By the marks of the cylinder that stands there now; what was read of one that was exchanged since is left out.
    """
    from monitor.service.levels import of_these

    told = store.entries(record.MARKING)
    site, exchanged = record.marked(site, told, until), record.exchanged(told, until)
    sensors: list[Sensor] = []
    for name in names:
        readings = []
        for quantity in sorted(LEVEL_QUANTITIES):
            readings += store.readings(since=since, until=until, subject=name, quantity=quantity)
        groups = defaultdict(list)
        for seen in level.observations(site, of_these(readings, exchanged), thin=False):
            if not seen.manual:
                groups[seen.sensor].append(seen)
        for key, group in sorted(groups.items()):
            time_s = np.array([o.time_d for o in group]) * level.DAY_S
            sd_kg = float(np.median([o.sd_kg for o in group]))
            found = meals.meals(time_s, np.array([o.kg for o in group]), sd_kg, least_kg)
            source, quantity_name = key.split("|")[0], key.rsplit("|", 1)[1]
            sensors.append(Sensor(name, source, quantity_name, len(group), found))
    return Answer(site, since, until, tuple(sensors))


def _time(seconds: float) -> datetime:
    return level.EPOCH + timedelta(seconds=round(seconds))


def plain(answer: Answer) -> dict[str, Any]:
    """Return it as JSON values."""
    return {
        "site": answer.site.name,
        "since": answer.since.isoformat(),
        "until": answer.until.isoformat(),
        "sensors": [
            {
                "cylinder": s.cylinder,
                "source": s.source,
                "quantity": s.quantity,
                "readings": s.readings,
                "fine_enough": s.found.fine_enough,
                "reason": s.found.reason or None,
                "least_kg": s.found.least_kg if math.isfinite(s.found.least_kg) else None,
                "draws": [
                    {
                        "start": _time(m.start_s).isoformat(),
                        "end": _time(m.end_s).isoformat(),
                        "burnt_kg": m.kg,
                        "burnt_sd_kg": m.sd_kg,
                        "rate_w": m.rate_w,
                        "start_sd_s": m.start_sd_s,
                        "end_sd_s": m.end_sd_s,
                    }
                    for m in s.found.meals
                ],
            }
            for s in answer.sensors
        ],
    }


def print_found(to: Console, answer: Answer) -> None:
    """A table for each sensor that is fine enough, then why the others are not."""
    from rich.markup import escape

    units = answer.site.units
    days = round((answer.until - answer.since).total_seconds() / level.DAY_S)
    to.print(f"[bold]{escape(answer.site.name)}[/]: draws of the last {days} day{'s' if days != 1 else ''}")
    fine = [s for s in answer.sensors if s.found.fine_enough]
    if not fine:
        to.print("No sensor is fine enough to tell single draws: it takes a scale read every few minutes.")
    for sensor in fine:
        count = len(sensor.found.meals)
        to.print()
        words = f"{count} draw{'s' if count != 1 else ''}" if count else "no draw"
        least = _mass(sensor.found.least_kg, answer.site)
        to.print(f"[bold]{escape(sensor.cylinder)}[/], {escape(sensor.source)}: {words}; tells {least} in half an hour")
        if count:
            _print_table(to, answer, sensor)
    for sensor in answer.sensors:
        if not sensor.found.fine_enough:
            to.print(f"{escape(sensor.cylinder)}, {escape(sensor.source)}: {escape(sensor.found.reason)}", style="dim")
    if any(s.found.meals for s in fine):
        rate = f"mean rate: gross heating value, {unit('power', units)}"
        to.print(f"± is one standard deviation; {rate}; one cylinder's share where several feed", style="dim")


def _mass(kg: float, site: Site) -> str:
    return f"{number(kg, 'mass', site.units):.2f} {unit('mass', site.units)}"


def _print_table(to: Console, answer: Answer, sensor: Sensor) -> None:
    from rich.table import Table

    site, zone = answer.site, ZoneInfo(answer.site.timezone)
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("began")
    for name in ("±", "lasted", "burnt", "±", "mean rate"):
        table.add_column(name, justify="right")
    for m in sensor.found.meals:
        start = f"{_time(m.start_s).astimezone(zone):%a %d %b %H:%M}"
        known, lasted = duration(m.start_sd_s), duration(m.end_s - m.start_s)
        spread = f"{number(m.sd_kg, 'mass', site.units):.2f}"
        known = "< 1 min" if m.start_sd_s < 60.0 else known
        table.add_row(start, known, lasted, _mass(m.kg, site), spread, show(m.rate_w, "power", site.units))
    to.print(table)
    total = sum(m.kg for m in sensor.found.meals)
    together_sd = math.sqrt(sum(m.sd_kg**2 for m in sensor.found.meals))
    to.print(f"together {_mass(total, site)} ± {number(together_sd, 'mass', site.units):.2f}")
