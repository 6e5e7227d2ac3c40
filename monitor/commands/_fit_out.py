"""What `boiloff fit-out`, `questions` and `first-start` print, and the entry that a sheet leaves in the record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.alerts.cautions import CARRY, DETECTOR, LOCAL, SMELL, VALVE, WARMING
from monitor.model.errors import BadInput, Problem
from monitor.model.site import Site
from monitor.outlook import record
from monitor.sensors.when import when
from monitor.site import fit_out
from monitor.site.questions import questions

if TYPE_CHECKING:
    from rich.console import Console

    from monitor.store import Store


def load(path: Path | None) -> Site:
    """Read the site file. Raises BadInput."""
    from monitor import site as site_file

    return site_file.load(site_file.find(path))


def list_json(site: Site) -> dict[str, Any]:
    """Things to get and marks, as JSON values."""
    return {
        "site": site.name,
        "items": [asdict(item) for item in fit_out.items(site)],
        "marks": [asdict(fit_out.mark(c, site)) for c in site.cylinders],
        "cautions": [LOCAL, CARRY],
    }


def say_list(to: Console, site: Site) -> None:
    """Print the things to get, then the tags, then the cautions."""
    from rich.padding import Padding

    to.print(f"[bold]{site.name}[/bold]: what to get (common practice, no source)")
    for item in fit_out.items(site):
        to.print(f"\n{item.count} x {item.what}", markup=False)
        for head, text in (("Ends", item.ends), ("Mind", item.mind)):
            if text:
                to.print(Padding(f"{head}: {text}", (0, 0, 0, 4)))
    to.print("\n[bold]On a tag at each cylinder[/bold]")
    for cylinder in site.cylinders:
        to.print()
        for line in fit_out.mark(cylinder, site).lines:
            to.print(f"  {line}", markup=False)
    to.print(f"\n{LOCAL} {CARRY}")


def questions_json(site: Site) -> dict[str, Any]:
    """The questions as JSON values."""
    return {"site": site.name, "questions": [asdict(q) for q in questions(site)]}


def say_questions(to: Console, site: Site) -> None:
    """Print each question, what is usual, and where that comes from."""
    from rich.padding import Padding

    to.print(f"[bold]{site.name}[/bold]: ask before money is spent. What is usual may not hold where you live.")
    for question in questions(site):
        because = f" ({question.because})" if question.because else ""
        to.print(f"\n[bold]{question.topic}[/bold]{because}: {question.ask}")
        to.print(Padding(f"Usual: {question.usual}.", (0, 0, 0, 2)))
        to.print(Padding(f"Source: {question.source}.", (0, 0, 0, 2)))
    to.print(f"\n{LOCAL}")


def sheet_json() -> dict[str, Any]:
    """The sheet as JSON values."""
    return {"steps": [asdict(step) for step in fit_out.STEPS], "cautions": [SMELL, VALVE, WARMING, LOCAL, DETECTOR]}


def say_sheet(to: Console) -> None:
    """Print the sheet to tick off by hand."""
    from rich.padding import Padding

    to.print("[bold]First start, and each reconnection[/bold]")
    to.print(f"{LOCAL} New pipe work is for a licensed fitter alone. {SMELL}\n")
    for number, step in enumerate(fit_out.STEPS, 1):
        to.print(f"{number:2}. ( ) {step.name}", markup=False)
        to.print(Padding(step.do, (0, 0, 0, 8)))
        if step.stop:
            label = "STOP." if step.stop.startswith("If ") else "STOP if:"
            to.print(Padding(f"{label} {step.stop}", (0, 0, 0, 8)))
    to.print(f"\n{VALVE} {WARMING} {DETECTOR}")
    to.print('When it is done: boiloff first-start --done all, or --done "leak check" for a step alone.')


def keep(site: Site, done: tuple[str, ...], at: str | None, note: str, path: Path | None) -> dict[str, Any]:
    """Enter what was done into the record. Raises BadInput for a step or a time that cannot be read."""
    from monitor import store as database
    from monitor.store import place

    named = list(fit_out.NAMES) if "all" in done else [name.strip().lower() for name in done]
    form = "all, or a step: " + ", ".join(fit_out.NAMES)
    problems = [Problem("--done", f'"{name}"', form) for name in named if name not in fit_out.NAMES]
    time = now = datetime.now(UTC)
    try:
        time = when(at or "now", now, site.timezone)
    except BadInput as error:
        problems += error.problems
    if problems:
        raise BadInput(problems)
    steps = [name for name in fit_out.NAMES if name in named]
    with database.Store.open(database.find(site, path)) as store, store.transaction():
        place.tie(store, site)
        entries = enter(store, site, steps, time, now, note)
    return {
        "entries": entries,
        "time": time.isoformat(),
        "steps": steps,
        "left_out": [name for name in fit_out.NAMES if name not in steps],
    }


def enter(
    store: Store, site: Site, steps: Sequence[str], at: datetime, now: datetime, note: str, key: str = "--done"
) -> list[int]:
    """Enter the steps done at `at`; a leak check among them counts as tight. Returns the entries' numbers.

    Raises BadInput, under `key`, for a leak check while a leak is open: a tick does not end that.
    """
    from monitor import store as database

    leak = record.open_leak(e for e in store.entries(["leak-check"]) if e.time <= now)
    if "leak check" in steps and leak is not None and leak.time <= at:
        found = f"a leak found on {leak.time.astimezone(ZoneInfo(site.timezone)):%Y-%m-%d} is open"
        how = "enter `boiloff record leak-check`" if key == "--done" else "enter “Leak check” in the record"
        expected = "the sheet without this step; nothing was kept"
        raise BadInput(Problem(key, '"leak check"', expected, f"{found}; {how} when it was tested tight"))
    payload: dict[str, Any] = {"steps": list(steps)} | ({"note": note} if note else {})
    entries = [store.add_event(database.Event("first-start", "site", at, now, payload))]
    if "leak check" in steps:
        tight = {"result": "tight", "method": "leak-test solution, first-start sheet"}
        entries.append(store.add_event(database.Event("leak-check", "site", at, now, tight)))
    return entries


def say_kept(to: Console, kept: dict[str, Any]) -> None:
    """Print what went into the record and what was left out."""
    numbers = " and ".join(str(n) for n in kept["entries"])
    to.print(f"In the record as {numbers}: {', '.join(kept['steps'])}.", markup=False)
    if kept["left_out"]:
        to.print(f"Not done yet: {', '.join(kept['left_out'])}.", markup=False)
    if "leak check" in kept["steps"]:
        undo = f"boiloff record undo {kept['entries'][-1]}"
        to.print(f"The leak check counts as tight. Was it not: close the valves, then {undo}", markup=False)
