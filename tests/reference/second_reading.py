"""A second reading of the vaporization model, scalar and slow, sharing no code with `monitor.physics`.

Properties of propane and air come from CoolProp (Lemmon, McLinden, Wagner, J. Chem. Eng. Data 54 (2009) 3141, and
Lemmon et al. 2000 / 2004 for air), the integration from SciPy. Geometry: 2:1 ellipsoidal heads, integrated numerically.
Film: Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1323 (vertical plate); Churchill and Bernstein,
J. Heat Transfer 99 (1977) 300 (cylinder in crossflow). Heating value: NFPA 58 table of properties, 21,548 Btu/lb gross.
"""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import dataclass

import CoolProp.CoolProp as CP
import numpy as np
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

HEATING_VALUE_J_KG = 21_548 * 2_326.0
CHART_FILM = 11.9
FIN_M = 0.051
STEEL_J_KGK = 470.0
STEFAN_BOLTZMANN = 5.670_374_419e-8
WATER_60F_KG_M3 = 999.0


@functools.lru_cache(maxsize=200_000)
def _liquid(t_k: float) -> tuple[float, float, float]:
    """Density, heat capacity and latent heat of the saturated liquid."""
    h_v = CP.PropsSI("H", "T", t_k, "Q", 1, "Propane")
    h_l = CP.PropsSI("H", "T", t_k, "Q", 0, "Propane")
    return (
        CP.PropsSI("D", "T", t_k, "Q", 0, "Propane"),
        CP.PropsSI("C", "T", t_k, "Q", 0, "Propane"),
        h_v - h_l,
    )


def saturation_k(p_pa: float) -> float:
    """Temperature at which propane boils at the absolute pressure."""
    return float(CP.PropsSI("T", "P", p_pa, "Q", 0, "Propane"))


@dataclass
class Vertical:
    """A vertical cylinder from its stamped water capacity and outside diameter (3 mm wall unless given)."""

    water_capacity_kg: float
    outside_diameter_m: float
    tare_kg: float
    wall_m: float = 0.003

    def __post_init__(self) -> None:
        self.d = self.outside_diameter_m - 2 * self.wall_m
        self.volume = self.water_capacity_kg / WATER_60F_KG_M3
        self.straight = (self.volume - math.pi * self.d**3 / 12) / (math.pi * self.d**2 / 4)
        self.tall = self.d / 2 + self.straight

    def radius(self, z: float) -> float:
        """Inside radius at height z above the lowest point."""
        b = self.d / 4
        low = min(z, self.tall - z)
        if low >= b:
            return self.d / 2
        return self.d / 2 * math.sqrt(max(0.0, 1 - ((b - low) / b) ** 2))

    def volume_below(self, h: float) -> float:
        """Volume below height h by integration of discs."""
        edges = sorted({0.0, min(h, self.d / 4), min(h, self.d / 4 + self.straight), h})
        return float(
            sum(
                quad(lambda z: math.pi * self.radius(z) ** 2, a, b, epsabs=1e-13)[0]
                for a, b in itertools.pairwise(edges)
            )
        )

    def _head_area(self, depth: float) -> float:
        """Area of a head from its pole to `depth`, integrated over the parametric angle."""
        a, b = self.d / 2, self.d / 4
        end = math.acos(max(-1.0, min(1.0, 1 - depth / b)))
        area = quad(lambda th: 2 * math.pi * a * math.sin(th) * math.hypot(a * math.cos(th), b * math.sin(th)), 0, end)[
            0
        ]
        return float(area)

    def wetted(self, mass_kg: float, t_k: float) -> float:
        """Wall area below the liquid's surface."""
        v = min(mass_kg / _liquid(round(t_k, 4))[0], self.volume)
        if v <= 0:
            return 0.0
        h = brentq(lambda x: self.volume_below(x) - v, 0, self.tall, xtol=1e-9)
        b = self.d / 4
        area = self._head_area(min(h, b))
        if h > b:
            area += math.pi * self.d * (min(h, b + self.straight) - b)
        if h > b + self.straight:
            area += self._head_area(b) - self._head_area(self.tall - h)
        return area

    @functools.cached_property
    def table(self) -> tuple[np.ndarray, np.ndarray]:
        """Volume and wetted area on a fine grid of heights, for the integration in time."""
        b, top = self.d / 4, self.d / 4 + self.straight
        grid = np.concatenate(
            [
                b * (1 - np.cos(np.linspace(0, math.pi / 2, 400))),
                np.linspace(b, top, 3)[1:],
                self.tall - b * (1 - np.cos(np.linspace(math.pi / 2, 0, 400)))[1:],
            ]
        )
        area = []
        for h in grid:
            a = self._head_area(min(h, b)) + math.pi * self.d * max(0.0, min(h, top) - b)
            area.append(a if h <= top else a + self._head_area(b) - self._head_area(self.tall - h))
        return np.array([self.volume_below(h) for h in grid]), np.array(area)

    def effective(self, mass_kg: float, t_k: float) -> float:
        """Wetted area and the dry wall that works as a fin; nothing for an empty cylinder."""
        if mass_kg < 1e-3:
            return 0.0
        volume, area = self.table
        wet = float(np.interp(mass_kg / _liquid(round(t_k, 2))[0], volume, area))
        return wet + math.pi * self.d * FIN_M


def natural(height_m: float, air_k: float, wall_k: float) -> float:
    """Churchill-Chu for a vertical surface, air at film temperature."""
    film = (air_k + wall_k) / 2
    k = CP.PropsSI("L", "T", film, "P", 101_325, "Air")
    mu = CP.PropsSI("V", "T", film, "P", 101_325, "Air")
    cp = CP.PropsSI("C", "T", film, "P", 101_325, "Air")
    density = CP.PropsSI("D", "T", film, "P", 101_325, "Air")
    pr = cp * mu / k
    ra = 9.80665 / film * abs(air_k - wall_k) * height_m**3 * (density / mu) ** 2 * pr
    nu = (0.825 + 0.387 * ra ** (1 / 6) / (1 + (0.492 / pr) ** (9 / 16)) ** (8 / 27)) ** 2
    return float(nu * k / height_m)


def forced(diameter_m: float, air_k: float, wall_k: float, wind_m_s: float) -> float:
    """Churchill-Bernstein for a cylinder in crossflow."""
    if wind_m_s <= 0:
        return 0.0
    film = (air_k + wall_k) / 2
    k = CP.PropsSI("L", "T", film, "P", 101_325, "Air")
    mu = CP.PropsSI("V", "T", film, "P", 101_325, "Air")
    pr = CP.PropsSI("C", "T", film, "P", 101_325, "Air") * mu / k
    re = wind_m_s * diameter_m * CP.PropsSI("D", "T", film, "P", 101_325, "Air") / mu
    nu = 0.3 + 0.62 * re**0.5 * pr ** (1 / 3) / (1 + (0.4 / pr) ** (2 / 3)) ** 0.25 * (
        1 + (re / 282_000) ** (5 / 8)
    ) ** (4 / 5)
    return float(nu * k / diameter_m)


def hold_s(
    cylinders: list[Vertical],
    charge_kg: list[float],
    film: float,
    outside_k: float,
    floor_k: float,
    demand_w: float,
    limit_s: float = 86_400.0,
) -> tuple[float, str]:
    """Time from rest at the outside temperature until the pressure reaches the floor or the fuel ends."""
    draw = demand_w / HEATING_VALUE_J_KG
    n = len(cylinders)

    def parts(state: np.ndarray) -> tuple[float, list[float], list[float], float]:
        t = float(state[0])
        _, c, latent = _liquid(round(t, 3))
        wet = [m > 1e-3 for m in state[1:]]
        ua = [film * cyl.effective(float(m), t) for cyl, m in zip(cylinders, state[1:], strict=True)]
        heat = [
            (float(m) * c + cyl.tare_kg * STEEL_J_KGK) if w else 0.0
            for cyl, m, w in zip(cylinders, state[1:], wet, strict=True)
        ]
        return t, ua, heat, latent

    def slope(_time: float, state: np.ndarray) -> list[float]:
        t, ua, heat, latent = parts(state)
        if sum(heat) == 0.0:
            return [0.0] * (n + 1)
        dt = (sum(ua) * (outside_k - t) - draw * latent) / sum(heat)
        return [dt] + [-(u * (outside_k - t) - h * dt) / latent for u, h in zip(ua, heat, strict=True)]

    def cold(_time: float, state: np.ndarray) -> float:
        return float(state[0] - floor_k)

    def empty(_time: float, state: np.ndarray) -> float:
        return float(max(state[1:]) - 1e-3)

    cold.terminal = empty.terminal = True  # type: ignore[attr-defined]
    if outside_k <= floor_k:
        return 0.0, "pressure"
    state = [outside_k, *charge_kg]
    done = solve_ivp(slope, (0, limit_s), state, rtol=1e-8, atol=1e-8, method="LSODA", events=[cold, empty])
    if done.t_events[0].size:
        return float(done.t_events[0][0]), "pressure"
    if done.t_events[1].size:
        return float(done.t_events[1][0]), "fuel"
    return limit_s, "limit"
