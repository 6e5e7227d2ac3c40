"""The site as the rest of the program sees it: SI units, checked, nothing left to interpret."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from monitor.model.offer import Offer

Basis = Literal["chart", "floor", "weather"]
BASES: tuple[Basis, ...] = ("chart", "floor", "weather")
Units = Literal["us", "metric"]


@dataclass(frozen=True, slots=True)
class Gas:
    """Mole fractions of the liquid as filled; they add to 1."""

    propane: float = 1.0
    n_butane: float = 0.0
    isobutane: float = 0.0
    propylene: float = 0.0

    @property
    def is_pure_propane(self) -> bool:
        """True where only propane is present."""
        return self.propane == 1.0


@dataclass(frozen=True, slots=True)
class Cylinder:
    """One cylinder. `full_kg` is the filling limit by mass (0.42 x water capacity unless stated)."""

    name: str
    water_capacity_kg: float
    tare_kg: float
    outside_diameter_m: float
    full_kg: float
    wall_m: float = 0.003
    shape: Literal["vertical", "horizontal"] = "vertical"
    gas: Gas = Gas()
    side: Literal["service", "reserve"] = "service"
    valve_open: bool = True
    assumed: tuple[str, ...] = ()  # keys that the catalogue or a rule filled, e.g. ("tare",)
    marks: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Appliance:
    """One appliance. `first_hour` <= local hour < `last_hour` is when it may burn (wraps past midnight)."""

    name: str
    input_w: float  # gross heating value
    hold_s: float
    first_hour: int = 5
    last_hour: int = 23
    continuous: bool = False

    def may_burn(self, local_hour: int) -> bool:
        """Whether the appliance may burn in the local clock hour 0..23."""
        if self.continuous or self.first_hour == self.last_hour:
            return True
        if self.first_hour < self.last_hour:
            return self.first_hour <= local_hour < self.last_hour
        return local_hour >= self.first_hour or local_hour < self.last_hour


@dataclass(frozen=True, slots=True)
class Supply:
    """How the cylinders feed the house. Pressures are gauge."""

    feed: Literal["together", "changeover"] = "together"
    regulator_w: float | None = None
    lowest_inlet_pa: float = 68_947.57
    basis: Basis = "weather"
    shelter: float = 0.3
    changeover_pa: float | None = None
    check_valves: bool = False


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """One sensor by description. `options` holds what only its way in needs (key, layout, characteristic)."""

    name: str
    way: Literal["mqtt", "ble", "simulated"]
    subject: str  # a cylinder's name, or "site"
    quantity: str  # a model.reading.Quantity value
    address: str  # topic, Bluetooth address, or a simulation's name
    unit: str = ""  # "" = the quantity's SI unit, or the unit in the payload
    pointer: str = ""  # RFC 6901 JSON pointer to the number; "" = the payload is the number
    time_pointer: str = ""
    unit_pointer: str = ""
    scale: float = 1.0
    offset: float = 0.0
    table: tuple[tuple[float, float], ...] = ()  # calibration: (as sent, true), before scale and offset
    noise: float | None = None  # one standard deviation, SI units of the quantity
    interval_s: float = 3600.0
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Broker:
    """An MQTT broker. Secrets are read from files by the service, never kept here in the clear."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password_file: str | None = None
    tls: bool = False
    ca_file: str | None = None
    client_cert_file: str | None = None
    client_key_file: str | None = None
    client_id: str = "boiloff"
    publish: bool = False


@dataclass(frozen=True, slots=True)
class WeatherSource:
    """One forecast source, in the order of preference in which the site lists them."""

    kind: str  # "open-meteo", "nws", "met-norway", "file", "command"
    base_url: str = ""
    path: str = ""
    contact: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Channel:
    """One way out for notices. `url` is an apprise URL; `url_file` holds one that must stay secret."""

    name: str
    url: str = ""
    url_file: str = ""
    severities: tuple[str, ...] = ()  # empty = all
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PipeRun:
    """A run of low-pressure pipe behind the last regulator. `carries` names appliances; empty = all of them.

    `fittings` counts the fittings by kind (`physics.pipe.FITTING_DIAMETERS`).
    """

    name: str
    material: Literal["schedule 40", "copper", "corrugated"]
    size: str  # nominal: "1/2", "3/4"; corrugated tubing by its EHD number
    length_m: float
    fittings: Mapping[str, int] = field(default_factory=dict)
    carries: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Site:
    """Everything the site file says. `settings` holds thresholds by dotted key, e.g. `alerts.low_fuel`."""

    name: str
    latitude: float
    longitude: float
    timezone: str
    cylinders: tuple[Cylinder, ...]
    appliances: tuple[Appliance, ...]
    supply: Supply = Supply()
    units: Units = "us"
    elevation_m: float = 0.0
    air_pressure_pa: float = 101_325.0
    sensors: tuple[SensorSpec, ...] = ()
    broker: Broker | None = None
    weather: tuple[WeatherSource, ...] = ()
    channels: tuple[Channel, ...] = ()
    pipes: tuple[PipeRun, ...] = ()
    offers: tuple[Offer, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)

    @property
    def demand_w(self) -> float:
        """Full-burner demand: every appliance at its input at once (W, gross heating value)."""
        return sum(a.input_w for a in self.appliances)

    @property
    def continuous_w(self) -> float:
        """Demand of the appliances that burn without end (W)."""
        return sum(a.input_w for a in self.appliances if a.continuous)

    def cylinder(self, name: str) -> Cylinder:
        """Return the cylinder called `name`; raise KeyError where there is none."""
        for cylinder in self.cylinders:
            if cylinder.name == name:
                return cylinder
        raise KeyError(name)
