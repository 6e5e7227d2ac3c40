"""A reading: one fact about one quantity at one time, as it came in. Never changed, never removed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum


class Quantity(StrEnum):
    """What a sensor or a person can tell; the SI unit of its value is in `SI_UNIT`."""

    GROSS_WEIGHT = "gross_weight"
    PROPANE_LEFT = "propane_left"
    SHARE_OF_FULL = "share_of_full"
    GAUGE_PERCENT = "gauge_percent"
    LIQUID_HEIGHT = "liquid_height"
    HEIGHT_FROM_TOP = "height_from_top"
    ECHO_TIME = "echo_time"
    LIQUID_VOLUME = "liquid_volume"
    CONTAINER_PRESSURE = "container_pressure"
    AIR_TEMPERATURE = "air_temperature"
    WALL_TEMPERATURE = "wall_temperature"
    VALVE = "valve"
    CHANGEOVER = "changeover"
    GAS_DETECTED = "gas_detected"
    BATTERY = "battery"
    SIGNAL = "signal"


# What came in later than this from now came in while the clock was ahead: it is not the newest until then.
AHEAD = timedelta(hours=1)

SI_UNIT: dict[Quantity, str] = {
    Quantity.GROSS_WEIGHT: "kg",
    Quantity.PROPANE_LEFT: "kg",
    Quantity.SHARE_OF_FULL: "1",  # of the filling limit
    Quantity.GAUGE_PERCENT: "1",  # of the shell's volume
    Quantity.LIQUID_HEIGHT: "m",
    Quantity.HEIGHT_FROM_TOP: "m",
    Quantity.ECHO_TIME: "s",
    Quantity.LIQUID_VOLUME: "m3",
    Quantity.CONTAINER_PRESSURE: "Pa",  # gauge
    Quantity.AIR_TEMPERATURE: "K",
    Quantity.WALL_TEMPERATURE: "K",
    Quantity.VALVE: "1",  # 1 = open
    Quantity.CHANGEOVER: "1",  # 1 = the reserve side feeds
    Quantity.GAS_DETECTED: "1",
    Quantity.BATTERY: "1",
    Quantity.SIGNAL: "dBm",
}

BY_HAND = ("hand", "manual")  # how the sources begin whose readings a person entered
LEVEL_QUANTITIES = frozenset(
    {
        Quantity.GROSS_WEIGHT,
        Quantity.PROPANE_LEFT,
        Quantity.SHARE_OF_FULL,
        Quantity.GAUGE_PERCENT,
        Quantity.LIQUID_HEIGHT,
        Quantity.HEIGHT_FROM_TOP,
        Quantity.ECHO_TIME,
        Quantity.LIQUID_VOLUME,
    }
)


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading. `time` is when it was measured (UTC), `received` when we got it.

    `value` is in the quantity's SI unit, None where the sender said that it does not know.
    `age_known` is False for a retained message without a time: such a value never feeds a rate.
    `corrects` is the id of an earlier reading that this one replaces; the earlier one stays in the store.
    """

    time: datetime
    received: datetime
    subject: str
    quantity: Quantity
    value: float | None
    source: str
    noise: float | None = None
    age_known: bool = True
    corrects: int | None = None
    note: str = ""
    id: int | None = None


@dataclass(frozen=True, slots=True)
class SetAside:
    """Something that came in and could not be used, kept with the reason so that a person can see it."""

    received: datetime
    source: str
    subject: str
    quantity: str
    raw: str  # at most 200 characters of what came
    reason: str
    id: int | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """What one cylinder holds at `time`, estimated: one standard deviation in `sd_kg`, burn in kg/s.

    `reading_time` is that of the newest reading behind it; None where nothing was ever read.
    `basis` says in words where the number comes from ("weighed 2 h ago", "no reading: assumed empty").
    `filled_unweighed` is when it was filled without a weight, None where nothing newer than the reading says so.
    """

    cylinder: str
    time: datetime
    left_kg: float
    sd_kg: float
    burn_kg_s: float
    burn_sd_kg_s: float
    reading_time: datetime | None
    basis: str
    filled_unweighed: datetime | None = None
