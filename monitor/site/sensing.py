"""One sensor from its table: way in, address, subject and quantity checked against each other and the cylinders."""

from __future__ import annotations

import re
from pathlib import Path

from monitor.model.reading import LEVEL_QUANTITIES, Quantity
from monitor.model.site import SensorSpec
from monitor.site import settings
from monitor.site.options import read as read_options
from monitor.site.problems import Collector
from monitor.site.quantity import QuantityError, convert, parse
from monitor.site.schema import SensorTable
from monitor.site.tomlfile import Path_
from monitor.site.values import close_to, real
from monitor.site.wording import KIND_OF_QUANTITY

OF_CYLINDER = LEVEL_QUANTITIES | {Quantity.CONTAINER_PRESSURE, Quantity.WALL_TEMPERATURE, Quantity.VALVE}
_FREE = frozenset({Quantity.BATTERY, Quantity.SIGNAL, Quantity.GAS_DETECTED})  # of a cylinder's sensor or the site's
_MAC = re.compile(r"[0-9A-Fa-f]{2}(?::[0-9A-Fa-f]{2}){5}")
_UUID = re.compile(r"[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")
_IS_A_DIFFERENCE = {"temperature": "temperature_difference"}


def sensor(place: int, table: SensorTable, cylinders: set[str], folder: Path, into: Collector) -> SensorSpec | None:
    """Return the sensor in the table at `place`; None where problems were noted in `into`."""
    before = len(into.problems)
    at: Path_ = ("sensor", place)
    way = _way(at, table, into)
    address = _address(at, table, way, into)
    quantity = Quantity(table.quantity)
    subject = _subject(at, table, quantity, cylinders, into)
    _unit(at, table, into)
    noise = _noise(at, table, into) if table.noise is not None and not into.has(*at, "quantity") else None
    offset = _offset(at, table, into)
    options = read_options(at, table, settings.SENSOR_OPTIONS.get(way, ()), folder, into)
    if table.scale == 0:
        into.add((*at, "scale"), table.scale, "a factor that is not 0", "1 leaves the number as it is")
    if table.allowance is not None:
        options["allowance_kg"] = table.allowance
    if len(into.problems) > before:
        return None
    spec = SensorSpec(
        name=table.name,
        way=way,  # type: ignore[arg-type]  # checked by _way
        subject=subject,
        quantity=quantity.value,
        address=address,
        unit=table.unit.strip(),
        pointer=table.pointer,
        time_pointer=table.time_pointer,
        unit_pointer=table.unit_pointer,
        scale=table.scale,
        offset=offset,
        table=table.table,
        noise=noise,
        interval_s=table.interval,
        options=options,
    )
    from monitor.sensors import described  # late: it reads units from here

    if wrong := described.problem(spec):
        into.add((*at, "options"), table.name, "a description that can be used", wrong)
        return None
    return spec


def _way(at: Path_, table: SensorTable, into: Collector) -> str:
    found = table.way or ("mqtt" if table.topic is not None else "ble" if table.address else "")
    if not found:
        into.add((*at, "way"), None, '"mqtt", "ble" or "simulated"', "or a topic (MQTT) or an address (Bluetooth)")
    if found != "mqtt" and table.topic is not None:
        into.add((*at, "topic"), table.topic, 'a topic only with way = "mqtt"', "")
    return found


def _address(at: Path_, table: SensorTable, way: str, into: Collector) -> str:
    if way == "mqtt":
        topic = table.topic if table.topic is not None else table.address
        if topic is None:
            into.add((*at, "topic"), None, "the key topic", 'such as "scale/a"')
            return ""
        if problem := topic_problem(topic):
            into.add((*at, "topic"), topic, "an MQTT topic or filter", problem)
        return topic
    if way == "ble":
        if table.address is None or not (_MAC.fullmatch(table.address) or _UUID.fullmatch(table.address)):
            hint = "`boiloff listen` shows the addresses in the air"
            into.add((*at, "address"), table.address, 'a Bluetooth address such as "C0:FF:EE:00:00:01"', hint)
            return ""
        return table.address.upper()
    return table.address or table.name


def topic_problem(topic: str) -> str:
    """Return what is wrong with an MQTT topic filter (MQTT 5, section 4.7), "" where nothing is."""
    if not topic or len(topic.encode()) > 65535 or "\0" in topic:
        return "1 to 65,535 bytes, without NUL"
    levels = topic.split("/")
    if any("#" in level and level != "#" for level in levels) or "#" in levels[:-1]:
        return '"#" stands alone, as the last level'
    if any("+" in level and level != "+" for level in levels):
        return '"+" stands alone between slashes'
    return "without a space at either end" if topic != topic.strip() else ""


def _subject(at: Path_, table: SensorTable, quantity: Quantity, cylinders: set[str], into: Collector) -> str:
    key = "cylinder" if table.cylinder is not None else "subject"
    named = table.cylinder if table.cylinder is not None else table.subject
    if table.cylinder is not None and table.subject not in {None, table.cylinder}:
        into.add((*at, "subject"), table.subject, "either cylinder or subject", "leave one out")
    if named is None:
        if quantity in OF_CYLINDER:
            into.add((*at, "cylinder"), None, "the key cylinder", f"{quantity.value} is that of one cylinder")
        return "site"
    name = named.strip()
    if name == "site" and key == "subject":
        if quantity in OF_CYLINDER:
            into.add((*at, key), named, "a cylinder's name", f"{quantity.value} is that of one cylinder")
    elif name not in cylinders:
        hint = close_to(name, cylinders) or f"cylinders: {', '.join(sorted(cylinders)) or 'none'}"
        into.add((*at, key), named, "the name of a [[cylinder]]", hint)
    elif quantity not in OF_CYLINDER | _FREE:
        into.add((*at, key), named, 'subject = "site"', f"{quantity.value} is that of the whole site")
    return name


def _unit(at: Path_, table: SensorTable, into: Collector) -> None:
    kind = KIND_OF_QUANTITY.get(table.quantity)
    if not table.unit.strip() or into.has(*at, "quantity"):
        return
    if kind is None:
        if table.unit.strip() not in {"1", "dBm"}:
            into.add((*at, "unit"), table.unit, f"no unit for {table.quantity}", "leave it out")
        return
    try:
        convert(1.0, table.unit, kind)
    except QuantityError as error:
        into.add((*at, "unit"), table.unit, f"a unit of {kind}", error.hint or error.why)


def _noise(at: Path_, table: SensorTable, into: Collector) -> float | None:
    """Return the noise, one standard deviation, in SI units of the quantity."""
    kind = KIND_OF_QUANTITY.get(table.quantity)
    value = table.noise
    try:
        found = real(value) if kind is None else parse(value, _IS_A_DIFFERENCE.get(kind, kind))
    except QuantityError as error:
        into.add_error((*at, "noise"), value, error)
        return None
    if found <= 0:
        into.add((*at, "noise"), value, "one standard deviation above 0", "leave it out where it is not known")
        return None
    return found


def _offset(at: Path_, table: SensorTable, into: Collector) -> float:
    """Return the offset, a bare number in the sensor's own unit: it is added after the scale, before the unit."""
    try:
        return real(table.offset)
    except QuantityError:
        hint = "without quotes; value = as sent x scale + offset"
        into.add((*at, "offset"), table.offset, "a number in the sensor's own unit", hint)
        return 0.0
