"""Static checks of what stands between the cylinders and the burners: hose, regulators, changeover, pipe.

Each check gives a finding: what is so, by which source, what follows, and what to ask a licensed fitter. None of them
is a verdict. The thresholds of regulators are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from monitor.model.site import PipeRun, Site, Units
from monitor.model.units_out import show
from monitor.physics import fluid
from monitor.physics.film import Air
from monitor.physics.meal import Burn, planned
from monitor.physics.pipe import INCH_WATER_PA, run_capacity_w, run_drop_pa
from monitor.physics.plant import Plant

Part = Literal[
    "regulator", "inlet pressure", "changeover", "excess flow", "hose", "pipe", "appliance pressure", "lock-up"
]
State = Literal["good", "look", "unknown"]
PRACTICE = "common practice, no source"
PSI_PA = 6_894.757_293
LOAD_LOW, LOAD_HIGH = 0.30, 0.90
APPLIANCE_PA = 11.0 * INCH_WATER_PA
LOCK_UP_MOST_PA = 14.0 * INCH_WATER_PA
EXCESS_FLOW_MARGIN = 1.5
HALF = 0.5  # the charge at which the meal in the cold is looked at


@dataclass(frozen=True, slots=True)
class Finding:
    """One result of a check. `state`: "good", "look" (worth a fitter's look), or "unknown" where a fact is missing."""

    part: Part
    state: State
    fact: str
    source: str
    consequence: str = ""
    ask: str = ""
    name: str = ""  # which run of pipe

    @property
    def good(self) -> bool:
        """Whether nothing is to be done."""
        return self.state == "good"


def check(site: Site, coldest_k: float, share: float = HALF) -> tuple[Finding, ...]:
    """Return every finding for a site. `coldest_k`: air to be ready for; `share` of full for the meal in that cold.

    What the site file does not state is a finding of its own with the state "unknown": nothing counts as checked that
    was not.
    """
    settings, demand = site.settings, site.demand_w
    found: list[Finding] = [regulator_finding(site.supply.regulator_w, demand)]
    found += inlet_findings(site, coldest_k, share)
    found += changeover_finding(site)
    found.append(excess_flow_finding(settings.get("train.excess_flow"), demand))
    found.append(hose_finding(settings.get("train.hose"), demand))
    found += pipe_findings(site, site.pipes)
    measured = settings.get("train.appliance_pressure"), settings.get("train.lock_up")
    found += appliance_findings(*measured, site.units)
    return tuple(found)


def _unknown(part: Part, lacks: str, ask: str, why: str) -> Finding:
    return Finding(part, "unknown", f"not stated yet; it goes into the site file as {lacks}", "the site file", why, ask)


def regulator_finding(rating_w: float | None, connected_w: float) -> Finding:
    """Judge a regulator's rating against the connected load: 30 % to 90 % (common practice, no source)."""
    if rating_w is None:
        return _unknown(
            "regulator", "supply.regulator", "What is the rating on the regulator's plate?", "its load is unchecked"
        )
    share = connected_w / rating_w
    fact = f"the connected load is {share:.0%} of the regulator's rating; 30 % to 90 % is usual"
    if share > LOAD_HIGH:
        then = "with everything on, the pressure at the burners sags, and flames may lift or go out"
        if share <= 1.0:
            then = "little is left for another appliance; near its rating the pressure begins to sag"
        return Finding("regulator", "look", fact, PRACTICE, then, "Which regulator carries this load with a margin?")
    if share < LOAD_LOW:
        then = "a regulator far too large hunts at small flames and is more likely to freeze"
        return Finding("regulator", "look", fact, PRACTICE, then, "Which smaller regulator still carries the load?")
    return Finding("regulator", "good", fact, PRACTICE)


def meal_pressure_pa(site: Site, air_k: float, share: float) -> tuple[float, float]:
    """Return (pressure at rest, least pressure in a meal) before the regulator, Pa gauge, in calm air at `air_k`.

    Every open cylinder is at `share` of full; the meal is everything on for the longest hold stated, or a day for a
    continuous appliance. NaN where no valve is open.
    """
    plant = Plant.of(site)
    charge = np.array([share * c.full_kg if c.valve_open else 0.0 for c in site.cylinders])
    if not charge.any():
        return np.nan, np.nan
    rest = float(fluid.pressure_pa(np.array(air_k))) - site.air_pressure_pa
    burns = []
    by_turns = [a.hold_s for a in site.appliances if not a.continuous]
    if site.continuous_w > 0:
        burns.append(Burn(0.0, 86_400.0, site.continuous_w))
    if by_turns:
        start = 82_800.0 - max(by_turns) if site.continuous_w > 0 else 0.0  # late in the day, the heater long at work
        burns.append(Burn(max(start, 0.0), max(start, 0.0) + max(by_turns), site.demand_w - site.continuous_w))
    hours = 24
    done = planned(plant, charge, Air(np.full(hours, air_k), 0.0, 0.0), burns)
    return max(rest, 0.0), float(np.min(done.lowest_pa))


def inlet_findings(site: Site, coldest_k: float, share: float = HALF) -> Iterator[Finding]:
    """Judge the pressure before the regulator in the cold, at rest and at the lowest of a meal."""
    rest, meal = meal_pressure_pa(site, coldest_k, share)
    lowest = site.supply.lowest_inlet_pa
    source = "vapour pressure of propane (Lemmon et al. 2009) and the vaporization model; basis " + site.supply.basis
    if not np.isfinite(rest):
        yield Finding("inlet pressure", "unknown", "no valve is open", "the site file", "nothing feeds")
        return
    at_rest, at_worst, needs = (show(max(p, 0.0), "pressure", site.units) for p in (rest, meal, lowest))
    fact = (
        f"calm air at {show(coldest_k, 'temperature', site.units)}, cylinders at {share:.0%} of full: "
        f"{at_rest} at rest, {at_worst} at the lowest of the longest burn; the regulator needs {needs}"
    )
    if rest < lowest:
        yield Finding(
            "inlet pressure", "look", fact, source,
            "in that cold the regulator starves even at rest, whatever the level",
            "Is there a regulator for a lower inlet pressure, or must something else heat and cook on such days?",
        )  # fmt: skip
    elif meal <= lowest * (1.0 + 1e-6):
        yield Finding(
            "inlet pressure", "look", fact, source,
            "before that burn is over the flames shrink: more wetted wall, a fuller level or fewer burners carry it",
            "Would a further cylinder feeding together, or larger ones, carry this load?",
        )  # fmt: skip
    else:
        yield Finding("inlet pressure", "good", fact, source)


def changeover_finding(site: Site) -> Iterator[Finding]:
    """Judge the changeover's setting against the first stage behind it; nothing where all feed together."""
    if site.supply.feed != "changeover":
        return
    setting, stage = site.supply.changeover_pa, float(site.settings.get("train.first_stage") or 10 * PSI_PA)
    if setting is None:
        yield _unknown(
            "changeover", "supply.changeover", "At which pressure does the reserve side come in?",
            "too low a setting starves the burners before the reserve comes in",
        )  # fmt: skip
        return
    at, delivers = (show(p, "pressure", site.units) for p in (setting, stage))
    fact = f"the reserve side comes in at {at}; the first stage delivers {delivers}"
    if setting < stage:
        yield Finding(
            "changeover", "look", fact, PRACTICE,
            "the first stage sags before the reserve side comes in",
            "Can the changeover be set at or above the first stage's outlet?",
        )  # fmt: skip
    else:
        yield Finding("changeover", "good", fact, PRACTICE)


def excess_flow_finding(closing_w: float | None, peak_w: float) -> Finding:
    """Judge an excess-flow device: it must stay open at the peak, with a half to spare (common practice, no source)."""
    if closing_w is None:
        return _unknown(
            "excess flow", "train.excess_flow",
            "At which load does the excess-flow device of this connection close, and does it close when a hose tears?",
            "one that closes too early stops the supply as a burner is lit; one far too large never closes",
        )  # fmt: skip
    fact = f"the excess-flow device closes at {closing_w / peak_w:.0%} of the peak load; 150 % or more is usual"
    if closing_w < EXCESS_FLOW_MARGIN * peak_w:
        return Finding(
            "excess flow", "look", fact, PRACTICE,
            "it may slam shut when everything is lit at once or a valve is opened fast",
            "Which connection or device suits this peak?",
        )  # fmt: skip
    return Finding("excess flow", "good", fact, PRACTICE)


def hose_finding(rating_w: float | None, connected_w: float) -> Finding:
    """Judge a hose: rated for at least the connected load."""
    source = "rating marked on the hose or its fitting"
    if rating_w is None:
        return _unknown("hose", "train.hose", "Which load is marked on the hose or its fitting?", "it is unchecked")
    fact = f"the hose is rated for {rating_w / connected_w:.0%} of the connected load"
    if rating_w < connected_w:
        return Finding(
            "hose", "look", fact, source,
            "the hose limits the flow before the cylinders do",
            "Which hose is listed for LP-gas and this load?",
        )  # fmt: skip
    return Finding("hose", "good", fact, source)


def pipe_findings(site: Site, pipes: Sequence[PipeRun]) -> Iterator[Finding]:
    """Judge each run of low-pressure pipe against what it carries, and the runs' drops together."""
    if not pipes:
        yield _unknown(
            "pipe", "[[pipe]]", "Which pipe or tubing runs from the regulator to each appliance, and how long is it?",
            "a run too thin or too long starves the farthest burner",
        )  # fmt: skip
    for run in pipes:
        carried = [a for a in site.appliances if not run.carries or a.name in run.carries]
        yield pipe_finding(run, sum(a.input_w for a in carried), site.units)
    for appliance in site.appliances if len(pipes) > 1 else ():
        runs = [r for r in pipes if not r.carries or appliance.name in r.carries]
        if len(runs) > 1:
            yield _together(site, appliance.name, runs)


def _load(site: Site, run: PipeRun) -> float:
    return sum(a.input_w for a in site.appliances if not run.carries or a.name in run.carries)


def _together(site: Site, name: str, runs: Sequence[PipeRun]) -> Finding:
    drop = sum(run_drop_pa(_load(site, r), r.material, r.size, r.length_m, r.fittings) for r in runs)
    fact = f"on the way to {name}: {' + '.join(r.name for r in runs)} drop {_water(drop, site.units)} in all"
    allowed = _water(0.5 * INCH_WATER_PA, site.units)
    source = f"sum of the runs, if they lie one behind another; {allowed} is the usual allowance"
    if drop > 0.5 * INCH_WATER_PA * (1 + 1e-9):
        return Finding(
            "pipe", "look", fact, source,
            "each run may pass on its own and the appliance still gets too little",
            "Which sizes keep the whole way within the allowance?", name,
        )  # fmt: skip
    return Finding("pipe", "good", fact, source, name=name)


def pipe_finding(run: PipeRun, connected_w: float, units: Units = "us") -> Finding:
    """Judge a run of low-pressure pipe against its load at a drop of 0.5 in. w.c. Raises ValueError for a bad run."""
    at = (run.material, run.size, run.length_m, run.fittings)
    capacity, drop = run_capacity_w(*at), run_drop_pa(connected_w, *at)
    what = f"EHD {run.size}" if run.material == "corrugated" else f"{run.size} in."
    fact = (
        f"{run.material}, {what}, carries {show(capacity, 'power', units)}, {capacity / connected_w:.0%} of its load, "
        f"at a drop of {_water(0.5 * INCH_WATER_PA, units)}; at its load it drops {_water(drop, units)}"
    )
    source = (
        "IFGC 2018 Table 402.4(32)" if run.material == "corrugated" else "low-pressure equation of NFPA 54 and IFGC"
    )
    if capacity < connected_w:
        return Finding(
            "pipe", "look", fact, source, "the farthest burner gets too little pressure when everything is on",
            "Which pipe size is right for this length and load?", run.name,
        )  # fmt: skip
    return Finding("pipe", "good", fact, source, name=run.name)


def appliance_findings(running_pa: float | None, lock_up_pa: float | None, units: Units = "us") -> Iterator[Finding]:
    """Judge what was measured at the appliance: running about 11 in. w.c., at lock-up at most 14 (common practice)."""
    ask = "Will you measure the pressure at the appliance, everything burning and nothing burning?"
    if running_pa is None:
        yield _unknown(
            "appliance pressure", "train.appliance_pressure", ask, "a flame can look right at a wrong pressure"
        )
    else:
        inches = running_pa / INCH_WATER_PA
        span = " to ".join(_water(x * INCH_WATER_PA, units, 1) for x in (10.0, 12.0))
        fact = f"{_water(running_pa, units, 1)} at the appliance with everything burning; {span} is usual"
        if 10.0 <= inches <= 12.0:
            yield Finding("appliance pressure", "good", fact, PRACTICE)
        else:
            then = "too low: weak, lifting or yellow flames" if inches < 10 else "too high: noisy, over-rich flames"
            yield Finding("appliance pressure", "look", fact, PRACTICE, then, "Will you set or change the regulator?")
    if lock_up_pa is None:
        yield _unknown("lock-up", "train.lock_up", ask, "a regulator that does not close lets the pressure creep up")
    else:
        most = _water(LOCK_UP_MOST_PA, units, 1)
        fact = f"{_water(lock_up_pa, units, 1)} with nothing burning; at most {most} is usual"
        good = lock_up_pa <= LOCK_UP_MOST_PA
        then = "" if good else "the regulator does not close: appliance valves are not made for more"
        yield Finding(
            "lock-up", "good" if good else "look", fact, PRACTICE, then, "" if good else "Is it worn or dirty?"
        )


def _water(pa: float, units: Units, digits: int = 2) -> str:
    """A low pressure with the digits that a drop needs."""
    return f"{pa / 100.0:.{digits}f} mbar" if units == "metric" else f"{pa / INCH_WATER_PA:.{digits}f} inH2O"
