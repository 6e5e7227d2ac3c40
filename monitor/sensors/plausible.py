"""Which values of a quantity can be true at all, for a given cylinder. What cannot is set aside with the reason."""

from __future__ import annotations

from functools import lru_cache

from monitor.model.reading import Quantity
from monitor.model.site import Cylinder, Site
from monitor.sensors.sent import Refused
from monitor.site import units

OVERFULL = 1.05  # of the filling limit; a cylinder filled by eye may be over its limit by a few per cent
SLOWEST_SOUND_M_S = 400.0  # in liquid propane near 60 °C; memory, on the safe side: only bounds an echo time
LIQUID_FULL = 0.55  # kg of cold liquid propane a kg of water capacity: no cylinder holds more (density below 0.55 kg/L)
TARE_ERROR = 0.1  # of the tare: stamps, valves and scales differ by less; far below it something else is weighed
LEAST_ERROR_KG = 1.0
SLACK = 1.02  # of a height or volume: the shell is reckoned from nominal dimensions

SWITCHES = frozenset({Quantity.VALVE, Quantity.CHANGEOVER, Quantity.GAS_DETECTED})

# Quantities whose limits do not depend on a cylinder: lowest and highest value, SI.
_FIXED: dict[Quantity, tuple[float, float]] = {
    Quantity.SHARE_OF_FULL: (0.0, OVERFULL),
    Quantity.GAUGE_PERCENT: (0.0, 1.0),
    Quantity.CONTAINER_PRESSURE: (-101_325.0, 3e6),  # gauge; propane at 70 °C has 2.5 MPa
    Quantity.AIR_TEMPERATURE: (193.15, 333.15),  # -80..60 °C
    Quantity.WALL_TEMPERATURE: (193.15, 363.15),
    Quantity.BATTERY: (0.0, 1.0),
    Quantity.SIGNAL: (-150.0, 30.0),  # dBm
    Quantity.VALVE: (0.0, 1.0),
    Quantity.CHANGEOVER: (0.0, 1.0),
    Quantity.GAS_DETECTED: (0.0, 1.0),
}
_AT_ZERO = 1e-9
DANGER = "DANGER, if scale and tare are right: overfilled"  # in the reason of what is set aside, and looked for there


def check(quantity: Quantity, value: float, site: Site, subject: str) -> float:
    """Return `value` (SI), cut to the limits within rounding; raise Refused where it cannot be true of `subject`."""
    low, high = limits(quantity, site, subject)
    if quantity in SWITCHES and value not in {0.0, 1.0}:
        raise Refused(f"{value:g} is neither 0 nor 1")
    if value < low - _AT_ZERO:
        raise Refused(f"{_shown(value, quantity, site)}: {_too_low(quantity, value, low, site, subject)}")
    if value > high * (1 + 1e-9) + _AT_ZERO:
        over_kg = _over_kg(quantity, value, site, subject)
        danger = f"; {DANGER} by {_mass(over_kg, site)}" if over_kg else ""
        raise Refused(f"{_shown(value, quantity, site)}: {_too_high(quantity, high, site)}{danger}", over_kg)
    return min(max(value, low), high)


def limits(quantity: Quantity, site: Site, subject: str) -> tuple[float, float]:
    """Return the lowest and highest value (SI) that `quantity` can have for `subject`."""
    if quantity in _FIXED:
        return _FIXED[quantity]
    cylinder = site.cylinder(subject)
    low = max(0.0, cylinder.tare_kg - below_tare_kg(cylinder)) if quantity is Quantity.GROSS_WEIGHT else 0.0
    return low, _highest(quantity, cylinder)


def _over_kg(quantity: Quantity, value: float, site: Site, subject: str) -> float:
    """Return how far above its filling limit (kg) the cylinder is if `value` is true of it; 0 where it cannot be."""
    if quantity not in {Quantity.GROSS_WEIGHT, Quantity.PROPANE_LEFT, Quantity.SHARE_OF_FULL}:
        return 0.0
    cylinder = site.cylinder(subject)
    left_kg = value * cylinder.full_kg if quantity is Quantity.SHARE_OF_FULL else value
    left_kg -= cylinder.tare_kg if quantity is Quantity.GROSS_WEIGHT else 0.0
    return left_kg - cylinder.full_kg if left_kg <= LIQUID_FULL * cylinder.water_capacity_kg else 0.0


def _mass(kg: float, site: Site) -> str:
    return units.show(kg, "mass", site.units)


def below_tare_kg(cylinder: Cylinder) -> float:
    """Return how far below its tare an empty cylinder may weigh (kg) for the errors of stamp and scale."""
    return max(LEAST_ERROR_KG, TARE_ERROR * cylinder.tare_kg)


def _highest(quantity: Quantity, cylinder: Cylinder) -> float:
    if quantity is Quantity.GROSS_WEIGHT:
        return cylinder.tare_kg + OVERFULL * cylinder.full_kg
    if quantity is Quantity.PROPANE_LEFT:
        return OVERFULL * cylinder.full_kg
    height_m, volume_m3 = _shell(cylinder)
    if quantity is Quantity.LIQUID_VOLUME:
        return SLACK * volume_m3
    if quantity is Quantity.ECHO_TIME:
        return 2.0 * SLACK * height_m / SLOWEST_SOUND_M_S
    return SLACK * height_m


def _shell(cylinder: Cylinder) -> tuple[float, float]:
    return _shell_of(cylinder.water_capacity_kg, cylinder.outside_diameter_m, cylinder.wall_m, cylinder.shape)


@lru_cache(maxsize=64)
def _shell_of(water_kg: float, diameter_m: float, wall_m: float, shape: str) -> tuple[float, float]:
    """Return a bound on the liquid's depth and the volume of a shell (m, m3): 2:1 heads, water at 0.999 kg/L."""
    inside_m = diameter_m - 2.0 * wall_m
    volume_m3 = water_kg / 999.0
    if shape == "horizontal":
        return inside_m, volume_m3
    heads_m3 = 3.141592653589793 * inside_m**3 / 12.0
    straight_m = max(0.0, volume_m3 - heads_m3) / (3.141592653589793 * inside_m**2 / 4.0)
    return straight_m + inside_m / 2.0, volume_m3


def _too_low(quantity: Quantity, value: float, low: float, site: Site, subject: str) -> str:
    if quantity is Quantity.GROSS_WEIGHT and value >= 0.0:
        tare = _shown(site.cylinder(subject).tare_kg, quantity, site)
        return f"far below the empty cylinder's weight ({tare}): is it on the scale, and is its tare right?"
    negative = low == 0.0 or quantity is Quantity.GROSS_WEIGHT
    return "negative" if negative else f"below {_shown(low, quantity, site)}"


def _too_high(quantity: Quantity, high: float, site: Site) -> str:
    most = _shown(high, quantity, site)
    if quantity in {Quantity.GROSS_WEIGHT, Quantity.PROPANE_LEFT, Quantity.SHARE_OF_FULL}:
        return f"heavier than full plus 5 % ({most})"
    if quantity in {Quantity.GAUGE_PERCENT, Quantity.BATTERY}:
        return 'more than 100 %; a sender of 0 to 100 needs unit = "%"'
    return f"above {most}, more than there can be"


def _shown(value: float, quantity: Quantity, site: Site) -> str:
    kind = "echo_time" if quantity is Quantity.ECHO_TIME else units.KIND_OF_QUANTITY.get(quantity.value)
    if kind is None:
        return f"{value:.4g}"
    if kind == "share":
        return f"{100.0 * value:.4g} %"
    return f"{units.number(value, kind, site.units):.4g} {units.unit(kind, site.units)}"
