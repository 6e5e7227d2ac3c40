"""Checks across tables, and warnings: what can be used, but is worth a look."""

from __future__ import annotations

import datetime as dt
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.model.errors import Problem
from monitor.model.pipe import known_size
from monitor.model.site import Cylinder, Site
from monitor.site import catalogue, settings, values
from monitor.site.catalogue import FILLING_DENSITY
from monitor.site.problems import Collector, value_text
from monitor.site.unit_table import PSI
from monitor.site.wording import pair, precise

if TYPE_CHECKING:
    from monitor.site.build import Parts

# Connected load as a share of the regulator's rating; common practice, no source.
REGULATOR_LOW, REGULATOR_HIGH = 0.30, 0.90


def names(raw: dict[str, Any], into: Collector) -> None:
    """Note every name that stands twice in a list of tables, read from the raw file so that none is missed."""
    for table in ("cylinder", "appliance", "sensor", "channel", "pipe", "offer"):
        items = raw.get(table)
        seen: dict[str, int] = {}
        for place, item in enumerate(items if isinstance(items, list) else []):
            name = item.get("name") if isinstance(item, dict) else None
            if not isinstance(name, str):
                continue
            folded = name.strip().casefold()
            if folded in seen:
                hint = f"{table}[{seen[folded] + 1}] has it already"
                into.add((table, place, "name"), name, f"a name of its own for each [[{table}]]", hint)
            seen.setdefault(folded, place)
            reserved = {"cylinder": "site", "channel": "log"}.get(table)
            if folded == reserved:
                into.add((table, place, "name"), name, "another name", f'"{reserved}" is taken')


def parts(found: Parts, into: Collector) -> None:
    """Note what cannot be across the tables that were read."""
    if found.site is not None:
        _timezone(found.site.timezone, into)
    sides = {table.side for _, table in found.cylinder}
    if found.supply is not None and found.supply.feed == "changeover" and not into.has("cylinder"):
        for side in {"service", "reserve"} - sides:
            hint = f'give one [[cylinder]] side = "{side}", or feed = "together"'
            into.add(("supply", "feed"), "changeover", "cylinders on the service and the reserve side", hint)
    if found.supply is not None and found.supply.changeover is not None:
        at = ("supply", "changeover")
        if found.supply.feed == "together":
            hint = 'leave it out, or feed = "changeover"'
            into.add(
                ("supply", "changeover"),
                pair(found.supply.changeover, "pressure"),
                "no setting when feeding together",
                hint,
            )
        elif found.supply.changeover < found.supply.lowest_inlet:
            hint = "below it the burners would fail before the reserve side comes in"
            expected = f"at least lowest_inlet, {pair(found.supply.lowest_inlet, 'pressure')}"
            into.add(at, into.given(at, None), expected, hint)
    if found.sensor and found.broker is None and any(t.topic or t.way == "mqtt" for _, t in found.sensor):
        into.add(("broker",), None, "a table [broker]", "a sensor comes over MQTT: name the broker")
    _weather(found, into)
    _channels(found, into)
    _pipes(found, into)
    _broker(found, into)


def _timezone(name: str, into: Collector) -> None:
    form = 'a time zone of the IANA list such as "America/Denver"'
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        from zoneinfo import available_timezones

        zones = available_timezones()
        last = {zone.rsplit("/", 1)[-1].lower(): zone for zone in sorted(zones, reverse=True)}
        city = last.get(name.strip().lower().replace(" ", "_"))
        hint = f'did you mean "{city}"?' if city else values.close_to(name, zones)
        into.add(("site", "timezone"), name, form, hint or "`timedatectl` shows that of this computer")


def _weather(found: Parts, into: Collector) -> None:
    for place, table in found.weather:
        at = ("weather", place)
        if table.kind == "file" and not table.path:
            into.add((*at, "path"), None, "the key path", "the file that holds the forecast")
        if table.kind == "command" and not ({**table.options, **(table.model_extra or {})}).get("command"):
            into.add((*at, "command"), None, "the key command", 'such as command = ["/usr/local/bin/forecast"]')


def _channels(found: Parts, into: Collector) -> None:
    for place, table in found.channel:
        at = ("channel", place)
        if bool(table.url) == bool(table.url_file):
            got = "both" if table.url else None
            into.add(
                (*at, "url"), got, "either url or url_file", "url_file names a file that holds the URL, for secrets"
            )
        elif table.url and "://" not in table.url:
            into.add((*at, "url"), table.url, 'an apprise URL such as "mailto://…" or "json://localhost/"', "")


def _pipes(found: Parts, into: Collector) -> None:
    known = {table.name for _, table in found.appliance}
    for place, table in found.pipe:
        try:
            known_size(table.material, table.size)
        except ValueError as error:
            into.add(("pipe", place, "size"), table.size, str(error), "the size that is printed on the pipe or tubing")
        for name in table.carries:
            if name not in known and not into.has("appliance"):
                into.add(("pipe", place, "carries"), name, "the name of an [[appliance]]", values.close_to(name, known))


def _broker(found: Parts, into: Collector) -> None:
    broker = found.broker
    if broker is None:
        return
    if broker.password_file and not broker.username:
        into.add(("broker", "username"), None, "a user for the password", "or leave password_file out")
    if bool(broker.client_cert_file) != bool(broker.client_key_file):
        lacking = "client_key_file" if broker.client_cert_file else "client_cert_file"
        into.add(("broker", lacking), None, "certificate and key together", "")


def warnings(site: Site, found: Parts, path: Path, into: Collector) -> Iterator[Problem]:
    """Yield what is worth a look although the site can be used."""
    yield from _place(site, into)
    yield from _cylinders(site, into)
    yield from _regulator(site, into)
    yield from _inlet(site, into)
    if not site.weather:
        hint = '[[weather]] kind = "open-meteo" gives one for anywhere'
        yield into.warning(("weather",), "none", "a source of the forecast", hint)
    for place, source in enumerate(site.weather):
        if source.kind in {"nws", "met-norway"} and not (source.contact or site.settings.get("forecast.contact")):
            hint = "the service asks for an e-mail or web address in each request, and may refuse without"
            yield into.warning(("weather", place, "contact"), "nothing", "your contact", hint)
    for key in sorted(settings.NOT_YET):
        at: tuple[str, ...] = tuple(key.split("."))
        if (given := into.given(at, None)) is not None:
            yield into.warning(at, value_text(given, at), "a setting in use", "no part of this version reads it yet")
    yield from _secrets(site, found, path, into)


def _place(site: Site, into: Collector) -> Iterator[Problem]:
    if site.latitude == 0 and site.longitude == 0:
        yield into.warning(("site", "latitude"), "0, 0", "the place of the cylinders", "that is in the sea off Africa")
        return
    zone = ZoneInfo(site.timezone)
    standard = min(
        (dt.datetime(2025, month, 15, tzinfo=zone).utcoffset() or dt.timedelta()).total_seconds() / 3600
        for month in (1, 7)
    )
    apart = abs((standard - site.longitude / 15 + 12) % 24 - 12)
    if apart > 3.5:
        hint = f"west is negative: perhaps {-site.longitude:g}" if site.longitude else "west is negative"
        yield into.warning(("site", "longitude"), f"{site.longitude:g}", f"a place in {site.timezone}", hint)


def _cylinders(site: Site, into: Collector) -> Iterator[Problem]:
    for place, cylinder in enumerate(site.cylinders):
        at = ("cylinder", place)
        limit = FILLING_DENSITY * cylinder.water_capacity_kg
        if cylinder.full_kg > 1.005 * limit and cylinder.gas.is_pure_propane:
            hint = "the filling density for propane is 42 % of the water capacity; more leaves no room to expand"
            if cylinder.full_kg > 1.05 * limit:  # not a rounded nominal size: filled to this it may vent or burst
                into.add((*at, "full"), pair(cylinder.full_kg, "mass"), f"at most {pair(limit, 'mass')}", hint)
                continue
            yield into.warning((*at, "full"), pair(cylinder.full_kg, "mass"), f"at most {pair(limit, 'mass')}", hint)
        if cylinder.full_kg < 0.6 * limit:
            hint = f"42 % of the water capacity is {pair(limit, 'mass')}"
            yield into.warning((*at, "full"), pair(cylinder.full_kg, "mass"), "the filling limit", hint)
        yield from _against_catalogue(at, cylinder, into)
        if site.supply.feed == "together" and cylinder.side == "reserve":
            hint = 'it counts as feeding; feed = "changeover" if a changeover valve is fitted'
            yield into.warning((*at, "side"), "reserve", "no reserve side when feeding together", hint)
    if not any(cylinder.valve_open for cylinder in site.cylinders):
        hint = "as it stands no cylinder feeds the house, and every hour is uncovered"
        yield into.warning(("cylinder",), "all closed", "at least one open valve", hint)


def _against_catalogue(at: tuple[str, int], cylinder: Cylinder, into: Collector) -> Iterator[Problem]:
    """Yield a warning for a tare or diameter far from what is common for the water capacity."""
    size = catalogue.by_water_capacity(cylinder.water_capacity_kg)
    if size is None or size.tare is None or size.outside_diameter is None:
        return
    for name, kind, value, figure, span in (
        ("tare", "mass", cylinder.tare_kg, size.tare, (0.6, 1.3)),
        ("outside_diameter", "length", cylinder.outside_diameter_m, size.outside_diameter, (0.85, 1.2)),
    ):
        share = value / figure.si
        if span[0] * figure.low / figure.high <= share <= span[1]:
            continue
        hint = "is it the weight of the empty cylinder?" if name == "tare" else "is it the outside diameter?"
        yield into.warning((*at, name), pair(value, kind), f"about {figure}, as common for this water capacity", hint)


def _regulator(site: Site, into: Collector) -> Iterator[Problem]:
    rating = site.supply.regulator_w
    if rating is None:
        hint = "with its rating it is checked against the appliances"
        yield into.warning(("supply", "regulator"), "nothing", "the rating on the regulator's plate", hint)
        return
    share = site.demand_w / rating
    load = (
        f"{precise(site.demand_w, 'power', site.units)}, {100 * share:.0f} % of {precise(rating, 'power', site.units)}"
    )
    span = "a load of 30-90 % of the rating (common practice, no source)"
    if share > 1:
        hint = "it cannot pass what the appliances take: ask a licensed fitter"
        yield into.warning(("supply", "regulator"), load, span, hint)
    elif share > REGULATOR_HIGH:
        yield into.warning(("supply", "regulator"), load, span, "little is left for another appliance")
    elif share < REGULATOR_LOW:
        hint = "a regulator far too large hunts, and may freeze: ask a licensed fitter"
        yield into.warning(("supply", "regulator"), load, span, hint)


def _inlet(site: Site, into: Collector) -> Iterator[Problem]:
    lowest = site.supply.lowest_inlet_pa
    if lowest < 2 * PSI:
        hint = "the pressure before the regulator is meant, not the 11 in. w.c. at the appliance"
        yield into.warning(("supply", "lowest_inlet"), pair(lowest, "pressure"), "5-20 psi for most regulators", hint)
    elif lowest > 40 * PSI:
        hint = "propane at 0 °F gives about 24 psi: in winter the supply would always fail"
        yield into.warning(("supply", "lowest_inlet"), pair(lowest, "pressure"), "5-20 psi for most regulators", hint)


def reach(site: Site) -> Iterator[Problem]:
    """Yield a warning where no notice would reach anybody. `boiloff validate` asks: the demo needs no channel."""
    if not site.channels:
        hint = "a [[channel]] with an apprise URL sends them to a phone or a mailbox; `boiloff alerts test` tries it"
        yield Problem("channel", "none: warnings go to the log alone", "a way to reach you", hint)


def train(site: Site) -> Iterator[Problem]:
    """Yield what hose, excess-flow device and pipe cannot carry. Loads numpy, so `boiloff validate` alone asks."""
    hose, closing = site.settings.get("train.hose"), site.settings.get("train.excess_flow")
    if not (site.pipes or hose or closing):
        return
    from monitor.physics import supply_train

    hint = "`boiloff train` says what follows and what to ask a licensed fitter"
    if hose and not (finding := supply_train.hose_finding(hose, site.demand_w)).good:
        yield Problem("train.hose", pair(hose, "power"), "a hose for the connected load", f"{finding.fact}; {hint}")
    if closing and not (finding := supply_train.excess_flow_finding(closing, site.demand_w)).good:
        yield Problem("train.excess_flow", pair(closing, "power"), "room above the peak", f"{finding.fact}; {hint}")
    for finding in supply_train.pipe_findings(site, site.pipes) if site.pipes else ():
        if not finding.good:
            place = next((n for n, run in enumerate(site.pipes, 1) if run.name == finding.name), 1)
            yield Problem(f"pipe[{place}]", finding.fact, "a pipe for its load", hint)


def _secrets(site: Site, found: Parts, path: Path, into: Collector) -> Iterator[Problem]:
    """Yield a warning for each secret that others on the computer may read, or that is not there."""
    files: list[tuple[tuple[str | int, ...], str]] = []
    if site.broker is not None:
        files += [
            (("broker", key), str(getattr(site.broker, key)))
            for key in ("password_file", "client_key_file")
            if getattr(site.broker, key)
        ]
    files += [(("channel", n, "url_file"), c.url_file) for n, c in enumerate(site.channels) if c.url_file]
    for key in ("service.password_file", "service.heartbeat_url_file"):
        if site.settings.get(key):
            files.append((tuple(key.split(".")), str(site.settings[key])))
    for at, name in files:
        if (problem := secret_problem(Path(name))) is not None:
            yield into.warning(at, name, problem[0], problem[1])
    for place, table in found.channel:
        if "@" in table.url and secret_problem(path) is not None:
            hint = "put it in a file of its own and name that in url_file"
            yield into.warning(
                ("channel", place, "url"), "a secret, not shown", "no secret in a file that others may read", hint
            )


def secret_problem(path: Path) -> tuple[str, str] | None:
    """Return (expected, hint) where a file with a secret is missing or may be read by others, else None."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return "a file with the secret", "it is not there yet"
    except OSError:
        return None  # another user's folder: the service may read it, we cannot tell
    if mode & (stat.S_IROTH | stat.S_IWOTH):
        return "a file that others cannot read", f"chmod 600 {path}"
    return None
