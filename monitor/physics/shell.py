"""The cylinder as a solid: mass, volume, height, wetted wall and gauge readings, both ways.

Vertical shell with 2:1 ellipsoidal heads (head volume pi D^3/24, depth D/4, D inside), or the same solid on its side.
The straight part's length follows from the stamped water capacity (water at 60 degF). A shell too squat for 2:1 heads
gets flatter ones that hold its water capacity. Arrays broadcast; NaN in, NaN out. Wall area is that of the inside.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.site import Cylinder
from monitor.physics import fluid

Array = NDArray[np.float64]

WATER_60F_KG_M3 = 999.016  # density of water at 60 degF and 1 atm (IAPWS-95)
FIN_M = 0.051  # dry wall just above the liquid that works as a fin: fitted to the 100-lb handbook table
DRY_KG = 1e-3  # less than this counts as dry
STEEL_J_KGK = 470.0
_MANY = 4096  # numbers from which on it is worth parting them


@dataclass(frozen=True, slots=True)
class Shell:
    """Inside measures of one cylinder. `head_m` is the depth of a head, `straight_m` the length between heads."""

    radius_m: float
    head_m: float
    straight_m: float
    volume_m3: float
    horizontal: bool

    @property
    def diameter_m(self) -> float:
        """Inside diameter (m)."""
        return 2.0 * self.radius_m

    @property
    def height_m(self) -> float:
        """Inside height as it stands (m)."""
        return self.diameter_m if self.horizontal else self.straight_m + 2.0 * self.head_m

    @property
    def film_height_m(self) -> float:
        """Height of the straight shell for the natural-convection film (m); of a head where that is more."""
        return max(self.straight_m, self.head_m)

    @property
    def head_area_m2(self) -> float:
        """Area of one whole head (m2)."""
        return float(_head_area(self, np.array(self.head_m)))

    @property
    def wall_m2(self) -> float:
        """Area of the whole wall (m2)."""
        return 2.0 * self.head_area_m2 + 2.0 * math.pi * self.radius_m * self.straight_m


def of(cylinder: Cylinder) -> Shell:
    """Return the inside measures of `cylinder`."""
    horizontal = cylinder.shape == "horizontal"
    return _shell(cylinder.water_capacity_kg, cylinder.outside_diameter_m, cylinder.wall_m, horizontal)


@lru_cache(maxsize=512)
def _shell(water_kg: float, outside_m: float, wall_m: float, horizontal: bool) -> Shell:
    volume = water_kg / WATER_60F_KG_M3
    radius = outside_m / 2.0 - wall_m
    head = radius / 2.0
    straight = (volume - 4.0 / 3.0 * math.pi * radius**2 * head) / (math.pi * radius**2)
    if straight < 0.0:
        straight, head = 0.0, volume * 3.0 / (4.0 * math.pi * radius**2)
    return Shell(radius, head, straight, volume, horizontal)


# --- one head, measured from its pole -------------------------------------------------------------------------------


def _head_volume(s: Shell, depth: Array) -> Array:
    z = depth / s.head_m
    return np.asarray(math.pi * s.radius_m**2 * s.head_m * z**2 * (1.0 - z / 3.0), dtype=np.float64)


def _head_depth(s: Shell, volume: Array) -> Array:
    """Depth filled by `volume` <= a head's: the cubic z^3 - 3 z^2 + 3 v = 0 by its cosine form, one Newton step."""
    v = np.clip(volume / (math.pi * s.radius_m**2 * s.head_m), 0.0, 2.0 / 3.0)
    z = 1.0 + 2.0 * np.cos((np.arccos(np.clip(1.0 - 1.5 * v, -1.0, 1.0)) + 4.0 * math.pi) / 3.0)
    z = np.clip(z, 0.0, 1.0)
    slope = z * (2.0 - z)
    safe = slope > 1e-12
    z = np.where(safe, z - (z**2 * (1.0 - z / 3.0) - v) / np.where(safe, slope, 1.0), np.sqrt(v))
    return np.asarray(np.clip(z, 0.0, 1.0) * s.head_m, dtype=np.float64)


def _head_area(s: Shell, depth: Array) -> Array:
    """Wall of a head from its pole to `depth`: the oblate spheroid's area in closed form."""
    b, c = s.head_m, math.sqrt(s.radius_m**2 - s.head_m**2)
    u = 1.0 - depth / b

    def primitive(x: Array | float) -> Array:
        root = np.sqrt(b**2 + (c * np.asarray(x)) ** 2)
        return np.asarray(0.5 * (x * root + b**2 / c * np.arcsinh(c * np.asarray(x) / b)), dtype=np.float64)

    return np.asarray(2.0 * math.pi * s.radius_m * (primitive(1.0) - primitive(u)), dtype=np.float64)


def _beyond(function: Callable[[Shell, Array], Array], s: Shell, x: Array, edge: float) -> Array:
    """`function` at `x` held to `edge`: most of a cylinder's levels lie in its straight part, beyond both heads."""
    inside = ~(x >= edge)
    if 2 * np.count_nonzero(inside) > inside.size or x.size < _MANY:
        return function(s, np.minimum(x, edge))
    out = np.full(x.shape, function(s, np.array(edge)))
    out[inside] = function(s, x[inside])
    return out


# --- the whole solid ------------------------------------------------------------------------------------------------


def volume_at_height(s: Shell, height_m: ArrayLike) -> Array:
    """Volume (m3) below `height_m` above the lowest point inside (m), which is clipped to the shell."""
    h = np.clip(np.asarray(height_m, dtype=np.float64), 0.0, s.height_m)
    if s.horizontal:
        r = s.radius_m
        segment = r**2 * np.arccos(np.clip(1.0 - h / r, -1.0, 1.0)) - (r - h) * np.sqrt(np.maximum(h * (2 * r - h), 0))
        return np.asarray(s.straight_m * segment + s.head_m / r * math.pi * h**2 * (r - h / 3.0), dtype=np.float64)
    b = s.head_m
    low = _head_volume(s, np.minimum(h, b))
    middle = math.pi * s.radius_m**2 * np.clip(h - b, 0.0, s.straight_m)
    top = np.clip(h - b - s.straight_m, 0.0, b)
    return np.asarray(low + middle + _head_volume(s, np.array(b)) - _head_volume(s, b - top), dtype=np.float64)


def height_at_volume(s: Shell, volume_m3: ArrayLike) -> Array:
    """Height of the liquid (m) that fills `volume_m3` (m3), which is clipped to the shell."""
    v = np.clip(np.asarray(volume_m3, dtype=np.float64), 0.0, s.volume_m3)
    if s.horizontal:
        return _height_lying(s, v)
    head = 2.0 / 3.0 * math.pi * s.radius_m**2 * s.head_m
    area = math.pi * s.radius_m**2
    low = _beyond(_head_depth, s, v, head)
    middle = np.clip((v - head) / area, 0.0, s.straight_m)
    top = s.head_m - _beyond(_head_depth, s, s.volume_m3 - v, head)
    return np.asarray(low + middle + top, dtype=np.float64)


def _height_lying(s: Shell, v: Array) -> Array:
    """Bisection, then Newton, on the closed form of the volume."""
    low, high = np.zeros_like(v), np.full_like(v, s.height_m)
    for _ in range(30):
        middle = 0.5 * (low + high)
        over = volume_at_height(s, middle) > v
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    h = 0.5 * (low + high)
    for _ in range(3):
        half = np.sqrt(np.maximum(h * (s.height_m - h), 1e-18))
        surface = 2.0 * s.straight_m * half + math.pi * half**2 * s.head_m / s.radius_m
        h = np.clip(h - (volume_at_height(s, h) - v) / surface, low, high)
    return np.asarray(np.where(np.isnan(v), np.nan, h), dtype=np.float64)


_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(24)


def _spheroid_side_area(s: Shell, height: Array) -> Array:
    """Wall of both heads, lying, below `height` <= the radius: by Gauss-Legendre over the axis.

    Along the axis x = b sin t the section is a circle r = R cos t, wet over the angle 2 acos((R - h)/r).
    """
    cos_end = np.clip(1.0 - height / s.radius_m, 0.0, 1.0)
    t_end = np.arccos(cos_end)[..., None]
    u = 0.5 * (_GAUSS_X + 1.0)
    t = t_end * u * (2.0 - u)  # bunches points where the wet angle closes like a square root
    weight = 0.5 * _GAUSS_W * t_end * 2.0 * (1.0 - u)
    r = s.radius_m * np.cos(t)
    wet = 2.0 * np.arccos(np.clip(cos_end[..., None] / np.maximum(np.cos(t), 1e-300), -1.0, 1.0))
    length = np.sqrt((s.head_m * np.cos(t)) ** 2 + (s.radius_m * np.sin(t)) ** 2)
    return np.asarray(2.0 * np.sum(weight * r * wet * length, axis=-1), dtype=np.float64)


def wetted_at_height(s: Shell, height_m: ArrayLike) -> Array:
    """Wall (m2) below `height_m` (m)."""
    h = np.clip(np.asarray(height_m, dtype=np.float64), 0.0, s.height_m)
    if s.horizontal:
        r = s.radius_m
        low = _spheroid_side_area(s, np.minimum(h, 2.0 * r - h))
        heads = np.where(h <= r, low, 2.0 * s.head_area_m2 - low)
        return np.asarray(heads + 2.0 * r * s.straight_m * np.arccos(np.clip(1.0 - h / r, -1.0, 1.0)), dtype=np.float64)
    b = s.head_m
    low = _beyond(_head_area, s, h, b)
    middle = 2.0 * math.pi * s.radius_m * np.clip(h - b, 0.0, s.straight_m)
    top = np.clip(h - b - s.straight_m, 0.0, b)
    return np.asarray(low + middle + s.head_area_m2 - _beyond(_head_area, s, b - top, b), dtype=np.float64)


def fin_at_height(s: Shell, height_m: ArrayLike) -> Array:
    """Dry wall that works as a fin (m2): the line where the liquid meets the wall times 0.051 m.

    Upright that line is pi D whatever the level, as the handbook table was fitted. On its side it is the outline of
    the liquid's surface: two straights and an ellipse (perimeter after Ramanujan, 1914).
    """
    h = np.asarray(height_m, dtype=np.float64)
    if not s.horizontal:
        return np.where(np.isnan(h), np.nan, math.pi * s.diameter_m * FIN_M)
    half = np.sqrt(np.maximum(h * (s.height_m - h), 0.0))
    minor = half * s.head_m / s.radius_m
    lam = 3.0 * ((s.radius_m - s.head_m) / (s.radius_m + s.head_m)) ** 2
    ellipse = math.pi * (half + minor) * (1.0 + lam / (10.0 + math.sqrt(4.0 - lam)))
    straight = 2.0 * s.straight_m * np.minimum(half / (0.05 * s.radius_m), 1.0)  # none where there is no surface
    return np.asarray((ellipse + straight) * FIN_M, dtype=np.float64)


def effective_at_volume(s: Shell, volume_m3: ArrayLike) -> Array:
    """Wetted wall and fin (m2) for a liquid volume (m3); dryness is the caller's matter."""
    h = height_at_volume(s, volume_m3)
    return wetted_at_height(s, h) + fin_at_height(s, h)


# --- by cylinder and mass -------------------------------------------------------------------------------------------


def volume_m3(cylinder: Cylinder) -> float:
    """Inside volume of the cylinder (m3) from its stamped water capacity."""
    return of(cylinder).volume_m3


def inside_height_m(cylinder: Cylinder) -> float:
    """Inside height as the cylinder stands or lies (m)."""
    return of(cylinder).height_m


def liquid_m3(cylinder: Cylinder, mass_kg: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Volume (m3) of `mass_kg` (kg) of liquid propane at `liquid_k` (K), at most the shell's."""
    v = np.asarray(mass_kg, dtype=np.float64) / fluid.density_kg_m3(liquid_k)
    return np.clip(v, 0.0, of(cylinder).volume_m3)


def ullage_m3(cylinder: Cylinder, mass_kg: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Vapour space above the liquid (m3)."""
    return np.asarray(of(cylinder).volume_m3 - liquid_m3(cylinder, mass_kg, liquid_k), dtype=np.float64)


def height_of_mass_m(cylinder: Cylinder, mass_kg: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Height of the liquid above the lowest point inside (m)."""
    return height_at_volume(of(cylinder), liquid_m3(cylinder, mass_kg, liquid_k))


def mass_at_height_kg(cylinder: Cylinder, height_m: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Mass of liquid (kg) that stands `height_m` (m) above the lowest point inside."""
    return np.asarray(volume_at_height(of(cylinder), height_m) * fluid.density_kg_m3(liquid_k), dtype=np.float64)


def wetted_m2(cylinder: Cylinder, mass_kg: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Wall (m2) that the liquid wets."""
    return wetted_at_height(of(cylinder), height_of_mass_m(cylinder, mass_kg, liquid_k))


def mass_of_wetted_kg(cylinder: Cylinder, wetted_area_m2: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Mass of liquid (kg) that wets `wetted_area_m2` (m2) of the wall: the inverse of `wetted_m2`, by bisection."""
    s = of(cylinder)
    target = np.clip(np.asarray(wetted_area_m2, dtype=np.float64), 0.0, s.wall_m2)
    low, high = np.zeros_like(target), np.full_like(target, s.height_m)
    for _ in range(60):
        middle = 0.5 * (low + high)
        over = wetted_at_height(s, middle) > target
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    mass = volume_at_height(s, 0.5 * (low + high)) * fluid.density_kg_m3(liquid_k)
    return np.asarray(np.where(np.isnan(target), np.nan, mass), dtype=np.float64)


def fin_m2(cylinder: Cylinder, mass_kg: ArrayLike | None = None, liquid_k: ArrayLike = 270.0) -> Array:
    """Dry wall that works as a fin (m2); without `mass_kg` that of a half-full shell."""
    s = of(cylinder)
    h = np.array(s.height_m / 2.0) if mass_kg is None else height_of_mass_m(cylinder, mass_kg, liquid_k)
    return fin_at_height(s, h)


def effective_m2(cylinder: Cylinder, mass_kg: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Wall that takes heat from the air (m2): wetted and fin; nothing for a dry cylinder (less than 1 g)."""
    mass = np.asarray(mass_kg, dtype=np.float64)
    area = effective_at_volume(of(cylinder), liquid_m3(cylinder, mass, liquid_k))
    return np.where(mass < DRY_KG, 0.0, area)


def share_of_full(cylinder: Cylinder, mass_kg: ArrayLike) -> Array:
    """Share of the filling limit (by mass): what a person means by half full. Not a gauge's percent."""
    return np.asarray(np.asarray(mass_kg, dtype=np.float64) / cylinder.full_kg, dtype=np.float64)


def mass_of_share_kg(cylinder: Cylinder, share: ArrayLike) -> Array:
    """Mass (kg) at a share of the filling limit."""
    return np.asarray(np.asarray(share, dtype=np.float64) * cylinder.full_kg, dtype=np.float64)


def gauge_percent(cylinder: Cylinder, mass_kg: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Percent of the shell's volume that liquid fills: what a float gauge shows."""
    return 100.0 * liquid_m3(cylinder, mass_kg, liquid_k) / of(cylinder).volume_m3


def mass_of_gauge_kg(cylinder: Cylinder, percent: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Mass (kg) at a gauge's percent of volume, with the liquid at `liquid_k` (K)."""
    share = np.asarray(percent, dtype=np.float64) / 100.0
    return np.asarray(share * of(cylinder).volume_m3 * fluid.density_kg_m3(liquid_k), dtype=np.float64)


def echo_time_s(cylinder: Cylinder, mass_kg: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Time (s) for an echo from the bottom to the liquid's surface and back, at the liquid's sound speed."""
    return np.asarray(2.0 * height_of_mass_m(cylinder, mass_kg, liquid_k) / fluid.sound_speed_m_s(liquid_k))


def mass_of_echo_kg(cylinder: Cylinder, echo_s: ArrayLike, liquid_k: ArrayLike) -> Array:
    """Mass (kg) from an ultrasonic sender under the cylinder: echo time (s), liquid temperature (K)."""
    height = np.asarray(echo_s, dtype=np.float64) * fluid.sound_speed_m_s(liquid_k) / 2.0
    return mass_at_height_kg(cylinder, height, liquid_k)
