"""Which level sensor can no longer be trusted, and why: stuck, drifting, dying.

What the filter cannot know it does not claim: with one sensor alone a slow drift downwards looks like use, and only a
drift upwards, which no household can cause, or a second sensor gives it away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

from monitor.outlook.banks import Banked
from monitor.outlook.level import EPOCH
from monitor.outlook.sensor_state import SensorState
from monitor.outlook.tracker import LEAST_BURN_KG_D, Tracker

STUCK_LEAST_D = 1.0
STUCK_READINGS = 8
STUCK_SPREAD = 4.0
DRIFT_SPREAD = 3.0
DYING_MISSED = 0.35
DYING_SPIKES = 0.12
DYING_NOISE = 16.0  # variance, over what it was when new


@dataclass(frozen=True, slots=True)
class SensorFault:
    """One sensor (its source name) that is not to be trusted. `text` says what was seen."""

    sensor: str
    cylinder: int
    kind: Literal["stuck", "drifting", "dying"]
    since: datetime
    text: str


def faults(tracker: Tracker | Banked) -> tuple[SensorFault, ...]:
    """Name the sensors of a filter that are stuck, drifting or dying. Weighings by hand are not judged."""
    found = []
    for first, bank in tracker.banks():
        for sensor in bank.sensors.values():
            if sensor.manual or sensor.count < STUCK_READINGS:
                continue
            fault = _stuck(bank, sensor) or _drifting(bank, sensor) or _dying(sensor)
            if fault is not None:
                found.append(replace(fault, cylinder=first + fault.cylinder) if first else fault)
    return tuple(found)


def _fault(sensor: SensorState, kind: Literal["stuck", "drifting", "dying"], since_d: float, text: str) -> SensorFault:
    name = sensor.name.split("|", 1)[0]
    return SensorFault(name, sensor.cylinder, kind, EPOCH + timedelta(days=since_d), text)


def _stuck(tracker: Tracker, sensor: SensorState) -> SensorFault | None:
    """The same value to the last digit, though it used to change or though use should have moved it."""
    if sensor.last is None or sensor.same < STUCK_READINGS:
        return None
    span = sensor.last.time_d - sensor.same_since_d
    if span < STUCK_LEAST_D:
        return None
    repeat = 1.0 - sensor.usually_changed_before
    unlikely = sensor.same * math.log(max(repeat, 1e-3)) < math.log(1e-6)
    share = tracker.shares_now()[sensor.cylinder]
    expected = share * max(tracker.slow_burn_kg_d, LEAST_BURN_KG_D) * span
    step = 0.0 if math.isinf(sensor.quantum_kg) else sensor.quantum_kg
    should_move = share > 0.0 and expected > STUCK_SPREAD * math.sqrt(sensor.noise_var) + 1.5 * step
    if unlikely or should_move:
        days = f"{span:.1f} days"
        return _fault(sensor, "stuck", sensor.same_since_d, f"the same value {sensor.same + 1} times over {days}")
    return None


def _drifting(tracker: Tracker, sensor: SensorState) -> SensorFault | None:
    """Its offset has left what such a sensor has, or it rises while nothing is filled."""
    offset, sd = tracker.offset(sensor)
    usual = max(sensor.bias_sd_kg, 0.02)
    since = sensor.rejected_since_d if sensor.rejected_since_d is not None else sensor.last_day
    if abs(offset) > DRIFT_SPREAD * usual and sd < abs(offset) / 2.0:
        return _fault(sensor, "drifting", since, f"reads {offset:+.2f} kg off what the others say")
    if len(sensor.pending) >= 4:
        off = sensor.pending[-1].kg - float(tracker.x[sensor.cylinder])
        return _fault(sensor, "drifting", since, f"reads {off:+.2f} kg off what was expected, again and again")
    rise, rise_sd = sensor.rise
    least = max(4.0 * rise_sd, 0.03 * float(tracker.feed.full_kg[sensor.cylinder]))
    if rise > least:
        return _fault(sensor, "drifting", since, f"crept up by {rise:.2f} kg though nothing was filled")
    return None


def _dying(sensor: SensorState) -> SensorFault | None:
    """Readings that stay away, jump about, or grow noisy."""
    day = sensor.last_day
    if sensor.missed > DYING_MISSED:
        return _fault(sensor, "dying", day, f"{100.0 * sensor.missed:.0f} % of its readings do not arrive")
    if sensor.count > 50 and sensor.lately_spiked > DYING_SPIKES:
        return _fault(sensor, "dying", day, f"{100.0 * sensor.lately_spiked:.0f} % of its readings make no sense")
    floor = max(sensor.noise_first_var, 1e-4)
    if sensor.count > 120 and sensor.lately_var > DYING_NOISE * floor:
        factor = math.sqrt(sensor.lately_var / floor)
        return _fault(sensor, "dying", day, f"{factor:.0f} times as noisy as when it was new")
    return None
