"""What low-pressure pipe and tubing carry between the last regulator and the burners.

Low-pressure gas pipe: NFPA 54 / IFGC equation for 1.5 psi and less, solved for the flow,

    D = Q^0.381 / (19.17 (dH / (Cr L))^0.206)

with D in inches, Q in ft3/h, dH in inches of water, L in feet and Cr = 1.2462 for undiluted propane (IFGC 2018 section
402.4.1 and Table 402.4). One cubic foot of propane vapour carries 2,488 Btu (NFPA 58 table of properties).
Valid for smooth turbulent flow of vapour near 11 in. w.c.; from 80 ft on the printed Schedule 40 rows lie 6-12 % above
this equation (on the unsafe side), and the equation is what is used here.

Corrugated tubing has no such equation: its capacity follows a power of the length, by the EHD number (equivalent
hydraulic diameter) printed on it, fitted to IFGC 2018 Table 402.4(32); within 3 % of each printed cell, which is their
rounding. Fittings at its ends are in the table; bends beyond four need the maker's figure.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.model.pipe import COPPER_KL_IN, CORRUGATED, SCHEDULE_40_IN, known_size

BTU_J = 1_055.055_852_62
BTU_H_W = BTU_J / 3_600.0
INCH_M = 0.0254
FOOT_M = 0.3048
INCH_WATER_PA = 249.088_91
PROPANE_CR = 1.246_2
BTU_PER_FT3 = 2_488.0

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


def inside_diameter_m(material: str, size: str) -> float:
    """Return the inside diameter (m) of steel pipe or copper tubing. Raises ValueError for a size that is not known."""
    known_size(material, size)
    if material == "corrugated":
        raise ValueError("corrugated tubing goes by its EHD number and has no plain bore")
    return (SCHEDULE_40_IN if material == "schedule 40" else COPPER_KL_IN)[size] * INCH_M


def corrugated_capacity_w(ehd: str, length_m: float) -> float:
    """Return what corrugated tubing carries (W, gross) at 11 in. w.c. with a drop of 0.5 in. w.c.

    Raises ValueError for an EHD number that is not known or a length not above zero. Source: IFGC 2018 Table 402.4(32).
    """
    known_size("corrugated", ehd)
    if not length_m > 0:
        raise ValueError(f"length_m: got {length_m}; expected a number above zero")
    at_one_foot, exponent = CORRUGATED[ehd]
    # the table ends at 5 ft: shorter pieces are taken as that long, on the safe side
    return float(at_one_foot * 1e3 * BTU_H_W * max(length_m / FOOT_M, 5.0) ** exponent)


def run_capacity_w(material: str, size: str, length_m: float, fittings: Mapping[str, int] | None = None) -> float:
    """Return what a run carries (W, gross) at a drop of 0.5 in. w.c.; `fittings` counts them by kind.

    Raises ValueError for a size, fitting or length that is not known.
    """
    if material == "corrugated":
        return corrugated_capacity_w(size, length_m)
    return pipe_capacity_w(
        inside_diameter_m(material, size), length_m, extra_diameters=fitting_diameters(fittings or {})
    )


def run_drop_pa(
    power_w: float, material: str, size: str, length_m: float, fittings: Mapping[str, int] | None = None
) -> float:
    """Return the pressure drop (Pa) of a run that carries `power_w`; the inverse of `run_capacity_w`."""
    if material == "corrugated":
        _, exponent = CORRUGATED[size]
        share = power_w / corrugated_capacity_w(size, length_m)
        # flow over length at one drop tells flow over drop at one length: both by the drop per length
        return float(0.5 * INCH_WATER_PA * share ** (-1.0 / exponent)) if power_w > 0 else 0.0
    bore = inside_diameter_m(material, size)
    return pipe_drop_pa(power_w, bore, length_m, extra_diameters=fitting_diameters(fittings or {}))


def fitting_diameters(fittings: Mapping[str, int]) -> float:
    """Return the equivalent length of fittings in inside diameters. Raises ValueError for a kind not known."""
    for kind in fittings:
        if kind not in FITTING_DIAMETERS:
            raise ValueError(f"{kind}: expected one of {', '.join(FITTING_DIAMETERS)}")
    return sum(count * FITTING_DIAMETERS[kind] for kind, count in fittings.items())
