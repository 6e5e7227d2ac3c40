"""Past winters by the second reading: rest and hold of one arrangement from CoolProp and SciPy alone.

Rest is marched hour by hour in short steps of the heat balance; holds are `oracle.hold`'s. It shares no code with
`monitor.physics` or `monitor.outlook`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.reference import oracle
from tests.reference import second_reading as second

Series = NDArray[np.float64]
STEPS = 6  # of ten minutes in an hour, each an exact approach
INLET_PA = 68_947.57


@dataclass
class Yard:
    """Hourly weather, (hours,) lists: air (K), wind (m/s at 10 m), clear-sky share, dew point (K)."""

    air: list[float]
    wind: list[float]
    sky: list[float]
    dew: list[float]
    films: dict[tuple[float, int], tuple[float, float]] = field(default_factory=dict)


def film_at(yard: Yard, shell: Any, hour: int) -> tuple[float, float]:
    """Film and outside temperature of an hour, against a wall at the regulator's lowest inlet pressure."""
    key = (shell.outside_diameter_m, hour)
    if key not in yard.films:
        wall = second.saturation_k(101_325.0 + INLET_PA)
        yard.films[key] = oracle.film(
            shell, yard.air[hour], wall, yard.wind[hour], yard.sky[hour], yard.dew[hour], 101_325.0
        )
    return yard.films[key]


def rest(yard: Yard, one: dict[str, float], share: Series, first: int, last: int) -> Series:
    """Liquid at rest (K) at the start of the hours `first` to `last` - 1 in one upright cylinder.

    `share` (hours,) of full. It starts at the outside temperature: after some days nothing is left of that.
    """
    shell = oracle.shell_of(one["wc"], one["od"], one["tare"], 0.003, "vertical")
    full = 0.42 * one["wc"]
    t = film_at(yard, shell, first)[1]
    out = np.empty(last - first)
    for hour in range(first, last):
        out[hour - first] = t
        u, seen = film_at(yard, shell, hour)
        mass = max(float(share[hour]) * full, 2e-3)
        for _ in range(STEPS):
            liquid = oracle.sat(round(t, 2))
            ua = u * shell.effective_at(mass / liquid.rho)
            heat = mass * liquid.c + one["tare"] * second.STEEL_J_KGK
            t = seen + (t - seen) * math.exp(-ua / heat * 3600.0 / STEPS)
    return out


def hold_s(
    yard: Yard, one: dict[str, float], counts: tuple[int, int], state: list[tuple[float, float]], demand_w: float,
    hour: int, stated_s: float,
) -> float:  # fmt: skip
    """Hold (s), followed to a tenth past the stated burn, of `counts` cylinders on the service and reserve sides.

    `state` gives share of full and temperature (K) at rest of either side.
    """
    last = slice(hour, hour + math.ceil(1.1 * stated_s / 3600.0) + 1)
    cylinders, start = [], []
    for side, count, (share, kelvin) in zip(("service", "reserve"), counts, state, strict=True):
        kind = {
            "wc": one["wc"], "od": one["od"], "tare": one["tare"], "wall": 0.003, "shape": "vertical", "side": side,
            "gas": [1.0, 0.0, 0.0, 0.0], "share": share,
        }  # fmt: skip
        cylinders += [kind] * count
        start += [kelvin] * count
    case = {
        "air": yard.air[last], "wind": yard.wind[last], "sky": yard.sky[last], "dew": yard.dew[last],
        "basis": "weather", "air_pa": 101_325.0, "inlet_pa": INLET_PA, "setting_pa": INLET_PA, "demand": demand_w,
        "limit": 1.1 * stated_s, "changeover": counts[1] > 0, "check": False, "start_k": start, "cylinders": cylinders,
    }  # fmt: skip
    return float(oracle.hold(case)["hold_s"])
