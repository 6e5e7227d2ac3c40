"""What `boiloff plan` works out and how it prints it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.alerts.cautions import DISCONNECT
from monitor.commands import _conditions, _outlook
from monitor.model.errors import BadInput, Problem
from monitor.model.outlook import Outlook, RunOut
from monitor.model.site import Site
from monitor.model.units_out import show
from monitor.outlook import filled
from monitor.outlook.asjson import plan_jsonable
from monitor.outlook.plan import Plan, Rules, plan
from monitor.outlook.use import stated

if TYPE_CHECKING:
    from rich.console import Console

    from monitor.service.due import Dates


def answer(asked: _outlook.Options, closed: tuple[str, ...], coldest: str | None) -> tuple[Site, Outlook, Plan]:
    """Make the outlook and the plan. Raises BadInput or SourceFailed."""
    problems: list[Problem] = []
    days = []
    for text in closed:
        try:
            days.append(date.fromisoformat(text))
        except ValueError:
            problems.append(Problem("--closed", f'"{text}"', 'a date such as "2026-12-25"'))
    cold_k = None if coldest is None else _conditions.quantity("--coldest", coldest, "temperature", problems)
    if problems:
        raise BadInput(problems)
    site, made, use = _outlook.answered(asked)
    rules = replace(Rules.of(site.settings), closed=frozenset(days))
    leak = (known := _dates(asked, site, made.at)) is not None and known.leak_found is not None
    use = use or stated(site, made)
    found = plan(site, made.levels, made.hours, use, made.at, rules=rules, cold_k=cold_k, leak=leak)
    return site, made, found


def intended(asked: _outlook.Options, site: Site, now: datetime) -> datetime | None:
    """Return when the household said that it will go; None where it did not, or nothing is read from the store."""
    known = _dates(asked, site, now)
    return None if known is None else known.planned_refill


def _dates(asked: _outlook.Options, site: Site, now: datetime) -> Dates | None:
    """Return what the record knows of dates and leaks; None where nothing is read from the store."""
    from monitor import store as database
    from monitor.service.due import dates

    path = database.find(site, asked.store)
    if asked.forecast is not None or asked.charge or not path.exists():
        return None
    with database.Store.open(path, readonly=True) as opened:
        return dates(site, opened.entries(), now)


def plan_json(site: Site, made: Outlook, found: Plan, going: datetime | None) -> dict[str, Any]:
    """The plan as JSON values: SI units, times in UTC. `going`: when the household said that it will go."""
    said = None if going is None else going.astimezone(UTC).isoformat()
    return {"site": site.name, **plan_jsonable(found), "run_out": _run_out(made.run_out), "planned_refill": said}


def _run_out(run_out: RunOut | None) -> dict[str, str | None] | None:
    if run_out is None:
        return None
    quantiles = {"p10": run_out.p10, "p50": run_out.p50, "p90": run_out.p90}
    return {name: None if t is None else t.astimezone(UTC).isoformat() for name, t in quantiles.items()}


def print_plan(to: Console, site: Site, made: Outlook, found: Plan, going: datetime | None = None) -> None:
    """What to do first, then why, then what gives way, then the caution."""
    zone, u = ZoneInfo(site.timezone), site.units
    to.print(f"[bold]{site.name}[/bold], {found.made.astimezone(zone):%a %d %b %H:%M}", markup=True)
    if going is not None:
        to.print(f"You plan to go on {going.astimezone(zone):%a %d %b at %H:%M}.")
    if found.when is None:
        to.print("[bold]NO TRIP[/bold]: " + "; ".join(found.reasons) + ".")
    else:
        when = found.when.astimezone(zone)
        names = " and ".join(t.cylinder for t in found.take) or "nothing"
        to.print(f"[bold]TAKE {names}[/bold] on {when:%a %d %b} from {when:%H:%M}.", markup=True)
        if found.latest is not None:
            to.print(f"Last possible day that keeps the odds: {found.latest:%a %d %b}.")
        for t in found.take:
            goes, back = show(t.goes_kg, "mass", u), show(t.returns_kg, "mass", u)
            adds = show(t.adds_kg, "mass", u)
            to.print(f"  {t.cylinder}: will weigh {goes} when it goes, {back} filled; {adds} goes in")
        for reason in found.reasons:
            to.print(f"  Why: {reason}.")
    if found.needed_share is not None and found.share_after is not None:
        needed, after = (show(x, "share", u) for x in (found.needed_share, found.share_after))
        to.print(f"For the coldest night to be expected {needed} of full is needed; after the return there is {after}.")
    for rule in found.gives_way:
        to.print(f"[bold]Gives way[/bold]: {rule}.", markup=True)
    to.print(_outlook.run_out_words(made.run_out, zone))
    for text in filled.said(made.levels, site):
        to.print(f"Note: {text}.", markup=False)
    if found.take:
        to.print(f"{DISCONNECT} {found.caution}")
