"""The outside film: how much heat the air gives a square metre of wall, and at what temperature the outside counts.

Bases `chart` and `floor`: 11.9 W/m2K and the air's temperature. Basis `weather`: natural and forced convection and
radiation from the forecast, capped at what `floor` promises. Frost is ignored. Sources:
natural, upright wall: Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1323; lying cylinder: the same authors,
18 (1975) 1049; crossflow: Churchill and Bernstein, J. Heat Transfer 99 (1977) 300; combined as (n^3 + f^3)^(1/3):
Churchill, AIChE J. 23 (1977) 10; clear-sky emissivity: Berdahl and Martin, Solar Energy 32 (1984) 663; dry air from
`fluid`, its density from the ideal gas law at the site's air pressure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.physics import fluid
from monitor.physics.shell import Shell

Array = NDArray[np.float64]

CHART_FILM_W_M2K = 11.9
EMISSIVITY = 0.9
SUN_ABSORBED = 0.3  # share of sunlight a light-painted wall takes up
SUN_SEEN = 0.25  # mean over the whole wall of what a level square metre receives
DEWPOINT_BELOW_AIR_K = 4.0  # where the forecast has no humidity: about 75 % of saturation
STEFAN_BOLTZMANN = 5.670_374_419e-8
GRAVITY_M_S2 = 9.80665
AIR_GAS_CONSTANT = 287.05  # J/kgK
_COLDEST_K, _HOTTEST_K = 180.0, 345.0


@dataclass(frozen=True, slots=True)
class Air:
    """Outside conditions; arrays broadcast against each other, last axis the hours.

    `air_k` K; `wind_m_s` the forecast's at 10 m, before shelter (missing: calm); `sky` the clear-sky share 0..1
    (missing: 1, the cold side); `dewpoint_k` K (missing: 4 K below the air); `sun_w_m2` on a level surface (default 0:
    no sun is counted on).
    """

    air_k: ArrayLike
    wind_m_s: ArrayLike = 0.0
    sky: ArrayLike = 0.0
    dewpoint_k: ArrayLike | None = None
    sun_w_m2: ArrayLike = 0.0

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of all parts broadcast together."""
        parts = [self.air_k, self.wind_m_s, self.sky, self.sun_w_m2]
        if self.dewpoint_k is not None:
            parts.append(self.dewpoint_k)
        return np.broadcast_shapes(*(np.shape(p) for p in parts))

    def temperature_k(self) -> Array:
        """Air temperature (K) in the full shape; NaN where it lies outside 180-345 K, which is no weather."""
        t = np.asarray(self.air_k, dtype=np.float64)
        t = np.where((t >= _COLDEST_K) & (t <= _HOTTEST_K), t, np.nan)
        return np.asarray(np.broadcast_to(t, self.shape), dtype=np.float64)

    def at_hours(self, index: NDArray[np.intp]) -> Air:
        """The same with the hours (last axis) picked by `index`; parts without hours stay as they are."""

        def pick(part: ArrayLike) -> ArrayLike:
            a = np.asarray(part, dtype=np.float64)
            return a if a.ndim == 0 or a.shape[-1] == 1 else a[..., index]

        dew = None if self.dewpoint_k is None else pick(self.dewpoint_k)
        return Air(pick(self.air_k), pick(self.wind_m_s), pick(self.sky), dew, pick(self.sun_w_m2))


def sky_emissivity(dewpoint_k: ArrayLike, sky: ArrayLike) -> Array:
    """Emissivity of the sky for its clear share `sky`; clouds count as black at air temperature.

    Berdahl and Martin 1984: 0.711 + 0.56 (Td/100) + 0.73 (Td/100)^2, Td in degC. Held at its least below -38 degC.
    """
    td = np.clip((np.asarray(dewpoint_k, dtype=np.float64) - 273.15) / 100.0, -0.3836, 0.4)
    clear = np.minimum(0.711 + 0.56 * td + 0.73 * td**2, 1.0)
    return np.asarray(1.0 - np.asarray(sky) * (1.0 - clear), dtype=np.float64)


def radiant_k(air: Air) -> Array:
    """Radiant temperature (K) of the surroundings: half sky, half things at the temperature of the air."""
    t = air.temperature_k()
    sky = np.clip(np.nan_to_num(np.asarray(air.sky, dtype=np.float64), nan=1.0), 0.0, 1.0)
    default = t - DEWPOINT_BELOW_AIR_K
    dew = default if air.dewpoint_k is None else np.asarray(air.dewpoint_k, dtype=np.float64)
    dew = np.where(np.isnan(dew), default, np.minimum(dew, t))
    return np.asarray(t * (0.5 + 0.5 * sky_emissivity(dew, sky)) ** 0.25, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _AirNear:
    """Air in the film: the means of air and wall temperature."""

    mean_k: Array
    density: Array
    conductivity: Array
    viscosity: Array
    prandtl: Array


def _near(air_k: Array, wall_k: Array, pressure_pa: float) -> _AirNear:
    mean = 0.5 * (air_k + wall_k)
    return _AirNear(
        mean,
        pressure_pa / (AIR_GAS_CONSTANT * mean),
        fluid.air_conductivity_w_mk(mean),
        fluid.air_viscosity_pa_s(mean),
        fluid.air_prandtl(mean),
    )


def natural_w_m2k(shell: Shell, air_k: ArrayLike, wall_k: ArrayLike, pressure_pa: float = 101_325.0) -> Array:
    """Natural convection (W/m2K) over the wall at `wall_k` (K) in still air at `air_k` (K)."""
    t, w = np.asarray(air_k, dtype=np.float64), np.asarray(wall_k, dtype=np.float64)
    a = _near(t, w, pressure_pa)
    length = shell.diameter_m if shell.horizontal else shell.film_height_m
    rayleigh = GRAVITY_M_S2 / a.mean_k * np.abs(t - w) * length**3 * (a.density / a.viscosity) ** 2 * a.prandtl
    base, bend = (0.60, 0.559) if shell.horizontal else (0.825, 0.492)
    root = base + 0.387 * rayleigh ** (1 / 6) / (1.0 + (bend / a.prandtl) ** (9 / 16)) ** (8 / 27)
    return np.asarray(root**2 * a.conductivity / length, dtype=np.float64)


def forced_w_m2k(
    outside_m: float, air_k: ArrayLike, wall_k: ArrayLike, wind_m_s: ArrayLike, pressure_pa: float = 101_325.0
) -> Array:
    """Forced convection (W/m2K) around a cylinder `outside_m` across in a wind of `wind_m_s` at its wall."""
    a = _near(np.asarray(air_k, dtype=np.float64), np.asarray(wall_k, dtype=np.float64), pressure_pa)
    wind = np.maximum(np.nan_to_num(np.asarray(wind_m_s, dtype=np.float64), nan=0.0), 0.0)
    reynolds = wind * outside_m * a.density / a.viscosity
    low = 0.62 * np.sqrt(reynolds) * np.cbrt(a.prandtl) / (1.0 + (0.4 / a.prandtl) ** (2 / 3)) ** 0.25
    nusselt = 0.3 + low * (1.0 + (reynolds / 282_000.0) ** (5 / 8)) ** (4 / 5)
    return np.where(wind > 0.0, nusselt * a.conductivity / outside_m, 0.0 * a.conductivity)


@dataclass(frozen=True, slots=True)
class Outside:
    """What one wall sees: coefficient used (W/m2K, after the cap) and outside temperature (K)."""

    film_w_m2k: Array
    outside_k: Array


@dataclass(frozen=True, slots=True)
class Parts:
    """The weather film taken apart, before the cap (W/m2K and K), for the explanation."""

    natural: Array
    forced: Array
    radiation: Array
    radiant_k: Array
    total: Array
    outside_k: Array


def parts(shell: Shell, outside_m: float, air: Air, wall_k: Array, shelter: float, pressure_pa: float) -> Parts:
    """Natural, forced and radiative film on one cylinder, and the outside temperature that follows, uncapped."""
    t = air.temperature_k()
    wall = np.where(np.isnan(wall_k), t, wall_k)
    natural = natural_w_m2k(shell, t, wall, pressure_pa)
    forced = forced_w_m2k(outside_m, t, wall, shelter * np.asarray(air.wind_m_s, dtype=np.float64), pressure_pa)
    convective = np.cbrt(natural**3 + forced**3)
    radiant = radiant_k(air)
    radiation = EMISSIVITY * STEFAN_BOLTZMANN * (radiant + wall) * (radiant**2 + wall**2)
    total = convective + radiation
    sun = np.maximum(np.nan_to_num(np.asarray(air.sun_w_m2, dtype=np.float64), nan=0.0), 0.0)
    outside = (convective * t + radiation * radiant + SUN_ABSORBED * SUN_SEEN * sun) / total
    return Parts(natural, forced, radiation, radiant, total, outside)


def capped(film: Array, outside_k: Array, air_k: Array, floor_k: Array) -> Outside:
    """Hold the weather film to what `floor` promises: U <= 11.9, and U (T_env - T) <= 11.9 (T_air - T) at the floor.

    The second bites only where sun makes the outside warmer than the air; air at or below the floor then counts as
    the outside itself, so that sun alone never makes a promise.
    """
    u = np.minimum(film, CHART_FILM_W_M2K)
    gain, allowed = outside_k - floor_k, CHART_FILM_W_M2K * (air_k - floor_k)
    warm = gain > 0.0
    cold_air = warm & (allowed <= 0.0)
    limit = np.where(warm & ~cold_air, allowed / np.where(warm, gain, 1.0), np.inf)
    return Outside(np.minimum(u, limit), np.where(cold_air, np.minimum(outside_k, air_k), outside_k))
