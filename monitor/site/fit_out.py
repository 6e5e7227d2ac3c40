"""What to get and what to mark for an arrangement, and the sheet for the first start and each reconnection.

No makes. A connection is named by the fitting at each end. Common practice, no source, unless a line says otherwise;
local codes and a licensed fitter come first.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.alerts.cautions import SMELL
from monitor.model.site import Cylinder, Site
from monitor.model.units_out import show

# Water capacity up to which (a 40-lb cylinder, rounded up) US cylinders have an overfill stop and the hand-wheel
# connection: NFPA 58, 4 to 40 lb of propane; from memory.
SMALL_KG = 44.0


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to get: how many, what, the fitting at each end, and what to mind."""

    count: int
    what: str
    ends: str = ""
    mind: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """What to write on a cylinder's tag."""

    cylinder: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the sheet: its short name, what to do, and when to stop."""

    name: str
    do: str
    stop: str = ""


def items(site: Site) -> tuple[Item, ...]:
    """Return what to get for a site, from the cylinder to the appliance."""
    n = len(site.cylinders)
    small = sum(c.water_capacity_kg <= SMALL_KG for c in site.cylinders)
    out = [
        Item(
            n,
            "cylinder, with the overfill stop or liquid-level gauge that its size requires",
            "outlet: see the pigtails",
        ),
    ]
    if small:
        out.append(Item(
            small, "pigtail, high pressure, for cylinders to 40 lb",
            "hand-wheel connection (external thread of the valve) to 1/4 in. inverted flare",
            "most such valves take a POL nose too; the fitting closes when hot or when flow is too great: open slowly",
        ))  # fmt: skip
    if n - small:
        out.append(Item(
            n - small, "pigtail, high pressure, for larger cylinders",
            "POL (left-hand thread, soft or metal nose) to 1/4 in. inverted flare",
            "nose and seat clean; no sealant on this joint",
        ))  # fmt: skip
    if site.supply.feed == "changeover":
        out.append(Item(
            1, "automatic changeover with first stage",
            "1/4 in. inverted flare inlets, one a side; outlet female pipe thread",
            "indicator in sight of the house; the lever shows the service side",
        ))  # fmt: skip
        outlets = sum(c.side == "service" for c in site.cylinders), sum(c.side == "reserve" for c in site.cylinders)
        for side, count in zip(("service", "reserve"), outlets, strict=True):
            if count > 1:
                out.append(_manifold(count, side))
    elif n > 1:
        out.append(_manifold(n, ""))
    out += [
        Item(n, "shut-off at each cylinder's inlet to the manifold, or a check valve",
             "inverted flare or pipe thread, as the manifold's",
             "one cylinder comes off while the others go on feeding"),
        Item(1, "regulator, two stages (or a first and a second)",
             "inlet inverted flare or POL as the manifold's; outlet female pipe thread",
             f"{_load(site)}; rated for it with the load at 30 to 90 %; vent down, screened"),
        Item(1, "cover for the regulator", "", "keeps freezing rain and ice out of the vent; lets gas fall free"),
        Item(1, "hose or coated pipe from regulator to house, LP-gas listed",
             "flare (no sealant) or male pipe thread (sealant)", f"marked for at least {_load(site)}"),
        Item(max(1, len(site.appliances)), "shut-off with a listed connector at each appliance",
             "female pipe thread to flare", "within reach, in the same room"),
        Item(1, "sealant for tapered pipe threads, LP-gas listed", "",
             "on tapered (male) pipe threads only; never on flare, inverted flare, POL or hand-wheel joints"),
        Item(1, "adapters, as few as can be", "each a joint that can leak",
             "brass, LP-gas listed; left-hand thread is turned the other way"),
        Item(1, "sleeve against sun and rodents over each hose", "",
             "hoses are looked at, not hidden: cracks, chews, kinks"),
        Item(1, "firm, level, non-burning base and a strap or chain", "", "no cylinder on soil, none that can fall"),
        Item(1, "roof or enclosure, open below and above", "",
             "keeps snow off and air moving: a closed box lets gas gather, and the cylinders boil off less"),
        Item(1, "bottle of leak-test solution", "", "or soapy water; never a flame"),
        Item(1, "gas detector low in the room and a carbon-monoxide alarm", "", "boiloff is neither"),
    ]  # fmt: skip
    return tuple(out)


def _manifold(count: int, side: str) -> Item:
    name = f"manifold for {count} cylinders" + (f" on the {side} side" if side else "")
    return Item(
        1, name, f"{count} inverted-flare inlets, one outlet", "rated for the container pressure, not the 11 in. w.c."
    )


def _load(site: Site) -> str:
    return show(site.demand_w, "power", site.units)


def mark(cylinder: Cylinder, site: Site) -> Mark:
    """Return what belongs on a cylinder's tag, in the site's units; what was not read off the collar says so."""
    u = site.units
    ask = dict.fromkeys(cylinder.assumed, " (from a list: check the collar)")
    full = cylinder.tare_kg + cylinder.full_kg
    dates = [f"{key} {cylinder.marks[key]}" for key in ("manufactured", "requalified") if cylinder.marks.get(key)]
    return Mark(
        cylinder.name,
        (
            f"name {cylinder.name}",
            f"empty (TW) {show(cylinder.tare_kg, 'mass', u)}{ask.get('tare', '')}",
            f"water capacity (WC) {show(cylinder.water_capacity_kg, 'mass', u)}{ask.get('water_capacity', '')}",
            f"never above {show(full, 'mass', u)} in all ({show(cylinder.full_kg, 'mass', u)} of gas)",
            *(dates or ("dates of manufacture and last requalification: read them off the collar",)),
        ),
    )


STEPS: tuple[Step, ...] = (
    Step(
        "air",
        "Doors and windows open, nobody smoking, no spark or flame near, every appliance valve and burner off.",
        SMELL,
    ),
    Step(
        "look",
        "Look over each cylinder, hose and joint: dents, rust, cracks, chews, a date past requalification. Each stands "
        "upright, level and tied.",
        "Anything is damaged or out of date: do not connect it.",
    ),
    Step(
        "join",
        "Join by hand, then with the right wrench. No sealant on flare, POL or hand-wheel joints. POL turns left.",
        "A thread binds or a nose is scratched.",
    ),
    Step(
        "pressure test",
        "After new pipe work a licensed fitter tests it with a gauge before any gas goes in, as the local code says.",
        "The gauge falls.",
    ),
    Step(
        "open",
        "Open one cylinder valve slowly, a quarter turn, then fully. A fast opening can close the excess-flow device.",
        "It goes on hissing, or you smell gas: close it, and find the joint that leaks before you open it again. The "
        "flow stops at once: close, wait a minute, open more slowly.",
    ),
    Step(
        "leak check",
        "Brush leak-test solution on every joint from the valve to the house, one cylinder at a time. Bubbles mean a "
        "leak. Never look for one with a flame.",
        "Bubbles grow: close the valve, undo, clean, join again; if they come back, call a licensed fitter.",
    ),
    Step(
        "purge",
        "Let the air out at one burner held open in an aired room, igniting as soon as gas comes; long runs are purged "
        "by a fitter.",
        "Gas comes and does not light within a few seconds: off, air the room, begin again.",
    ),
    Step(
        "burners one by one",
        "Light each burner and pilot by itself, then all together: none may shrink or go out.",
        "Flames sink as more are lit: pressure, pipe or regulator is short. Ask a fitter.",
    ),
    Step(
        "flame",
        "Each flame is blue and steady with a sharp inner cone. Yellow tips, soot, lifting or roaring mean a wrong "
        "orifice, pressure or air.",
        "It is yellow, sooty or lifts: off. Bad burning makes carbon monoxide.",
    ),
    Step(
        "pressure at the appliance",
        "A fitter measures about 11 in. w.c. (27 mbar) with everything burning, at most 14 with nothing burning.",
        "It is outside that.",
    ),
    Step(
        "weigh",
        "Weigh each cylinder, write tag and date, and enter the weights: boiloff reading A --weighs …",
    ),
    Step("tell", "Show everybody in the house where to close the gas and what to do when they smell it."),
)
NAMES: tuple[str, ...] = tuple(step.name for step in STEPS)
