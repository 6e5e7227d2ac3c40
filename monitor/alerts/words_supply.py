"""Words for the supply: cold shortfall, fuel, run-out, overfilling, unexpected draw, gas."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

from monitor.alerts import cautions, when
from monitor.alerts.say import Say, percent
from monitor.model.units_out import duration, show

FULL = 0.9  # of full: filling one that holds more brings nothing; our choice
TRIP = timedelta(hours=3)  # who has less time does not get to the station and back


@dataclass(frozen=True, slots=True)
class Texts:
    """How one kind speaks: headline, lines of detail, what to do, what to say when it is over, and its cautions."""

    headline: Callable[[Say], str]
    detail: Callable[[Say], list[str]]
    todo: Callable[[Say], list[str]]
    over: Callable[[Say], str] = lambda _: ""
    cautions: tuple[str, ...] = (cautions.LOCAL, cautions.DETECTOR)


def _shares(say: Say) -> str:
    parts, shares = [], say.cylinders("share")
    for name in (c.name for c in say.site.cylinders):
        share = shares.get(name)
        closed = "" if say.facts.get(f"open.{name}", True) else ", closed"
        if isinstance(share, int | float):
            mass = show(_number(say.facts.get(f"left_kg.{name}")), "mass", say.site.units)
            basis = say.facts.get(f"basis.{name}")
            parts.append(f"{name} {percent(share)} ({mass}{closed}{f'; {basis}' if basis else ''})")
        elif name in _unread(say):
            parts.append(f"{name} not known (never read{closed})")
    return ", ".join(parts)


def _unread(say: Say) -> list[str]:
    """Return the cylinders of whom no level is known: they count as empty."""
    shares = say.cylinders("share")
    return [n for n in say.cylinders("open") if n not in shares]


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _closed_with_fuel(say: Say) -> list[str]:
    """Return the closed cylinders that may be opened to help: none while a leak is not known to be mended."""
    if say.facts.get("leak_open"):
        return []
    shares = say.cylinders("share")
    return [
        n for n, s in shares.items() if isinstance(s, int | float) and s > 0.1 and not say.facts.get(f"open.{n}", True)
    ]


def _closed(say: Say) -> bool:
    return not all(say.cylinders("open").values())


def _emptiest(say: Say, *, feeding: bool = False, below: float = math.inf) -> str:
    """Return the cylinder with the least share of full under `below`, of those that are open where `feeding`, or ""."""
    shares = {
        n: float(s) for n, s in say.cylinders("share").items()
        if isinstance(s, int | float) and s < below and (not feeding or say.facts.get(f"open.{n}", True))
    }  # fmt: skip
    return min(shares, key=lambda n: shares[n]) if shares else ""


def _needs(say: Say) -> str:
    """Return e.g. "A needs 62 %, has 35 %" for the open cylinder that is furthest below, or "".

    The level is the one that carries full burners without end: beside a hold time it would be another question.
    """
    need, name = say.number("level_needed"), _emptiest(say, feeding=True)
    share = say.number(f"share.{name}") if name else None
    if need is None or share is None or share >= need:
        return ""
    return f"{name} needs {percent(need)}, has {percent(share)}"


def _no_level_helps(say: Say) -> bool:
    """Whether at the worst hour not even full cylinders carry full burners without end."""
    return "level_needed" in say.facts and say.facts["level_needed"] is None


def _cold_headline(say: Say) -> str:
    span, air = say.span("worst_start", "worst_end"), say.show("air_k", "temperature")
    odds, short = say.number("probability"), say.number("short_w") or 0.0
    continuous = say.text("why") == "continuous"
    held = short <= 0 if continuous else (say.number("hold_s") or 0.0) >= (say.number("needed_s") or 0.0)
    if held and odds is not None:
        what = "burners are short" if continuous else f"full burners do not hold {say.minutes('needed_s')} min"
        fact = f"{span}: odds of {percent(odds)} that {what} at about {air}"
    elif continuous:
        fact = f"{span}: burners short by {say.show('short_w', 'power')} at {air}"
    else:
        fact = f"{span}: full burners hold {say.minutes('hold_s')} of {say.minutes('needed_s')} min at {air}"
    if say.text("start") != say.text("worst_start"):
        fact += f"; first {say.at('start')}"
    needs = _needs(say) if continuous else ""
    return f"{fact}; {needs}" if needs else fact


def _cold_detail(say: Say) -> list[str]:
    lines = []
    nights = say.number("nights") or 1
    if nights > 1:
        lines.append(f"{nights:.0f} days are concerned, from {say.at('start')} to {say.at('last_end')}.")
    wanted = "it must burn without end" if say.text("why") == "continuous" else f"you want {say.long('needed_s')}"
    lines.append(
        f"Worst at {say.at('worst_time')}, air {say.show('air_k', 'temperature')}: everything at full takes "
        f"{say.show('demand_w', 'power')}; from rest that holds {say.long('hold_s')}, {wanted}."
    )
    if (say.number("short_w") or 0) > 0:
        lines.append(
            f"What the cylinders can give without end is then short by {say.show('short_w', 'power')} "
            f"(basis: {say.text('basis')})."
        )
    needs = _needs(say)
    if _none_open(say):
        lines.append("Every valve is marked closed: nothing feeds the house.")
    elif needs:
        lines.append(f"To carry everything at full without end {needs}.")
    elif _no_level_helps(say):
        which = "the open cylinders, even full, do not" if _closed(say) else "not even full cylinders"
        lines.append(f"At that hour {which} carry everything at full without end.")
    shares = _shares(say)
    if shares:
        lines.append(f"Filled now, as a share of full: {shares}.")
    source = say.text("forecast_source")
    if source:
        lines.append(f"Forecast: {source}, issued {say.at('forecast_issued')}.")
    if say.text("official"):
        lines.append(f"Official warning in force: {say.text('official')}. Power and internet may fail too: act early.")
    return lines


def _cold_todo(say: Say) -> list[str]:
    opens = _open_first(say)
    weigh = [f"Weigh {' and '.join(_unread(say))}: never read, so counted as empty."] if _unread(say) else []
    low = _emptiest(say, below=FULL)
    less = "burn less at once in those hours: one or two burners, shorter, with pauses."
    move = "cook before the cold, and keep a way to cook that needs no gas."
    if _none_open(say):
        none = [f"Have {low or 'a cylinder'} filled or exchanged. {cautions.CARRY}", "Until then cook without gas."]
        return [*opens, *weigh] or none
    if _no_level_helps(say):
        plan = [*opens, "Plan with fewer burners: " + less, "Or move the cooking: " + move, *weigh]
        if say.text("why") == "continuous":
            return [*plan, "Filling does not cure this: in that cold no level of the cylinders carries it."]
        if not low:
            return [*plan, "Filling does not cure this: what was read is full, or nearly."] if _known(say) else plan
        more = f"Filling {low} lasts longer from rest, but do not count on it: no level carries everything without end."
        return [*plan, f"{more} {cautions.CARRY}"]
    fill = f"Fill or exchange {low} {_by(say)}: more liquid wets more wall. {cautions.CARRY}"
    ways = [*opens, *([fill] if low else []), *weigh]
    first, second = ("Or burn", "Or cook") if ways else ("Burn", "Or cook")
    return [*ways, first + less.removeprefix("burn"), second + move.removeprefix("cook")]


def _open_first(say: Say) -> list[str]:
    if say.facts.get("leak_open") and _closed(say):
        return [cautions.LEAK_OPEN]
    closed = _closed_with_fuel(say)
    if not closed:
        return []
    feeds = ("they feed" if len(closed) > 1 else "it feeds") + ("" if _none_open(say) else " as well")
    return [f"Open the valve of {' and '.join(closed)} so that {feeds}. {cautions.VALVE}"]


def _none_open(say: Say) -> bool:
    """Whether every valve is marked closed."""
    return bool(say.cylinders("open")) and not any(say.cylinders("open").values())


def _known(say: Say) -> bool:
    return bool(say.cylinders("share"))


def _by(say: Say) -> str:
    """Return by when to fill; where there is no time for a trip before it begins, that it is urgent."""
    start = when.parse(say.facts.get("start"))
    return "as soon as you can" if start is not None and start < say.now + TRIP else f"before {say.at('start')}"


def _fuel_headline(say: Say) -> str:
    share, left = say.number("share") or 0.0, say.show("left_kg", "mass")
    lasts = say.number("lasts_s")
    tail = f"; at the present use {duration(lasts)}" if lasts is not None else ""
    urge = {2: ", refill now", 3: ", nearly empty"}.get(int(say.number("step") or 1), ", refill soon")
    return f"Fuel {percent(share)}: {left} left{tail}{urge}"


def _fuel_detail(say: Say) -> list[str]:
    lines = [
        (
            f"The open cylinders hold {say.show('left_kg', 'mass')} of {say.show('full_kg', 'mass')}, "
            f"give or take {say.show('sd_kg', 'mass')} (one standard deviation)."
        ),
        f"Step that was passed: {say.percent('limit')} (common practice, no source).",
    ]
    if say.number("use_kg_s") is not None:
        lines.append(f"Present use: {say.show('use_kg_s', 'mass_rate')}.")
    shares = _shares(say)
    return [*lines, f"Each: {shares}."] if shares else lines


def _fuel_todo(say: Say) -> list[str]:
    low = _emptiest(say, below=FULL)
    closed = _closed_with_fuel(say)
    lines = [f"Have {low or 'a cylinder'} filled or exchanged. {cautions.CARRY}"]
    if closed:
        still = (
            "still hold fuel and are closed: open them"
            if len(closed) > 1
            else "still holds fuel and is closed: open it"
        )
        lines.insert(0, f"{' and '.join(closed)} {still}. {cautions.VALVE}")
    if say.facts.get("leak_open") and _closed(say):
        lines.insert(0, cautions.LEAK_OPEN)
    return lines


def _run_out_headline(say: Say) -> str:
    if say.text("planned"):
        return f"Fuel may end {say.day('p10')}, before the refill planned for {say.day('planned')}"
    return f"Fuel ends about {say.at('p50')}"


def _run_out_detail(say: Say) -> list[str]:
    return [
        (
            f"One chance in ten that it ends before {say.at('p10')}, even odds at {say.at('p50')}, nine in ten before "
            f"{say.at('p90')}; from the use seen so far and the weather ahead."
        )
    ]


def _gas_headline(say: Say) -> str:
    return f"GAS reported by {say.c.subject}. Get everyone out now and call from outside."


def _gas_detail(say: Say) -> list[str]:
    return [
        f"Sensor {say.c.subject} reported gas at {say.at('time')}. Take it as true until a professional has looked."
    ]


def _loser(say: Say) -> str:
    return "The cylinders together lose" if say.c.subject == "site" else f"{say.c.subject} loses"


def _each_loses(say: Say) -> list[str]:
    rates = say.cylinders("rate")
    each = ", ".join(f"{n} {show(_number(r), 'mass_rate', say.site.units)}" for n, r in rates.items())
    return [f"Each: {each}."] if each else []


GAS_TODO = [
    "Get everyone out now. Leave doors open behind you.",
    "Touch no switch, plug, phone or flame inside.",
    "From outside, at a distance, call the emergency number and your supplier.",
    "Close the cylinder valve only if you can reach it safely from outside without passing through gas.",
    "Do not go back in before someone qualified says so.",
]
DRAW_TODO = [
    "Smell at the cylinders, the regulator and every appliance, low down: the gas is heavier than air.",
    "Look at every burner and pilot: is one on, or was one blown out?",
    "If you smell gas or cannot find out why: close the valve, and have a licensed fitter test for leaks.",
    "If all is well: compare the sensor with a weighing; it may drift.",
]

SUPPLY: dict[str, Texts] = {
    "gas-detected": Texts(
        _gas_headline,
        _gas_detail,
        lambda _: list(GAS_TODO),
        lambda _: "Go by what someone qualified has found, not by this",
        ("The sensor speaks here, not boiloff: boiloff itself is no gas detector.", cautions.LOCAL),
    ),
    "cold-shortfall": Texts(_cold_headline, _cold_detail, _cold_todo, lambda _: "", cautions.SUPPLY),
    "low-fuel": Texts(
        _fuel_headline,
        _fuel_detail,
        _fuel_todo,
        lambda s: f"{s.percent('share')} of full, {s.show('left_kg', 'mass')}" if s.number("share") else "",
        cautions.SUPPLY,
    ),
    "run-out": Texts(
        _run_out_headline,
        _run_out_detail,
        lambda _: ["Move the refill forward, or use less until then.", cautions.CARRY],
        lambda _: "",
        cautions.SUPPLY,
    ),
    "overfilled": Texts(
        lambda s: (
            f"{s.c.subject} is overfilled, by what its scale says. Keep it in the shade."
            if s.text("set_aside")
            else f"{s.c.subject} is overfilled: {s.show('share', 'share')} of its filling limit. Keep it in the shade."
        ),
        lambda s: [
            (
                f"Its scale says {s.text('set_aside')}. Its filling limit is {s.show('full_kg', 'mass')} of propane. "
                "Take it for overfilled until you know that the scale or the tare is wrong."
            )
            if s.text("set_aside")
            else (
                f"It holds {s.show('left_kg', 'mass')}, its filling limit is {s.show('full_kg', 'mass')} "
                f"({s.text('basis')}; give or take {s.show('sd_kg', 'mass')})."
            ),
            "Liquid expands as it warms; without room the relief valve may vent gas.",
        ],
        lambda _: [
            "Leave it outdoors, upright, in the shade, away from flames, engines and drains.",
            "Do not bleed it yourself. Have the supplier who filled it take gas out.",
            "If the relief valve hisses: keep everyone and every flame away, and call for help from a distance.",
        ],
        lambda _: "",
        cautions.SUPPLY,
    ),
    "unexpected-draw": Texts(
        lambda s: f"{_loser(s)} {s.show('rate_kg_s', 'mass_rate')} while nothing should burn: smell and look now",
        lambda s: [
            (
                f"In hours in which no appliance may burn its level fell by {s.show('rate_kg_s', 'mass_rate')}, "
                f"give or take {s.show('sd_kg_s', 'mass_rate')}. It may be a burner or pilot left on, a heater, a "
                "leak, or a drifting sensor."
            ),
            *_each_loses(s),
        ],
        lambda _: list(DRAW_TODO),
        lambda _: "",
        cautions.SUPPLY,
    ),
}
