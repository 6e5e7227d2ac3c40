"""The vaporization model: what cylinders of LP gas can supply in the cold, and for how long. Pure: numpy alone.

Arrays are float64 and broadcast; NaN (missing) goes in and comes out, never an exception. SI units in the names.
"""

from __future__ import annotations

from monitor.physics.capacity import film_w_m2k, level_needed, sides_w, sustained_w
from monitor.physics.film import Air
from monitor.physics.fluid import HEATING_VALUE_J_KG
from monitor.physics.hold import ENDS, Hold, hold, hold_constant
from monitor.physics.plant import Calibration, Plant
from monitor.physics.rest import rest_k

__all__ = [
    "ENDS",
    "HEATING_VALUE_J_KG",
    "Air",
    "Calibration",
    "Hold",
    "Plant",
    "film_w_m2k",
    "hold",
    "hold_constant",
    "level_needed",
    "rest_k",
    "sides_w",
    "sustained_w",
]
