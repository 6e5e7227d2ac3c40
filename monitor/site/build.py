"""From the file to the `Site`: every table read, every problem gathered, gaps filled from the catalogue."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from monitor.model.errors import BadInput, Problem
from monitor.model.offer import Offer
from monitor.model.site import Appliance, Broker, Channel, PipeRun, Site, Supply, WeatherSource
from monitor.site import check, fill, offer, schema, settings, tomlfile, values
from monitor.site.options import beside
from monitor.site.options import read as read_options
from monitor.site.problems import MISSING, Collector, from_pydantic, unknown_hint
from monitor.site.quantity import QuantityError
from monitor.site.sensing import sensor
from monitor.site.tomlfile import Path_

# Gross over net heating value of propane: 2219.17 over 2043.11 kJ/mol at 25 °C, ISO 6976:2016.
GROSS_OVER_NET = 2219.17 / 2043.11
_T = TypeVar("_T", bound=schema.Table)


@dataclass(frozen=True, slots=True)
class Loaded:
    """A site, what was filled in for it, and what to look at although it can be used."""

    site: Site
    path: Path
    filled: tuple[fill.Filled, ...] = ()
    warnings: tuple[Problem, ...] = ()


@dataclass(slots=True)
class Parts:
    """The tables as read; a table that was refused is absent. Lists pair each table with its place in the file."""

    site: schema.SiteTable | None = None
    supply: schema.SupplyTable | None = None
    broker: schema.BrokerTable | None = None
    cylinder: list[tuple[int, schema.CylinderTable]] = field(default_factory=list)
    appliance: list[tuple[int, schema.ApplianceTable]] = field(default_factory=list)
    sensor: list[tuple[int, schema.SensorTable]] = field(default_factory=list)
    weather: list[tuple[int, schema.WeatherTable]] = field(default_factory=list)
    channel: list[tuple[int, schema.ChannelTable]] = field(default_factory=list)
    pipe: list[tuple[int, schema.PipeTable]] = field(default_factory=list)
    offer: list[tuple[int, schema.OfferTable]] = field(default_factory=list)


def read(path: Path) -> Loaded:
    """Return the site in the file at `path`. Raises BadInput with every problem found."""
    return from_text(tomlfile.read(path), path)


def from_text(text: str, path: Path) -> Loaded:
    """Return the site that `text` describes; `path` is named in errors and is where relative files are looked for."""
    raw = tomlfile.parse(text, str(path))
    into = Collector(tomlfile.lines(text), raw)
    parts = _tables(raw, into)
    chosen = _settings(raw, into)
    filled: list[fill.Filled] = []
    cylinders = tuple(fill.cylinder(place, table, filled, into) for place, table in parts.cylinder)
    names = [t.get("name") for t in raw.get("cylinder", []) if isinstance(t, dict)] if _is_list(raw, "cylinder") else []
    known = {str(n).strip() for n in names}
    folder = path.parent
    sensors = tuple(sensor(place, table, known, folder, into) for place, table in parts.sensor)
    weather = tuple(_weather(place, table, folder, into) for place, table in parts.weather)
    channels = tuple(_channel(place, table, folder, into) for place, table in parts.channel)
    offers = tuple(_offer(place, table, into) for place, table in parts.offer)
    check.names(raw, into)
    check.parts(parts, into)
    if into.problems or parts.site is None or parts.supply is None:
        raise BadInput(into.ordered())
    table = parts.site
    site = Site(
        name=table.name,
        latitude=table.latitude,
        longitude=table.longitude,
        timezone=table.timezone,
        cylinders=tuple(c for c in cylinders if c is not None),
        appliances=tuple(_appliance(t) for _, t in parts.appliance),
        supply=_supply(parts.supply),
        units=table.units,
        elevation_m=table.elevation,
        air_pressure_pa=table.air_pressure or air_pressure_pa(table.elevation),
        sensors=tuple(s for s in sensors if s is not None),
        broker=_broker(parts.broker, folder) if parts.broker else None,
        weather=weather,
        channels=channels,
        pipes=tuple(_pipe(t) for _, t in parts.pipe),
        offers=offers,
        settings={k: beside(folder, v) if settings.BY_KEY[k].kind == "file" else v for k, v in chosen.items()},
    )
    worth_a_look = tuple(check.warnings(site, parts, path, into))
    if into.problems:
        raise BadInput(into.ordered())
    return Loaded(site, path, tuple(filled), worth_a_look)


def air_pressure_pa(elevation_m: float) -> float:
    """Return the mean air pressure (Pa) at a height (m), International Standard Atmosphere (ISO 2533), to 11 km."""
    return float(101_325.0 * (1.0 - 0.0065 * elevation_m / 288.15) ** 5.25588)


def _is_list(raw: dict[str, Any], name: str) -> bool:
    return isinstance(raw.get(name), list)


def _tables(raw: dict[str, Any], into: Collector) -> Parts:
    parts = Parts()
    tables = {*schema.CORE, *settings.TABLES}
    for name, value in raw.items():
        if name not in tables:
            into.add((name,), value, "a known table", unknown_hint(name, tables, "the file"))
        elif name in schema.CORE:
            _core(name, value, parts, into)
    if "site" not in raw:
        into.add(("site",), None, "a table [site]", MISSING["site"])
    for name in ("cylinder", "appliance"):
        if not raw.get(name):
            into.add((name,), None, f"at least one [[{name}]]", MISSING[name])
    if "supply" not in raw:
        parts.supply = schema.SupplyTable()
    return parts


def _core(name: str, value: Any, parts: Parts, into: Collector) -> None:
    model = schema.CORE[name]
    if name not in schema.LISTS:
        if not isinstance(value, dict):
            into.add((name,), value, f"a table [{name}]", "in single brackets, once" if isinstance(value, list) else "")
        elif (table := _validated(model, value, (name,), into)) is not None:
            setattr(parts, name, table)
        return
    if not isinstance(value, list):
        into.add((name,), value, f"one or more [[{name}]]", f"write [[{name}]], in double brackets, for each one")
        return
    for place, item in enumerate(value):
        if not isinstance(item, dict):
            into.add((name, place), item, f"a table [[{name}]]", "keys stand below the header")
        elif (table := _validated(model, item, (name, place), into)) is not None:
            getattr(parts, name).append((place, table))


def _validated(model: type[_T], value: dict[str, Any], path: Path_, into: Collector) -> _T | None:
    try:
        return model.model_validate(value)
    except ValidationError as error:
        from_pydantic(error, path, model.model_fields, into)
        refused = {detail["loc"][0] for detail in error.errors(include_url=False)}
    # The rest of the table is read all the same, so that its other problems are told in the same round.
    stand_in = {k: v for k, v in schema.STAND_IN.get(path[0], {}).items() if k in refused or k not in value}
    try:
        return model.model_validate({k: v for k, v in value.items() if k not in refused} | stand_in)
    except ValidationError:
        return None


def _flat(table: Any, path: Path_) -> Iterator[tuple[Path_, Any]]:
    for name, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, (*path, name))
        else:
            yield (*path, name), value


def _settings(raw: dict[str, Any], into: Collector) -> dict[str, Any]:
    """Return every setting by its dotted key, the default where the file says nothing."""
    chosen = dict(settings.DEFAULTS)
    for name in settings.TABLES:
        if not isinstance(raw.get(name, {}), dict):
            into.add((name,), raw[name], f"a table [{name}]", "in single brackets, once")
            continue
        for path, value in _flat(raw.get(name, {}), (name,)):
            key = ".".join(str(part) for part in path)
            if (spec := settings.BY_KEY.get(key)) is None:
                rest = [k.removeprefix(f"{name}.") for k in settings.BY_KEY if k.startswith(f"{name}.")]
                hint = unknown_hint(key.removeprefix(f"{name}."), rest, f"[{name}]")
                if not hint.startswith("did you") and (far := _elsewhere(str(path[-1]))):
                    hint = f"it stands under [{far}]"
                into.add(path, value, "a known key", hint)
                continue
            try:
                chosen[key] = values.setting(spec, value)
            except QuantityError as error:
                into.add_error(path, value, error)
    return chosen


def _elsewhere(name: str) -> str:
    """Return the table in which a key of this name is known, "" where there is none."""
    for key in settings.BY_KEY:
        table, _, last = key.partition(".")
        if difflib.SequenceMatcher(None, last, name).ratio() > 0.9:
            return table
    return next((table for table, model in schema.CORE.items() if name in model.model_fields), "")


def _appliance(table: schema.ApplianceTable) -> Appliance:
    first, last = table.when
    gross = table.input * (GROSS_OVER_NET if table.input_basis == "net" else 1.0)
    return Appliance(table.name, gross, table.hold, first, last, table.continuous)


def _pipe(table: schema.PipeTable) -> PipeRun:
    counts = {
        "elbow 90": table.elbows,
        "elbow 45": table.elbows_45,
        "tee straight": table.tees_through,
        "tee branch": table.tees_branch,
        "valve": table.valves,
    }
    fittings = {kind: count for kind, count in counts.items() if count}
    return PipeRun(table.name, table.material, table.size, table.length, fittings, table.carries)


def _offer(place: int, table: schema.OfferTable, into: Collector) -> Offer:
    fees = []
    for n, item in enumerate(table.fees):
        path = ("offer", place, "fees", n)
        if not isinstance(item, dict):
            into.add(path, item, 'a fee such as { name = "Tank rent", amount = 79, per = "year" }', "in braces")
        elif (fee := _validated(schema.FeeTable, item, path, into)) is not None:
            fees.append(fee)
    return offer.build(place, table, fees, into)


def _supply(table: schema.SupplyTable) -> Supply:
    return Supply(
        feed=table.feed,
        regulator_w=table.regulator,
        lowest_inlet_pa=table.lowest_inlet,
        basis=table.basis,
        shelter=table.shelter,
        changeover_pa=table.changeover,
        check_valves=table.check_valves,
    )


def _broker(table: schema.BrokerTable, folder: Path) -> Broker:
    files = {
        name: beside(folder, getattr(table, name))
        for name in ("password_file", "ca_file", "client_cert_file", "client_key_file")
    }
    plain = {name: getattr(table, name) for name in ("host", "username", "tls", "client_id", "publish")}
    return Broker(port=table.port or (8883 if table.tls else 1883), **plain, **files)


def _weather(place: int, table: schema.WeatherTable, folder: Path, into: Collector) -> WeatherSource:
    options = read_options(("weather", place), table, settings.WEATHER_OPTIONS, folder, into)
    return WeatherSource(table.kind, table.base_url, beside(folder, table.path), table.contact, options)


def _channel(place: int, table: schema.ChannelTable, folder: Path, into: Collector) -> Channel:
    options = read_options(("channel", place), table, settings.CHANNEL_OPTIONS, folder, into)
    return Channel(table.name, table.url, beside(folder, table.url_file), table.severities, options)
