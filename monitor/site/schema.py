"""The tables of the site file as pydantic models: which keys there are, and what each may hold (SI inside)."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from monitor.model.offer import Per
from monitor.model.reading import Quantity
from monitor.model.site import Gas
from monitor.site import offer, settings, values
from monitor.site.catalogue import WATER_KG_M3
from monitor.site.quantity import QuantityError, parse
from monitor.site.unit_table import PSI
from monitor.site.wording import pair

NAME_FORM = 'a short name such as "A"'


def within(kind: str, low: float, high: float, hint: str = "check the number and its unit") -> BeforeValidator:
    """Return a validator for a quantity of a kind within a range (SI units, both ends included)."""

    def read(value: object) -> float:
        found = parse(value, kind)
        if not low <= found <= high:
            span = f"from {pair(low, kind)} to {pair(high, kind)}"
            raise QuantityError(f"{pair(found, kind)} is out of range", span, hint)
        return found

    return BeforeValidator(read)


def _number(low: float, high: float, form: str, hint: str) -> BeforeValidator:
    def read(value: object) -> float:
        if isinstance(value, str):
            raise QuantityError("a text", form, "without quotes, with a decimal point; " + hint)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise QuantityError("not such a number", form, hint)
        return float(value)

    return BeforeValidator(read)


def _name(value: object) -> str:
    found = value.strip() if isinstance(value, str) else ""
    if not found or len(found) > 40 or any(ord(c) < 32 for c in found):
        hint = f'write it in quotes: "{value}"' if isinstance(value, (int, float)) else "1 to 40 characters"
        raise QuantityError("not a name", NAME_FORM, hint)
    if used := set(found) & set("=/@"):
        raise QuantityError(f'a name with "{min(used)}"', NAME_FORM, "=, / and @ have a meaning in commands and alerts")
    return found


def _size(value: object) -> str:
    text = str(value).strip()
    parse(text, "mass")
    return text


def _water_capacity(value: object) -> float:
    """Return the water capacity as a mass of water; a collar stamped in litres is taken too."""
    try:
        found = parse(value, "mass")
    except QuantityError:
        try:
            found = parse(value, "volume") * WATER_KG_M3
        except QuantityError as error:
            why = error.why
        else:
            why = ""
        if why:
            form = 'the stamped WC such as "95.2 lb" or "27.2 L"'
            raise QuantityError(why, form, "it stands on the collar behind WC") from None
    if not 0.4 <= found <= 5e4:
        raise QuantityError("out of any range that can be meant", f"from {pair(0.4, 'mass')} to {pair(5e4, 'mass')}")
    return found


def _valve(value: object) -> bool:
    if isinstance(value, str) and value.strip().lower() in {"open", "closed"}:
        return value.strip().lower() == "open"
    raise QuantityError("neither open nor closed", '"open" or "closed"')


def _table(value: object) -> tuple[tuple[float, float], ...]:
    form = "pairs of (as sent, true) such as [[0, 0], [100, 50.2]]"
    try:
        pairs = tuple((float(a), float(b)) for a, b in value)  # type: ignore[attr-defined]
    except (TypeError, ValueError):
        raise QuantityError("not a list of pairs", form) from None
    sent = [a for a, _ in pairs]
    if len(pairs) < 2 or any(b <= a for a, b in itertools.pairwise(sent)):
        raise QuantityError("not a rising list of two or more", form, "sort it by what the sensor sends")
    return pairs


def _pointer(value: object) -> str:
    if isinstance(value, str) and re.fullmatch(r"(?:/(?:[^~/]|~[01])*)*", value):
        return value
    hint = f'begin with a slash: "/{str(value).replace(".", "/").lstrip("$/")}"'
    raise QuantityError("not a JSON pointer", 'a JSON pointer (RFC 6901) such as "/weight"', hint)


def _choice(*choices: str) -> BeforeValidator:
    def read(value: object) -> str:
        word = value.strip() if isinstance(value, str) else value
        if isinstance(word, str):
            for choice in choices:
                if word.lower().replace("_", "-") == choice.lower().replace("_", "-"):
                    return choice
        hint = values.close_to(str(value), choices)
        raise QuantityError("not a choice", "one of " + ", ".join(f'"{c}"' for c in choices), hint)

    return BeforeValidator(read)


def _reader(read: Callable[[object], Any]) -> BeforeValidator:
    return BeforeValidator(read)


Name = Annotated[str, BeforeValidator(_name)]
Text = Annotated[str, _reader(values.text)]
Share = Annotated[float, within("share", 0, 1)]
Mass = Annotated[float, within("mass", 1e-3, 5e4)]
Pressure = Annotated[float, within("pressure", 0, 250 * PSI)]
Month = Annotated[str, _reader(values.date)]
Duration = Annotated[float, within("time", 1, 366 * 86400.0)]


class Table(BaseModel):
    """Base: unknown keys are refused, what was read is not changed."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


class SiteTable(Table):
    """[site]."""

    name: Name
    latitude: Annotated[float, _number(-90, 90, "degrees from -90 to 90", "south is negative")]
    longitude: Annotated[float, _number(-180, 180, "degrees from -180 to 180", "west is negative")]
    timezone: Text
    units: Annotated[Literal["us", "metric"], _choice("us", "metric")] = "us"
    elevation: Annotated[float, within("elevation", -450, 6000)] = 0.0
    air_pressure: Annotated[float, within("pressure_absolute", 4e4, 1.1e5)] | None = None


class SupplyTable(Table):
    """[supply]."""

    feed: Annotated[Literal["together", "changeover"], _choice("together", "changeover")] = "together"
    regulator: Annotated[float, within("power", 300, 1e7)] | None = None
    lowest_inlet: Annotated[float, within("pressure", 100, 150 * PSI)] = 10 * PSI
    basis: Annotated[Literal["chart", "floor", "weather"], _choice("chart", "floor", "weather")] = "weather"
    shelter: Share = 0.3
    changeover: Pressure | None = None
    check_valves: Annotated[bool, _reader(values.READERS["flag"])] = False


class CylinderTable(Table):
    """[[cylinder]]. What is stamped comes first; `size` and the catalogue fill the rest."""

    name: Name
    size: Annotated[str, BeforeValidator(_size)] | None = None
    water_capacity: Annotated[float, BeforeValidator(_water_capacity)] | None = None
    tare: Mass | None = None
    outside_diameter: Annotated[float, within("length", 0.08, 3.5)] | None = None
    full: Mass | None = None
    wall: Annotated[float, within("length", 5e-4, 0.03)] | None = None
    shape: Annotated[Literal["vertical", "horizontal"], _choice("vertical", "horizontal")] = "vertical"
    gas: Annotated[Gas, _reader(values.gas)] = Gas()
    side: Annotated[Literal["service", "reserve"], _choice("service", "reserve")] = "service"
    valve: Annotated[bool, BeforeValidator(_valve)] = True
    manufactured: Month | None = None
    requalified: Month | None = None
    requalification: Annotated[str, _choice("volumetric", "proof pressure", "external visual")] | None = None
    requalify_every: Annotated[float, within("time", 30 * 86400.0, 1e9)] | None = None
    serial: Text | None = None


class ApplianceTable(Table):
    """[[appliance]]."""

    name: Name
    input: Annotated[float, within("power", 50, 1e6)]
    input_basis: Annotated[Literal["gross", "net"], _choice("gross", "net")] = "gross"
    hold: Annotated[float, within("time", 1, 86400.0, "the longest time everything burns at once")] = 3600.0
    when: Annotated[tuple[int, int], _reader(values.hours)] = (5, 23)
    continuous: Annotated[bool, _reader(values.READERS["flag"])] = False


class SensorTable(Table):
    """[[sensor]]; keys that only one way in needs are checked by `build`."""

    model_config = ConfigDict(extra="allow", frozen=True)

    name: Name
    way: Annotated[Literal["mqtt", "ble", "simulated"], _choice("mqtt", "ble", "simulated")] | None = None
    topic: Text | None = None
    address: Text | None = None
    cylinder: Text | None = None
    subject: Text | None = None
    quantity: Annotated[str, _choice(*(q.value for q in Quantity))]
    unit: Text = ""
    pointer: Annotated[str, BeforeValidator(_pointer)] = ""
    time_pointer: Annotated[str, BeforeValidator(_pointer)] = ""
    unit_pointer: Annotated[str, BeforeValidator(_pointer)] = ""
    scale: Annotated[float, _reader(values.READERS["factor"])] = 1.0
    offset: Any = 0.0
    table: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_table)] = ()
    noise: Any = None
    allowance: Annotated[float, within("mass", -50, 50)] | None = None
    interval: Duration = 3600.0
    options: dict[str, Any] = Field(default_factory=dict)


class BrokerTable(Table):
    """[broker]."""

    host: Text = "127.0.0.1"
    port: Annotated[int, _number(1, 65535, "a port from 1 to 65535", "1883, or 8883 with TLS")] | None = None
    username: Text | None = None
    password_file: Text | None = None
    tls: Annotated[bool, _reader(values.READERS["flag"])] = False
    ca_file: Text | None = None
    client_cert_file: Text | None = None
    client_key_file: Text | None = None
    client_id: Text = "boiloff"
    publish: Annotated[bool, _reader(values.READERS["flag"])] = False


class WeatherTable(Table):
    """[[weather]]; options are checked by `build`."""

    model_config = ConfigDict(extra="allow", frozen=True)

    kind: Annotated[str, _choice(*settings.WEATHER_KINDS)]
    base_url: Annotated[str, _reader(values.url)] = ""
    path: Text = ""
    contact: Text = ""
    options: dict[str, Any] = Field(default_factory=dict)


class ChannelTable(Table):
    """[[channel]]; options are checked by `build`."""

    model_config = ConfigDict(extra="allow", frozen=True)

    name: Name
    url: Text = ""
    url_file: Text = ""
    severities: tuple[Annotated[str, _choice(*settings.SEVERITIES)], ...] = ()
    options: dict[str, Any] = Field(default_factory=dict)


class PipeTable(Table):
    """[[pipe]]: a run of low-pressure pipe from the last regulator to the appliances."""

    name: Name
    material: Annotated[Literal["schedule 40", "copper", "corrugated"], _choice("schedule 40", "copper", "corrugated")]
    size: Annotated[str, _reader(values.pipe_size)]
    length: Annotated[float, within("length", 0.05, 1000)]
    elbows: Annotated[int, _number(0, 200, "a count of 90-degree elbows", "")] = 0
    elbows_45: Annotated[int, _number(0, 200, "a count of 45-degree elbows", "")] = 0
    tees_through: Annotated[int, _number(0, 200, "a count of tees passed straight through", "")] = 0
    tees_branch: Annotated[int, _number(0, 200, "a count of tees turned off at", "")] = 0
    valves: Annotated[int, _number(0, 200, "a count of full-bore valves", "")] = 0
    carries: tuple[Name, ...] = ()


class FeeTable(Table):
    """One entry of `fees` in [[offer]]."""

    name: Name
    amount: Annotated[float, _number(0, 1e6, "an amount of money", "without its sign")]
    per: Annotated[tuple[Per, float], _reader(offer.per)]
    below: Annotated[float, _reader(offer.fuel)] | None = None


class OfferTable(Table):
    """[[offer]]: gas delivered, to compare with; each of `fees` is checked by `build`."""

    name: Name
    price: Annotated[float, _reader(values.price)]
    fees: list[Any] = Field(default_factory=list)
    tank: Annotated[float, within("volume", 0.005, 100)] | None = None
    fill: Annotated[float, within("share", 0.1, 1)] = 0.8
    refill_at: Annotated[float, within("share", 0, 0.9)] = 0.3
    delivery: Annotated[float, _reader(offer.fuel)] | None = None
    contract: Annotated[float, within("time", 30 * 86400.0, 1e9)] = 365.25 * 86400.0
    least_use: Annotated[float, _reader(offer.fuel)] = 0.0
    least_deliveries: Annotated[int, _number(0, 60, "a count of deliveries a year", "")] = 0
    installation: Annotated[float, _number(0, 1e6, "an amount of money", "without its sign")] = 0.0
    tank_owner: Annotated[Literal["supplier", "household"], _choice("supplier", "household")] = "supplier"


CORE: dict[str, type[Table]] = {
    "site": SiteTable, "supply": SupplyTable, "cylinder": CylinderTable, "appliance": ApplianceTable,
    "sensor": SensorTable, "broker": BrokerTable, "weather": WeatherTable, "channel": ChannelTable, "pipe": PipeTable,
    "offer": OfferTable,
}  # fmt: skip
LISTS = frozenset({"cylinder", "appliance", "sensor", "weather", "channel", "pipe", "offer"})

# What takes the place of a required key that was refused, while the rest of its table is checked.
STAND_IN: dict[str | int, dict[str, Any]] = {
    "site": {"name": "?", "latitude": 0.0, "longitude": 0.0, "timezone": "UTC"},
    "cylinder": {"name": "?"},
    "appliance": {"name": "?", "input": "10 kW"},
    "sensor": {"name": "?", "quantity": "signal"},
    "weather": {"kind": "open-meteo"},
    "channel": {"name": "?"},
    "pipe": {"name": "?", "material": "schedule 40", "size": "1/2", "length": "1 m"},
    "offer": {"name": "?", "price": "1 / kg"},
}
