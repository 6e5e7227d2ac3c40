"""Sites made by hand for the physics tests: invented, sizes from the trade."""

from __future__ import annotations

from typing import Any

from monitor.model.site import Appliance, Cylinder, Site, Supply

LB = 0.453_592_37
BTU_H = 0.293_071_07
INCH = 0.0254
PSI = 6_894.757
# name: water capacity lb, outside diameter in., tare lb (common sizes of the trade)
SIZES = {"20": (47.6, 12.3, 17.5), "30": (71.4, 12.5, 25.0), "40": (95.2, 12.5, 29.0), "100": (238.0, 14.5, 69.0)}


def cylinder(size: str, name: str = "A", **changes: Any) -> Cylinder:
    """One cylinder of a common size."""
    water, across, tare = SIZES[size]
    base: dict[str, Any] = {
        "name": name,
        "water_capacity_kg": water * LB,
        "tare_kg": tare * LB,
        "outside_diameter_m": across * INCH,
        "full_kg": 0.42 * water * LB,
    }
    return Cylinder(**(base | changes))


def site(*cylinders: Cylinder, burn_btu_h: float = 65_000.0, **supply: Any) -> Site:
    """A site with one range of `burn_btu_h`; keyword arguments go to its `Supply`."""
    return Site(
        name="Test yard (invented)",
        latitude=45.0,
        longitude=-90.0,
        timezone="America/Chicago",
        cylinders=cylinders,
        appliances=(Appliance("Range", burn_btu_h * BTU_H, 3600.0),),
        supply=Supply(**supply),
    )


def fahrenheit(t: float) -> float:
    """Kelvin from degrees Fahrenheit."""
    return (t - 32.0) / 1.8 + 273.15
