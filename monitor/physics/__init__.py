"""The vaporization model: what cylinders of LP gas can supply in the cold, and for how long. Pure: numpy alone.

Arrays are float64 and broadcast; NaN (missing) goes in and comes out, never an exception. SI units in the names.

Where trade figures disagree, in short (each has a test in tests/physics/test_trade_figures.py). The 100-lb handbook
table reckons with liquid boiled down to 0 psig, the ASME tank rule with liquid at -20 degF (10.7 psig): at 0 degF they
stand on temperature differences of 44 and 20 degF, 2.2 to 1. The first is our basis `chart`; the second is what `floor`
gives at a 10.7 psi inlet. Both assume a light breeze; `weather` does not, and decides alerts. Frost is left out.
"""

from __future__ import annotations

from monitor.physics.added import added_continuous_w, added_hold_w
from monitor.physics.capacity import film_w_m2k, level_needed, sides_w, sustained_w
from monitor.physics.film import Air
from monitor.physics.fluid import HEATING_VALUE_J_KG
from monitor.physics.hold import ENDS, Hold, hold, hold_constant
from monitor.physics.meal import Burn, Planned, planned
from monitor.physics.plant import Calibration, Plant
from monitor.physics.rest import rest_k

__all__ = [
    "ENDS",
    "HEATING_VALUE_J_KG",
    "Air",
    "Burn",
    "Calibration",
    "Hold",
    "Planned",
    "Plant",
    "added_continuous_w",
    "added_hold_w",
    "film_w_m2k",
    "hold",
    "hold_constant",
    "level_needed",
    "planned",
    "rest_k",
    "sides_w",
    "sustained_w",
]
