"""`boiloff arrange` in short: what comes first and why, a table without empty columns, and what the rest lacked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from monitor.commands._arrange import degrees, duration
from monitor.model import units_out
from monitor.outlook.arrange import Arrangement, Result

if TYPE_CHECKING:
    from rich.console import Console

# How a reason begins or what it holds, and what a count of those is called. In the order of asking.
_KINDS_OUT = (
    ("no supplier", "need a supplier who comes"),
    ("to carry", "too heavy to carry"),
    ("the scale takes", "too heavy for the scale"),
    ("full, at", "do not carry what is asked at {low}, even full"),
    ("high", "too high, or of unknown height"),
    ("height", "too high, or of unknown height"),
    ("along the wall", "too wide"),
    ("your rule allows", "more propane than your rule allows"),
    ("a filling lasts", "empty within a day"),
)


def short_name(a: Arrangement) -> str:
    """A name that fits: "4×100 lb change." """
    feed = {"together": "", "changeover": " change."}[a.candidate.feed]
    return f"{a.candidate.count}×{a.candidate.container.name}{feed}"


def low_words(result: Result) -> str:
    """The design low, in the household's unit."""
    return units_out.show(result.coldest_k, "temperature", result.question.site.units)


def grid(*columns: tuple[str, str]) -> Any:
    """A table without lines; each column has a head and a side, "l" or "r"."""
    from rich.table import Table

    made = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    for name, side in columns:
        made.add_column(name, justify="right" if side == "r" else "left", no_wrap=True)
    return made


def recommend(result: Result) -> str:
    """Return what comes first, why, and what that means, in a few sentences."""
    a = result.chosen[0]
    sentences = [_why(result, a), *_holding(result, a), _short(a), _filling(result, a), _money(a)]
    return " ".join(s for s in sentences if s)


def _why(result: Result, a: Arrangement) -> str:
    q = result.question
    if result.nearest and a.hold_s[q.basis][0] < 60.0:
        return "None of those within your limits burns a minute at that cold; full, it lasts into the coldest air."
    if result.nearest:
        return "Of those within your limits it burns longest, full, at that cold."
    lightest = "among equals, its pieces are the lightest to carry, then it needs the fewest refills"
    if q.mind == "carrying":
        return "It comes first because its pieces are the lightest to carry, then for the fewest lifts a year."
    if q.mind == "trips":
        return "It comes first because it needs the fewest refills a year."
    if q.mind == "cost":
        known = a.yearly_cost is not None
        return "It comes first because it costs least a year." if known else "What a year costs is not known of any."
    if a.short is not None:
        return f"It comes first because it has the fewest short nights; {lightest}."
    if q.stated_s is None:
        return f"It comes first because, half full, it carries everything without end in the coldest air; {lightest}."
    if min(a.hold_s[q.basis][1:]) >= q.stated_s:
        return f"It comes first because even at 20 % it holds what you ask at {low_words(result)}; {lightest}."
    return f"It comes first because it falls least short when half full and at 20 %; {lightest}."


def _holding(result: Result, a: Arrangement) -> list[str]:
    q, low = result.question, low_words(result)
    full, half, least = (_span(s) for s in a.hold_s[q.basis])
    if q.stated_s is None or result.coldest_k is None or not math.isfinite(a.hold_s[q.basis][0]):
        carried = a.carried_k[q.basis]
        return [f"Full, it carries everything without end down to {_air(result, carried[0])}."]
    asked = units_out.duration(q.stated_s)
    said = f"At {low} everything on at once burns for {full} from full, {half} from half full and {least} at 20 %; "
    down = a.held_k[q.basis]
    colder = f"The {asked} is held down to {_air(result, down[0])} full and {_air(result, down[2])} at 20 %."
    return [f"{said}you ask for {asked}.", colder]


def _span(seconds: float) -> str:
    hours, minutes = divmod(int(seconds / 60.0), 60)  # as the table: no minute more than it is
    if seconds >= 86_399.0:
        return "24 h or more"
    return f"{hours} h {minutes} min" if hours and minutes else f"{hours} h" if hours else f"{minutes} min"


def _air(result: Result, kelvin: float) -> str:
    return units_out.show(kelvin, "temperature", result.question.site.units) if math.isfinite(kelvin) else "no air"


def _short(a: Arrangement) -> str:
    if a.short is None:
        return ""
    return (
        f"In the past winters it fell short in {a.short.per_winter:.1f} nights a winter, {a.short.worst:.1f} in the "
        f"worst ({a.short.nights} nights seen)."
    )


def _filling(result: Result, a: Arrangement) -> str:
    q, c = result.question, a.candidate.container
    days, each = round(a.days_between), units_out.show(c.weight_full_kg, "mass", q.site.units)
    when = "one side is empty" if a.candidate.feed == "changeover" else f"{100 * q.refill_share:.0f} % is left"
    often = f"Filled when {when}, that is about every {days} days in winter, {a.trips_year:.1f} times a year"
    return f"{often}, where it stands." if c.in_place else f"{often}; a full one weighs {each}."


def _money(a: Arrangement) -> str:
    parts = [] if a.first_cost is None else [f"{a.first_cost:,.0f} to begin with"]
    parts += [] if a.yearly_cost is None else [f"{a.yearly_cost:,.0f} a year"]
    return f"It costs {' and '.join(parts)}." if parts else ""


def table(result: Result, rows: Sequence[Arrangement]) -> Any:
    """Return one line an arrangement; what is known of none of them has no column."""
    q, u = result.question, result.question.site.units
    unit = units_out.unit("temperature", u)
    nights, first, yearly = (
        any(getattr(a, name) is not None for a in rows) for name in ("short", "first_cost", "yearly_cost")
    )
    held = any(math.isfinite(a.held_k[q.basis][2]) for a in rows)
    columns = [("#", "r"), ("arrangement", "l")]
    columns += [("short", "r"), ("worst", "r")] if nights else []
    columns += [("full", "r"), ("half", "r"), ("20 %", "r")]
    columns += [(f"down to {unit}", "r")] if held else []
    columns += [("refills", "r"), (f"a piece {units_out.unit('mass', u)}", "r")]
    columns += [("first", "r")] if first else []
    columns += [("a year", "r")] if yearly else []
    made = grid(*columns)
    for k, a in enumerate(rows, 1):
        row = [str(k), short_name(a)]
        if nights:
            row += ["–", "–"] if a.short is None else [f"{a.short.per_winter:.1f}", f"{a.short.worst:.1f}"]
        row += [duration(s) for s in a.hold_s[q.basis]]
        row += [degrees(a.held_k[q.basis][2], u)] if held else []
        row += [f"{a.trips_year:.1f}", f"{units_out.number(a.candidate.container.weight_full_kg, 'mass', u):.0f}"]
        row += [_amount(a.first_cost)] if first else []
        row += [_amount(a.yearly_cost)] if yearly else []
        made.add_row(*row)
    return made


def _amount(value: float | None) -> str:
    return "?" if value is None else f"{value:,.0f}"


def legend(result: Result, rows: Sequence[Arrangement]) -> str:
    """Return what the columns mean."""
    q = result.question
    stated = units_out.duration(q.stated_s) if q.stated_s else "the stated burn"
    nights = any(a.short is not None for a in rows)
    held = any(math.isfinite(a.held_k[q.basis][2]) for a in rows)
    down = f"down to: coldest air in which 20 % still holds {stated}. " if held else ""
    short = f"short, worst: nights a winter, and in the worst one, that do not hold {stated}. " if nights else ""
    return (
        f"{short}full, half, 20 %: hours:minutes that everything burns from there at {low_words(result)}, before "
        f"pressure or fuel ends it. {down}refills: a year. a piece: weight of one, full. change.: two sides over an "
        "automatic changeover."
    )


def fell_out(result: Result) -> str:
    """Return how many fell out for what, in one sentence; the first reason of each counts."""
    count: dict[str, int] = {}
    for a in result.out:
        kind = next((words for part, words in _KINDS_OUT if part in a.reasons[0]), "beyond another limit")
        count[kind] = count.get(kind, 0) + 1
    parts = [f"{n} {kind.format(low=low_words(result))}" for kind, n in sorted(count.items(), key=lambda x: -x[1])]
    return f"Fell out: {'; '.join(parts)}." if parts else ""


def print_brief(to: Console, result: Result, show: int) -> None:
    """Print the recommendation, the table and what fell out; the warnings are the caller's."""
    rows = result.chosen[:show]
    a = rows[0]
    head = "NEAREST" if result.nearest else "FIRST CHOICE"
    to.print(f"\n[bold]{head}: {a.name}.[/bold] {recommend(result)}\n")
    to.print(table(result, rows))
    to.print(legend(result, rows))
    if len(result.chosen) > show:
        to.print(f"{len(result.chosen) - show} more are left (--show {len(result.chosen)}).")
    if text := fell_out(result):
        to.print(text)
