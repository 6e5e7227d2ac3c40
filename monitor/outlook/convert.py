"""From what a sensor tells to propane left: each level quantity through the cylinder's shape and the liquid's density.

Default noise and offset are this project's judgement of the usual run of each kind of sensor (no source); a `noise`
in the site file or on the reading replaces the noise, never the offset.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.model.reading import Quantity
from monitor.model.site import Cylinder
from monitor.physics import fluid, shell

Series = NDArray[np.float64]
NOMINAL_K = 283.15  # taken where no temperature is known
UNKNOWN_K_SD = 9.0
KNOWN_K_SD = 2.0
HAND_RESIDUE_KG = 0.15


@dataclass(frozen=True, slots=True)
class Kind:
    """White noise and lasting offset of a quantity, one sd each: in kg, or as share of full where `relative`."""

    noise: float
    offset: float
    relative: bool
    warm: float  # drift with temperature, one sd, kg (or share of full) per K
    by_density: bool  # the liquid's temperature enters


KINDS: dict[Quantity, Kind] = {
    Quantity.GROSS_WEIGHT: Kind(0.15, 0.10, False, 0.005, False),
    Quantity.PROPANE_LEFT: Kind(0.15, 0.10, False, 0.004, False),
    Quantity.SHARE_OF_FULL: Kind(0.03, 0.02, True, 0.0004, False),
    Quantity.GAUGE_PERCENT: Kind(0.025, 0.025, True, 0.0004, True),
    Quantity.LIQUID_HEIGHT: Kind(0.015, 0.008, True, 0.0002, True),
    Quantity.HEIGHT_FROM_TOP: Kind(0.015, 0.008, True, 0.0002, True),
    Quantity.ECHO_TIME: Kind(0.015, 0.008, True, 0.0002, True),
    Quantity.LIQUID_VOLUME: Kind(0.02, 0.015, True, 0.0003, True),
}


def to_kg(cylinder: Cylinder, quantity: Quantity, value: Series, liquid_k: Series) -> Series:
    """Propane left (kg) from `value` in the quantity's SI unit with the liquid at `liquid_k` (K).

    Gross weight minus tare; gauge percent and volume by the saturated liquid's density; heights by the shell; echo
    time by the sound speed in the liquid. Raises ValueError for a quantity that is no level. Vapour is not counted:
    it is what an "empty" cylinder still holds.
    """
    convert = _WAYS.get(quantity)
    if convert is None:
        msg = f"{quantity} says nothing about a level"
        raise ValueError(msg)
    return np.asarray(convert(cylinder, np.asarray(value, dtype=np.float64), np.asarray(liquid_k)), dtype=np.float64)


def noise_kg(cylinder: Cylinder, quantity: Quantity, value: float, liquid_k: float, noise: float | None) -> float:
    """White noise (kg, one sd) of a reading: a stated `noise` (SI unit of the quantity) through the slope, or usual."""
    kind = KINDS[quantity]
    if noise is None:
        return kind.noise * (cylinder.full_kg if kind.relative else 1.0)
    step = max(noise, 1e-9)
    pair = to_kg(cylinder, quantity, np.array([value - step, value + step]), np.full(2, liquid_k))
    slope = abs(float(pair[1] - pair[0])) / 2.0
    return max(slope, 1e-3) if np.isfinite(slope) else kind.noise * (cylinder.full_kg if kind.relative else 1.0)


def offset_kg(cylinder: Cylinder, quantity: Quantity, temperature_known: bool) -> float:
    """What does not average out (kg, one sd), with the unknown temperature's part where density enters."""
    kind = KINDS[quantity]
    base = kind.offset * (cylinder.full_kg if kind.relative else 1.0)
    if not kind.by_density:
        return base
    kelvin = KNOWN_K_SD if temperature_known else UNKNOWN_K_SD
    return float(np.hypot(base, 0.0028 * kelvin * 0.5 * cylinder.full_kg))  # liquid propane: 0.28 % a kelvin


def warm_kg_k(cylinder: Cylinder, quantity: Quantity) -> float:
    """Drift of the sensor with temperature (kg/K, one sd) that the filter may find."""
    kind = KINDS[quantity]
    return kind.warm * (cylinder.full_kg if kind.relative else 1.0)


def _weight(cylinder: Cylinder, value: Series, _liquid_k: Series) -> Series:
    hose = float(cylinder.marks.get("hose_kg", 0.0))
    return value - cylinder.tare_kg - hose


def _left(_cylinder: Cylinder, value: Series, _liquid_k: Series) -> Series:
    return value


def _share(cylinder: Cylinder, value: Series, _liquid_k: Series) -> Series:
    return value * cylinder.full_kg


def _volume(_cylinder: Cylinder, value: Series, liquid_k: Series) -> Series:
    return np.asarray(value * fluid.density_kg_m3(liquid_k), dtype=np.float64)


def _gauge(cylinder: Cylinder, value: Series, liquid_k: Series) -> Series:
    return _volume(cylinder, value * shell.volume_m3(cylinder), liquid_k)


def _height(cylinder: Cylinder, value: Series, liquid_k: Series) -> Series:
    tall = shell.inside_height_m(cylinder)
    return np.asarray(shell.mass_at_height_kg(cylinder, np.clip(value, 0.0, tall), liquid_k), dtype=np.float64)


def _from_top(cylinder: Cylinder, value: Series, liquid_k: Series) -> Series:
    return _height(cylinder, shell.inside_height_m(cylinder) - value, liquid_k)


def _echo(cylinder: Cylinder, value: Series, liquid_k: Series) -> Series:
    return _height(cylinder, value * fluid.sound_speed_m_s(liquid_k) / 2.0, liquid_k)


_WAYS: dict[Quantity, Callable[[Cylinder, Series, Series], Series]] = {
    Quantity.GROSS_WEIGHT: _weight,
    Quantity.PROPANE_LEFT: _left,
    Quantity.SHARE_OF_FULL: _share,
    Quantity.GAUGE_PERCENT: _gauge,
    Quantity.LIQUID_HEIGHT: _height,
    Quantity.HEIGHT_FROM_TOP: _from_top,
    Quantity.ECHO_TIME: _echo,
    Quantity.LIQUID_VOLUME: _volume,
}
