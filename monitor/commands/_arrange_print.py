"""`boiloff arrange` for people: tables within 80 columns, what the words mean, why the rest fell out, cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from monitor.commands._arrange import degrees, duration
from monitor.commands._arrange_brief import grid, low_words, print_brief, short_name
from monitor.model import units_out
from monitor.model.site import BASES
from monitor.outlook.arrange import Arrangement, Result

if TYPE_CHECKING:
    from rich.console import Console

BASIS_LINE = (
    "chart: as trade charts reckon, a light breeze and the liquid boiled down to 0 psig. floor: the same, but stopping "
    "at the regulator's lowest inlet pressure. weather: that pressure, and a calm, clear night; it decides unless you "
    "chose another."
)
CAUTIONS = (
    "A comparison, no permission: how much may be stored, how far from openings and sources of ignition, what may feed "
    "a fixed appliance and who may connect it is for your local code, its authority and a licensed fitter to say. "
    "Cylinders stand upright, outdoors, never in a house, cellar or garage, and are never filled beyond the limit. "
    "Never warm one to get more out of it. What comes from a catalogue or from memory is to be checked against the "
    "collar."
)
_MIND = {
    "short-nights": "fewest short nights",
    "carrying": "least to carry",
    "trips": "fewest refills",
    "cost": "least yearly cost",
}


def print_result(to: Console, result: Result, show: int, *, everything: bool = False) -> None:
    """The first choice and a short table, then the warnings; with `everything` all tables and reasons between."""
    _print_question(to, result)
    rows = result.chosen[:show]
    if result.nearest:
        to.print(
            "\n[bold]NONE CARRIES IT[/bold]: even full, none burns everything as long as asked at "
            f"{low_words(result)}. The nearest are shown, the longest hold first. What helps: fewer burners at once "
            "(ask again with a smaller input or a shorter hold), cylinders kept full for the cold; else ask a licensed "
            "supplier."
        )
    if rows:
        print_brief(to, result, show)
        if everything:
            _print_tables(to, result, rows)
    else:
        to.print("\nNothing is left. What fell out is listed with its reason; what came nearest is first.")
    if everything or not rows:
        _print_out(to, result, show)
    to.print()
    _print_warnings(to, result, rows)
    if rows and not everything:
        to.print("All figures, on each basis, and every reason: the same with --all.")
    to.print(f"\n{CAUTIONS}")


def _print_tables(to: Console, result: Result, rows: Sequence[Arrangement]) -> None:
    to.print()
    to.print(_main(result, rows))
    _print_legend(to, result, rows)
    to.print(f"\nCharge needed at {low_words(result)}, and the coldest air carried without end (full/half/20 %)")
    to.print(_bases(result, rows))
    to.print(BASIS_LINE)
    to.print("\nWeights, money, and what an appliance more might draw at half charge at that low")
    to.print(_costs(result, rows))


def _print_warnings(to: Console, result: Result, rows: Sequence[Arrangement]) -> None:
    _print_missing(to, rows)
    if rows:
        _print_findings(to, rows[0])
    if result.question.site.units == "metric" and all(a.candidate.container.name.endswith(("lb", "gal")) for a in rows):
        to.print('Sizes sold by the kilogram have no known measures: --cylinder "33 kg=79 L WC, 35 kg TW, 318 mm".')
    for note in result.notes:
        to.print(f"Note: {note}.")
    if not result.complete:
        to.print("Broken off: what had not been worked out is missing above.")


def _print_question(to: Console, result: Result) -> None:
    q, u = result.question, result.question.site.units
    burns = ", ".join(f"{a.name} {units_out.show(a.input_w, 'power', u)}" for a in q.site.appliances)
    use = units_out.show(q.use_kg_d / 86_400.0, "mass_rate", u)
    to.print(f"{burns}; {use} in winter; design low {low_words(result)}; decided on {q.basis}; {_MIND[q.mind]} first")
    if q.coldest_k is None:
        to.print("The design low is the coldest hour of the winters given; --coldest sets another.")


def _slashed(values: Sequence[str]) -> str:
    return "/".join(values)


def _main(result: Result, rows: Sequence[Arrangement]) -> Any:
    q, u = result.question, result.question.site.units
    low = "low" if result.coldest_k is None else low_words(result)
    nights = (("short", "r"), ("worst", "r")) if any(a.short is not None for a in rows) else ()
    made = grid(
        ("#", "r"), ("arrangement", "l"), *nights, (f"holds at {low}", "r"),
        (f"held down to {units_out.unit('temperature', u)}", "r"), ("refills", "r"),
    )  # fmt: skip
    for k, a in enumerate(rows, 1):
        short = ["–", "–"] if a.short is None else [f"{a.short.per_winter:.1f}", f"{a.short.worst:.1f}"]
        made.add_row(
            str(k), short_name(a), *(short if nights else ()), _slashed([duration(s) for s in a.hold_s[q.basis]]),
            _slashed([degrees(t, u) for t in a.held_k[q.basis]]), f"{a.trips_year:.1f}",
        )  # fmt: skip
    return made


def _print_legend(to: Console, result: Result, rows: Sequence[Arrangement]) -> None:
    q = result.question
    stated = units_out.duration(q.stated_s) if q.stated_s else "the stated burn"
    rule = f"{100 * q.refill_share:.0f} %"
    to.print(
        f"holds: hours:minutes that everything burns from rest on {q.basis}, at full/half/20 % charge. held down to: "
        f"coldest air in which that is {stated}. refills: a year; all are filled at {rule} of full, with a changeover "
        "(change.) one side when it is empty."
    )
    short = rows[0].short
    if short is not None:
        to.print(
            f"short: nights a winter (October to April, south April to October) in which, in an hour when you may "
            f"burn, that fell below {stated}; mean over {len(q.starts)} fillings at the winter's start; {short.nights} "
            f"nights seen, {short.winters:.1f} winters' worth. worst: in the worst winter."
        )


def _bases(result: Result, rows: Sequence[Arrangement]) -> Any:
    u = result.question.site.units
    made = grid(
        ("#", "r"), ("needs: chart", "r"), ("floor", "r"), ("weather", "r"), ("burn", "r"),
        *((f"{b} {units_out.unit('temperature', u)}", "r") for b in BASES),
    )  # fmt: skip
    for k, a in enumerate(rows, 1):
        needs = [_percent(a.needed[b]) for b in BASES]
        carried = [_slashed([degrees(t, u) for t in a.carried_k[b]]) for b in BASES]
        made.add_row(str(k), *needs, _percent(a.needed_hold), *carried)
    return made


def _percent(share: float) -> str:
    return "none" if not math.isfinite(share) else f"{100 * share:.0f} %"


def _costs(result: Result, rows: Sequence[Arrangement]) -> Any:
    u = result.question.site.units
    unit = units_out.unit("mass", u)
    costs = {"first": [a.first_cost for a in rows], "a year": [a.yearly_cost for a in rows]}
    paid = [name for name, values in costs.items() if any(v is not None for v in values)]
    scale, power = (1000.0 * 0.29307107, "kBtu/h") if u == "us" else (1000.0, "kW")
    made = grid(
        ("#", "r"), (f"a piece {unit}", "r"), ("empty", "r"), (f"fuel {unit}", "r"), ("lifts/yr", "r"),
        *((name, "r") for name in paid), (f"more {power}", "r"), ("no end", "r"),
    )  # fmt: skip

    def mass(kg: float) -> str:
        return f"{units_out.number(kg, 'mass', u):.0f}"

    def money(value: float | None) -> str:
        return "–" if value is None else f"{value:,.0f}"

    def more(watts: float) -> str:
        return "–" if not math.isfinite(watts) else f"{watts / scale:.0f}" if u == "us" else f"{watts / scale:.1f}"

    for k, a in enumerate(rows):
        c = a.candidate.container
        lifts = "filled there" if c.in_place else f"{a.lifts_year:.0f}"
        made.add_row(
            str(k + 1), mass(c.weight_full_kg), mass(c.tare_kg), mass(a.candidate.fuel_kg), lifts,
            *(money(costs[name][k]) for name in paid), more(a.added_hold_w), more(a.added_continuous_w),
        )  # fmt: skip
    return made


def _print_missing(to: Console, rows: Sequence[Arrangement]) -> None:
    missing = list(dict.fromkeys(name for a in rows for name in a.unpriced))
    if missing:
        to.print(f"Not priced: {', '.join(missing)} (--price, --gas, --gas-delivered, --trip): not known is not zero.")


def _print_findings(to: Console, best: Arrangement) -> None:
    """What a fitter should look at with the first arrangement."""
    worth = [f for f in best.findings or () if f.state == "look"]
    unknown = sum(f.state == "unknown" for f in best.findings or ())
    if worth:
        to.print(f"\nSupply train of {short_name(best)}, to ask a licensed fitter:")
        for f in worth:
            to.print(f"- {f.fact}. {f.ask}")
    if unknown:
        to.print(f"{unknown} facts of its supply train are not stated yet; `boiloff train` asks for them.")


def _print_out(to: Console, result: Result, show: int) -> None:
    if not result.out:
        return
    to.print("\nFell out:")
    by_reason: dict[tuple[str, ...], list[Arrangement]] = {}
    for a in result.out:
        by_reason.setdefault(a.reasons, []).append(a)
    most = max(4 * show, 12)
    for k, (reasons, rows) in enumerate(by_reason.items()):
        if k >= most:
            to.print(f"- and {len(by_reason) - most} more kinds of reason; --json has them all")
            break
        to.print(f"- {', '.join(short_name(a) for a in rows)}: {'; '.join(reasons)}")
