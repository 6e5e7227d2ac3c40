"""Static checks of what stands between the cylinders and the burners: pipe, regulator, hose.

Low-pressure gas pipe: NFPA 54 / IFGC equation for 1.5 psi and less, solved for the flow,

    D = Q^0.381 / (19.17 (dH / (Cr L))^0.206)

with D in inches, Q in ft3/h, dH in inches of water, L in feet and Cr = 1.2462 for undiluted propane (IFGC 2018 section
402.4.1 and Table 402.4). One cubic foot of propane vapour carries 2,488 Btu (NFPA 58 table of properties).
Valid for smooth turbulent flow of vapour near 11 in. w.c.; from 80 ft on the printed Schedule 40 rows lie 6-12 % above
this equation (on the unsafe side), and the equation is what is used here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

BTU_J = 1_055.055_852_62
BTU_H_W = BTU_J / 3_600.0
INCH_M = 0.0254
FOOT_M = 0.3048
INCH_WATER_PA = 249.088_91
PROPANE_CR = 1.246_2
BTU_PER_FT3 = 2_488.0

# Inside diameters in inches. Steel: ASME B36.10 Schedule 40. Copper: ASTM B88 type K, the smaller bore of K and L.
SCHEDULE_40_IN = {"1/2": 0.622, "3/4": 0.824, "1": 1.049, "1-1/4": 1.380, "1-1/2": 1.610, "2": 2.067}
COPPER_KL_IN = {"1/4": 0.305, "3/8": 0.402, "1/2": 0.527, "5/8": 0.652, "3/4": 0.745}

# Equivalent length of common fittings in inside diameters (Crane TP-410, turbulent; value from memory).
FITTING_DIAMETERS = {"elbow 90": 30.0, "elbow 45": 16.0, "tee straight": 20.0, "tee branch": 60.0, "valve": 8.0}


def pipe_capacity_w(
    inside_diameter_m: float, length_m: float, drop_pa: float = 0.5 * INCH_WATER_PA, *, extra_diameters: float = 0.0
) -> float:
    """Return the power (W, gross) that a low-pressure pipe carries at the pressure drop `drop_pa`.

    `extra_diameters` adds the equivalent length of fittings, in inside diameters. Raises ValueError where a length,
    a diameter or a drop is not above zero. Source: IFGC 2018 section 402.4.1 (equation in the module's head).
    """
    for name, value in (("inside_diameter_m", inside_diameter_m), ("length_m", length_m), ("drop_pa", drop_pa)):
        if not value > 0:
            raise ValueError(f"{name}: got {value}; expected a number above zero")
    diameter_in = inside_diameter_m / INCH_M
    length_ft = (length_m + extra_diameters * inside_diameter_m) / FOOT_M
    drop_in = drop_pa / INCH_WATER_PA
    flow_ft3_h = (19.17 * diameter_in * (drop_in / (PROPANE_CR * length_ft)) ** 0.206) ** (1 / 0.381)
    return float(flow_ft3_h * BTU_PER_FT3 * BTU_H_W)


def pipe_drop_pa(power_w: float, inside_diameter_m: float, length_m: float, *, extra_diameters: float = 0.0) -> float:
    """Return the pressure drop (Pa) of a low-pressure pipe that carries `power_w`; the inverse of `pipe_capacity_w`."""
    if power_w <= 0:
        return 0.0
    one = pipe_capacity_w(inside_diameter_m, length_m, INCH_WATER_PA, extra_diameters=extra_diameters)
    # flow ~ drop^(0.206/0.381)
    return float(INCH_WATER_PA * (power_w / one) ** (0.381 / 0.206))


@dataclass(frozen=True, slots=True)
class Finding:
    """One result of a check: what is so, by what source, what follows, and what to ask a licensed fitter."""

    part: Literal["regulator", "pipe", "hose", "inlet pressure", "changeover"]
    good: bool
    fact: str
    source: str
    consequence: str = ""
    ask: str = ""


def regulator_finding(rating_w: float, connected_w: float) -> Finding:
    """Judge a regulator's rating against the connected load: 30 % to 90 % (common practice, no source)."""
    share = connected_w / rating_w
    fact = f"the connected load is {share:.0%} of the regulator's rating; 30 % to 90 % is usual"
    source = "common practice, no source"
    if share > 0.9:
        return Finding(
            "regulator", False, fact, source,
            "with everything on, the pressure at the burners sags and flames may lift or go out",
            "Which regulator is rated for this load with a margin?",
        )  # fmt: skip
    if share < 0.3:
        return Finding(
            "regulator", False, fact, source,
            "a regulator far too large hunts at small flames and is more likely to freeze",
            "Which smaller regulator still carries the whole load?",
        )  # fmt: skip
    return Finding("regulator", True, fact, source)


def hose_finding(rating_w: float, connected_w: float) -> Finding:
    """Judge a hose: rated for at least the connected load."""
    fact = f"the hose is rated for {rating_w / connected_w:.0%} of the connected load"
    if rating_w < connected_w:
        return Finding(
            "hose", False, fact, "rating stamped on the hose or its fitting",
            "the hose limits the flow before the cylinders do",
            "Which hose is listed for LP-gas and this load?",
        )  # fmt: skip
    return Finding("hose", True, fact, "rating stamped on the hose or its fitting")


def pipe_finding(
    inside_diameter_m: float, length_m: float, connected_w: float, *, extra_diameters: float = 0.0
) -> Finding:
    """Judge a low-pressure pipe against the connected load at a drop of 0.5 in. w.c."""
    capacity = pipe_capacity_w(inside_diameter_m, length_m, extra_diameters=extra_diameters)
    drop = pipe_drop_pa(connected_w, inside_diameter_m, length_m, extra_diameters=extra_diameters)
    fact = (
        f"the pipe carries {capacity / connected_w:.0%} of the connected load at 0.5 in. w.c. drop; "
        f"at the load it drops {drop / INCH_WATER_PA:.2f} in. w.c."
    )
    source = "low-pressure equation of NFPA 54 and IFGC"
    if capacity < connected_w:
        return Finding(
            "pipe", False, fact, source, "the farthest burner gets too little pressure when everything is on",
            "Which pipe size is right for this length and load?",
        )  # fmt: skip
    return Finding("pipe", True, fact, source)
