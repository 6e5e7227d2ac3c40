"""What `boiloff outlook` reads and how it prints it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from monitor import outlook
from monitor.alerts.cautions import DETECTOR, LOCAL, SMELL, WARMING
from monitor.commands import _conditions
from monitor.model.errors import BadInput, Problem
from monitor.model.outlook import Outlook, RunOut
from monitor.model.reading import Level
from monitor.model.site import Site
from monitor.model.units_out import duration, show, unit
from monitor.outlook.blocks import Block, blocks

if TYPE_CHECKING:
    from rich.console import Console

    from monitor.model.forecast import Forecast
    from monitor.outlook.use import Use

TIME_FORM = 'a time with its offset from UTC, such as "2026-01-05T18:00-06:00" or "2026-01-05T18:00Z"'
LEAD = timedelta(days=10)
CAUTION = f"{WARMING} Before you touch a valve: every burner off. {SMELL} {LOCAL} {DETECTOR}"
TODO = (
    "What to do before then: plan to burn less at once in those hours (one or two burners, shorter, with pauses), or "
    "cook before, and keep a way to cook that needs no gas. `boiloff plan` says whether a refill helps."
)
WIDE = 110


@dataclass(frozen=True, slots=True)
class Options:
    """The command's options as given."""

    site: Path | None
    forecast: Path | None
    charge: tuple[str, ...]
    at: str | None
    use: str | None
    store: Path | None
    fail_on: str | None


def answer(asked: Options) -> tuple[Site, Outlook]:
    """Make the outlook from the options, or from the store. Raises BadInput or SourceFailed."""
    site, made, _ = answered(asked)
    return site, made


def answered(asked: Options) -> tuple[Site, Outlook, Use | None]:
    """The same with the use learnt from the store; None where none was learnt or another was stated."""
    from monitor import site as site_file

    site = site_file.load(site_file.find(asked.site))
    problems: list[Problem] = []
    if asked.fail_on not in {None, "uncovered"}:
        problems.append(Problem("--fail-on", f'"{asked.fail_on}"', '"uncovered"'))
    use = None if asked.use is None else _conditions.quantity("--use", asked.use, "mass_rate", problems)
    if asked.forecast is not None or asked.charge or asked.at is not None:
        return (*_from_files(site, asked, use, problems), None)
    if problems:
        raise BadInput(problems)
    return _from_store(site, asked, use)


def _moment(text: str, problems: list[Problem]) -> datetime | None:
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError:
        problems.append(Problem("--at", f'"{text}"', TIME_FORM))
        return None
    if found.tzinfo is None:
        problems.append(Problem("--at", f'"{text}"', TIME_FORM, "add the offset: a time without one can be any hour"))
        return None
    return found.astimezone(UTC)


def _from_files(site: Site, asked: Options, use: float | None, problems: list[Problem]) -> tuple[Site, Outlook]:
    from monitor.weather import file

    if asked.forecast is None:
        hint = "without it the service's store is read, and takes no --charge and no --at"
        problems.append(Problem("--forecast", "nothing", "a forecast CSV beside --charge and --at", hint))
    if not asked.charge:
        hint = "a cylinder without --charge counts as shut off"
        problems.append(Problem("--charge", "nothing", _conditions.CHARGE_FORM, hint))
    charges = _conditions.charges(site, list(asked.charge), problems)
    at = None if asked.at is None else _moment(asked.at, problems)
    forecast: Forecast | None = None
    if asked.forecast is not None:
        try:
            forecast = file.read_csv(asked.forecast)
        except OSError as error:
            problems.append(Problem("--forecast", str(asked.forecast), "a file that can be read", str(error)))
        except BadInput as error:
            problems += error.problems
    if forecast is not None and at is not None and not forecast.start - LEAD <= at < forecast.end:
        span = f"a time from {forecast.start:%Y-%m-%d %H:%M} to before {forecast.end:%Y-%m-%d %H:%M} UTC"
        problems.append(Problem("--at", f'"{asked.at}"', span, "the forecast says nothing about that time"))
    if problems or forecast is None:
        raise BadInput(problems)
    at = forecast.start if at is None else at
    opened = replace(site, cylinders=tuple(replace(c, valve_open=c.name in charges) for c in site.cylinders))
    levels = tuple(
        Level(c.name, at, charges[c.name], 0.0, 0.0, 0.0, at, "as given")
        if c.name in charges
        else Level(c.name, at, 0.0, 0.0, 0.0, 0.0, None, "no charge given: counted as shut off")
        for c in site.cylinders
    )
    return opened, outlook.make(opened, _with_odds(opened, forecast, at), levels, at, use_kg_s=use or 0.0)


def _with_odds(site: Site, forecast: Forecast, at: datetime) -> Forecast:
    """A forecast with members keeps them; one alone gets the error that forecasts of its age have.

    Where the file was made after `at`, or long before, its time of issue is not in it: it counts as issued at `at`.
    """
    from monitor.outlook import air

    if forecast.air_k.shape[0] > 1:
        return forecast
    fresh = timedelta(0) <= at - forecast.issued <= LEAD
    return air.prepare(forecast if fresh else replace(forecast, issued=at), site)


def _from_store(site: Site, asked: Options, use: float | None) -> tuple[Site, Outlook, Use | None]:
    from monitor import store as database
    from monitor.service import round as main_job
    from monitor.service import usage
    from monitor.service.levels import Levels
    from monitor.store import place

    path = database.find(site, asked.store)
    if not path.exists():
        raise database.missing(path, "; or give --forecast and --charge")
    now = datetime.now(UTC)
    with database.Store.open(path, readonly=True) as store:
        place.warn(store, site)
        facts = main_job.gather(site, store, now)
        level = Levels().now(site, store, now, facts.history)
        site, levels = level.site, level.levels
        learnt = usage.learn(site, store, now)
    made = outlook.make(site, facts.forecast, levels, now, history=facts.history, use_kg_s=use, learnt=learnt)
    return site, made, (learnt if use is None else None)


# -- print ------------------------------------------------------------------------------------------------------------


def print_outlook(to: Console, site: Site, made: Outlook, *, by_hour: bool) -> None:
    """The answer first, then nights and days, then fuel, then what it rests on."""
    zone = ZoneInfo(site.timezone)
    now = made.at.astimezone(zone)
    to.print(f"[bold]{site.name}[/bold], {now:%a %d %b %H:%M} {now:%Z}", markup=True)
    _print_answer(to, site, made, zone)
    if made.hours:
        to.print()
        _print_hours(to, site, made, zone) if by_hour else _print_blocks(to, site, made)
    to.print()
    _print_fuel(to, site, made, zone)
    _print_basis(to, made, zone)


def _print_answer(to: Console, site: Site, made: Outlook, zone: ZoneInfo) -> None:
    u = site.units
    if not made.hours:
        to.print("[bold]NOT KNOWN[/bold]: there is no forecast for the hours ahead.")
        return
    judged = [h for h in made.hours if h.may_burn]
    unknown = sum(h.uncovered is None for h in judged)
    if made.uncovered:
        count = len(made.uncovered)
        to.print(f"[bold red]NOT COVERED[/bold red] in {count} stretch{'es' if count > 1 else ''}:")
        for s in made.uncovered:
            span = _span(s.start.astimezone(zone), s.end.astimezone(zone))
            cold = show(s.worst_air_k, "temperature", u)
            if s.why == "hold":
                what = f"everything on holds {duration(s.worst_hold_s)} of {duration(s.needed_hold_s)}"
            else:
                what = "less than a continuous appliance burns"
            short = f"short by {show(-s.worst_headroom_w, 'power', u)} without end" if s.worst_headroom_w < 0 else ""
            odds = f"odds {100 * s.probability:.0f} %" if s.probability is not None else "a single forecast, no odds"
            to.print("  [bold]" + span + "[/bold]: " + "; ".join(x for x in (what, short, f"{cold}", odds) if x))
        to.print(f"  {TODO}")
        to.print(f"  {CAUTION}")
    elif unknown == len(judged) and judged:
        to.print("[bold]NOT KNOWN[/bold]: no hour ahead can be judged; what is missing is said below.")
    else:
        end = f"{(made.hours[-1].time + timedelta(hours=1)).astimezone(zone):%a %d %b %H:%M}"
        if unknown:
            hours = "1 hour" if unknown == 1 else f"{unknown} hours"
            rest = "the others to " + end + " are covered"
            to.print(f"[bold]NOT ALL KNOWN[/bold]: {hours} in which something may burn cannot be judged; {rest}.")
        else:
            to.print(f"[bold green]COVERED[/bold green] to {end}.")


def _span(start: datetime, end: datetime) -> str:
    last = f"{end:%H:%M}" if (end - timedelta(minutes=1)).date() == start.date() else f"{end:%a %d %b %H:%M}"
    return f"{start:%a %d %b %H:%M}-{last}"


def _clock(time: datetime) -> str:
    return f"{time:%H:%M}" if time.minute else f"{time:%H}"


def _state(block: Block) -> str:
    if block.state == "uncovered":
        spans = ", ".join(f"{_clock(a)}-{_clock(b)}" for a, b in block.uncovered)
        return f"[bold red]SHORT {spans}[/bold red]"
    return {"covered": "[green]covered[/green]", "unknown": "not known", "idle": "nothing burns"}[block.state]


def _print_blocks(to: Console, site: Site, made: Outlook) -> None:
    from rich.table import Table

    u = site.units
    odds = any(h.probability_uncovered is not None for h in made.hours)
    grid = Table(box=None, pad_edge=False, padding=(0, 0, 0, 1))
    grid.add_column("", no_wrap=True)
    names = ["coldest", f"headroom {unit('power', u)}", "holds", "needs", *(["odds"] if odds else [])]
    for name in names:
        grid.add_column(name, justify="right", no_wrap=True)
    grid.add_column("")
    for b in blocks(made.hours, site.timezone, made.basis, made.nights):
        cold = "–" if b.coldest_at is None else f"{show(b.coldest_k, 'temperature', u)} at {b.coldest_at:%H}"
        head = show(b.least_headroom_w, "power", u).removesuffix(" " + unit("power", u))
        if b.least_headroom_w is not None and b.least_headroom_w > 0:
            head = "+" + head
        level = "no level" if b.beyond_any_level else show(b.level_needed, "share", u)
        row = [f"{b.day:%a %d} {b.part}", cold, head, duration(b.least_hold_s), level]
        if odds:
            row.append("–" if b.probability is None else f"{100 * b.probability:.0f} %")
        lost = f", {b.missing} h missing" if b.missing else ""
        grid.add_row(*row, _state(b) + lost)
    to.print(grid)
    stated = max((a.hold_s for a in site.appliances if not a.continuous), default=None)
    text = f"Demand with everything on {show(made.demand_w, 'power', u)}"
    text += f" for {duration(stated)}" if stated else ""
    to.print(f"{text}. Headroom (capacity less demand) and the share of full needed: without end, {made.basis} basis.")
    to.print("Covered: from rest, everything on holds that long in every hour in which it may burn.")


def _print_hours(to: Console, site: Site, made: Outlook, zone: ZoneInfo) -> None:
    from rich.table import Table

    u = site.units
    grid = Table(box=None, pad_edge=False, padding=(0, 0, 0, 1))
    for name in ("", "air", "liquid", "chart", "floor", "weather", "over demand", "holds", "odds", ""):
        grid.add_column(name, justify="right")
    for h in made.hours:
        state = {True: "[bold red]SHORT[/bold red]", False: "", None: "not known"}[h.uncovered]
        odds = "–" if h.probability_uncovered is None else f"{100 * h.probability_uncovered:.0f} %"
        grid.add_row(
            f"{h.time.astimezone(zone):%a %d %H:%M}",
            show(h.air_k, "temperature", u),
            show(h.liquid_k, "temperature", u),
            *(show(h.sustained_w[b], "power", u) for b in ("chart", "floor", "weather")),
            show(h.headroom_w, "power", u),
            duration(h.hold_s),
            odds,
            state,
        )
    to.print(grid)


def _print_fuel(to: Console, site: Site, made: Outlook, zone: ZoneInfo) -> None:
    u = site.units
    for level in made.levels:
        cylinder = site.cylinder(level.cylinder)
        shut = "" if cylinder.valve_open else ", shut"
        if level.reading_time is None:
            to.print(f"{level.cylinder}: not known ({level.basis}){shut}")
            continue
        share = show(level.left_kg / cylinder.full_kg, "share", u)
        spread = f" ± {show(1.645 * level.sd_kg, 'mass', u)}" if level.sd_kg > 0 else ""
        to.print(f"{level.cylinder}: {show(level.left_kg, 'mass', u)}{spread}, {share} of full ({level.basis}){shut}")
    to.print(run_out_words(made.run_out, zone))


def run_out_words(run_out: RunOut | None, zone: ZoneInfo) -> str:
    """The run-out in a sentence, with its odds."""
    if run_out is None:
        return "Fuel lasts: not known."

    def day(when: datetime | None) -> str:
        return "later than can be said" if when is None else f"{when.astimezone(zone):%a %d %b %Y}"

    if run_out.p50 is None:
        soonest = "" if run_out.p10 is None else f"; 1 chance in 10 that it ends by {day(run_out.p10)}"
        return f"Fuel lasts longer than can be said{soonest}."
    return f"Fuel lasts until about {day(run_out.p50)} (4 chances in 5: {day(run_out.p10)} to {day(run_out.p90)})."


def _print_basis(to: Console, made: Outlook, zone: ZoneInfo) -> None:
    if made.forecast_issued is not None:
        age = (made.at - made.forecast_issued).total_seconds()
        old = (
            f", issued {duration(age)} ago"
            if age >= 0
            else f", issued {made.forecast_issued.astimezone(zone):%d %b %H:%M}"
        )
        to.print(f"Forecast: {made.forecast_source}{old}.")
    for note in made.notes:
        to.print(f"Note: {note}.")
