"""Bluetooth advertisements: what one says for each sensor that the site file describes.

A sensor finds its number in one of four ways: a BTHome object, a declared layout in the manufacturer's or a service's
data, the signal strength, or (not here) a characteristic read over a connection.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from monitor.model.reading import Quantity
from monitor.model.site import SensorSpec
from monitor.secretfile import read_secret
from monitor.sensors import bthome, sig
from monitor.sensors.formats import Layout, layout
from monitor.sensors.sent import Refused, Sent

# Which BTHome objects can tell a quantity, where the site file names none.
OBJECTS: dict[Quantity, tuple[str, ...]] = {
    Quantity.GROSS_WEIGHT: ("mass",),
    Quantity.PROPANE_LEFT: ("mass",),
    Quantity.LIQUID_HEIGHT: ("distance",),
    Quantity.HEIGHT_FROM_TOP: ("distance",),
    Quantity.ECHO_TIME: ("duration",),
    Quantity.LIQUID_VOLUME: ("volume storage", "volume"),
    Quantity.CONTAINER_PRESSURE: ("pressure",),
    Quantity.AIR_TEMPERATURE: ("temperature",),
    Quantity.WALL_TEMPERATURE: ("temperature",),
    Quantity.VALVE: ("opening",),
    Quantity.GAS_DETECTED: ("gas detected",),
    Quantity.BATTERY: ("battery",),
}
NAMES = frozenset(k.name for k in bthome.KINDS.values())


@dataclass(frozen=True, slots=True)
class Advert:
    """One advertisement as it was heard. UUIDs are in their long form, lower case."""

    address: str
    rssi: int
    name: str = ""
    manufacturer: Mapping[int, bytes] = field(default_factory=dict)
    service: Mapping[str, bytes] = field(default_factory=dict)
    uuids: tuple[str, ...] = ()

    @property
    def raw(self) -> str:
        """Everything it carried, in hexadecimal, for a person to look at."""
        parts = [f"company {company:#06x}: {data.hex()}" for company, data in self.manufacturer.items()]
        parts += [f"service {short(uuid)}: {data.hex()}" for uuid, data in self.service.items()]
        return "; ".join(parts)


def short(uuid: str) -> str:
    """Return the short form of a SIG UUID, another as it is."""
    return uuid[4:8].upper() if uuid.startswith("0000") and uuid.endswith("-0000-1000-8000-00805f9b34fb") else uuid


@dataclass(frozen=True, slots=True)
class Way:
    """How one sensor finds its number in an advertisement. Made once from the site file by `way`."""

    spec: SensorSpec
    connect: bool = False
    signal: bool = False
    company: int | None = None
    service: str = ""
    layout: Layout | None = None
    objects: tuple[str, ...] = ()
    nth: int = 1


def way(spec: SensorSpec) -> Way:
    """Return how `spec` finds its number; raise Refused with the key that is wrong."""
    options = spec.options
    quantity = Quantity(spec.quantity)
    if quantity is Quantity.SIGNAL:
        return Way(spec, signal=True)
    if options.get("connect") or "characteristic" in options:
        _characteristic(spec)
        return Way(spec, connect=True)
    if "company" in options or ("service" in options and ("layout" in options or "format" in options)):
        company = options.get("company")
        if company is not None and (
            isinstance(company, bool) or not isinstance(company, int) or not 0 <= company <= 0xFFFF
        ):
            raise Refused("company is a number from 0 to 0xFFFF")
        service = sig.full_uuid(options["service"]) if "service" in options else ""
        if (company is None) == (not service):
            raise Refused("either company or service says where the layout is found")
        return Way(spec, company=company, service=service, layout=layout(options))
    if "object" not in options:
        if quantity not in OBJECTS:
            raise Refused(f"{quantity.value} has no BTHome object; name one with the key object, or declare a layout")
        return Way(spec, objects=OBJECTS[quantity])
    named, nth = _named(options["object"])
    return Way(spec, objects=(named,), nth=nth)


def _named(value: Any) -> tuple[str, int]:
    words = str(value).lower().replace("_", " ").split()
    nth = int(words.pop()) if len(words) > 1 and words[-1].isdigit() else 1
    name = " ".join(words)
    if name not in NAMES or nth < 1:
        raise Refused(f'object "{value}" is none of BTHome\'s: {", ".join(sorted(NAMES))}')
    return name, nth


def _characteristic(spec: SensorSpec) -> str:
    """Return the characteristic that a connected sensor reads; raise Refused where none is known or its form is not."""
    quantity = Quantity(spec.quantity)
    named = spec.options.get("characteristic", sig.USUAL.get(quantity))
    if named is None:
        raise Refused(f"{quantity.value} has no usual characteristic; name one with the key characteristic")
    uuid = sig.full_uuid(named)
    if not sig.is_known(uuid) or "layout" in spec.options or "format" in spec.options:
        layout(spec.options)
    return uuid


def key_of(spec: SensorSpec) -> bytes | None:
    """Return the BTHome key of a sensor's device from its key_file; raise Refused where it is no key."""
    path = spec.options.get("key_file")
    if not path:
        return None
    try:
        key = bytes.fromhex(read_secret(str(path)))
    except (OSError, ValueError) as error:
        raise Refused(f"key_file: {error}") from None
    if len(key) != 16:
        raise Refused(f"key_file: {len(key)} bytes, a key has 16 (32 hexadecimal digits)")
    return key


def from_advert(one: Way, advert: Advert) -> Sent | None:
    """Return what an advertisement says for a signal or layout sensor, None where it says nothing. Raises Refused."""
    if one.signal:
        return Sent(float(advert.rssi)) if -127 < advert.rssi <= 20 else None
    if one.layout is None:
        return None
    data = advert.service.get(one.service) if one.service else advert.manufacturer.get(one.company or 0)
    if data is None or not one.layout.is_of(data):
        return None
    return Sent(one.layout.read(data))


def from_frame(one: Way, frame: bthome.Frame) -> Sent | None:
    """Return what a BTHome packet says for a sensor, None where it does not speak of it."""
    for name in one.objects:
        found = frame.find(name, one.nth)
        if found is not None:
            return Sent(found.value, found.unit, frame.time)
    return None
