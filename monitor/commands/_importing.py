"""What `boiloff import` leaves out as known already, and what it says it did."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from monitor.commands._print import console, print_json
from monitor.commands._reading import NAMES, local
from monitor.model.errors import BadInput, Problem
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from monitor.sensors.csvfile import Read

if TYPE_CHECKING:
    from monitor.store import Store


def refuse(found: Read) -> NoReturn:
    """Raise BadInput with what is wrong in the file."""
    problems = list(found.problems)
    if found.more_problems:
        problems.append(Problem("file", f"{found.more_problems} more faults", "none"))
    raise BadInput(problems)


def fresh(store: Store, readings: Sequence[Reading]) -> list[Reading]:
    """Return those readings that the store does not have: same time, subject, quantity and value are the same fact."""
    found: list[Reading] = []
    seen: set[tuple[str, Quantity, int, float | None]] = set()
    for subject, quantity in sorted({(r.subject, r.quantity) for r in readings}):
        chosen = [r for r in readings if (r.subject, r.quantity) == (subject, quantity)]
        first, last = min(r.time for r in chosen), max(r.time for r in chosen)
        known = store.readings(
            since=first, until=last + timedelta(seconds=1), subject=subject, quantity=quantity, include_corrected=True
        )
        seen |= {_mark(r) for r in known}
        for reading in chosen:
            if _mark(reading) not in seen:
                seen.add(_mark(reading))
                found.append(reading)
    found.sort(key=lambda r: r.time)
    return found


def _mark(reading: Reading) -> tuple[str, Quantity, int, float | None]:
    value = None if reading.value is None else round(reading.value, 9)
    return reading.subject, reading.quantity, round(reading.time.timestamp()), value


def report(found: Read, taken: Sequence[Reading], site: Site, *, dry_run: bool, as_json: bool) -> None:
    """Say what was brought in, by what it is and from when to when."""
    groups = sorted({(r.subject, r.quantity) for r in taken})
    if as_json:
        print_json(
            {
                "dry_run": dry_run,
                "read": len(found.readings),
                "taken": len(taken),
                "known": len(found.readings) - len(taken),
                "faults": [str(p) for p in found.problems],
                "more_faults": found.more_problems,
            }
        )
        return
    out = console()
    for problem in found.problems:
        out.print(str(problem), markup=False, soft_wrap=True)
    if found.more_problems:
        out.print(f"{found.more_problems} more faults")
    for subject, quantity in groups:
        times = [r.time for r in taken if (r.subject, r.quantity) == (subject, quantity)]
        name = NAMES[quantity]
        out.print(
            f"{subject}: {len(times):,} of {name}, {local(min(times), site)} to {local(max(times), site)}",
            markup=False,
            soft_wrap=True,
        )
    verb = "Would take" if dry_run else "Took"
    known = len(found.readings) - len(taken)
    faults = len(found.problems) + found.more_problems
    out.print(f"{verb} {len(taken):,} readings; {known:,} known already; {faults:,} faults.")


def whole(folder: Path, site: Site, path: Path, *, dry_run: bool, as_json: bool) -> None:
    """Bring an export back into an empty database, and say how much that was."""
    from monitor.store import Store, place
    from monitor.store.bring_back import bring_back

    if dry_run:
        raise BadInput(Problem("--dry-run", "a folder", "a CSV file", "A folder goes in whole or not at all."))
    try:
        with Store.open(path) as opened, opened.transaction():
            place.require(opened, site)
            counts = bring_back(opened, folder)
            place.tie(opened, site)
    except (sqlite3.IntegrityError, OverflowError) as error:  # a number twice, a reference to nothing
        raise BadInput(Problem("folder", f"{folder} ({error})", "an export as boiloff wrote it")) from None
    if as_json:
        print_json(counts)
        return
    console().print(
        f"Took {counts['readings']:,} readings and {counts['record']:,} entries of the record into {path}.",
        markup=False, soft_wrap=True,
    )  # fmt: skip
