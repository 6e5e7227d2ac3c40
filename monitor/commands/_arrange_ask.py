"""What `boiloff arrange` is asked: options to a question and its candidates, everything wrong told at once."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from monitor.commands import _interview
from monitor.commands._arrange_past import ask_past, read_past
from monitor.commands._conditions import quantity
from monitor.model.errors import BadInput, Problem
from monitor.model.site import BASES, Site
from monitor.outlook.arrange import Candidate, Container, Limits, Past, Prices, Question, candidates
from monitor.outlook.arrange_model import MINDS
from monitor.site import build, catalogue, newfile
from monitor.site.quantity import QuantityError, parse
from monitor.site.unit_table import GALLON, LB

LIQUID_KG_M3 = 508.0  # propane at 60 °F, for a price by volume: specific gravity 0.504-0.510
LIQUID_LB = (33.5,)  # lift-truck cylinders give liquid, which no household regulator may get; common practice
FEET_M = 0.15  # under a lying tank, added to its diameter; common practice, no source
_PLACE = (("name", "Here"), ("latitude", 45.0), ("longitude", 0.0))


@dataclass(frozen=True, slots=True)
class Options:
    """The options as given."""

    appliances: tuple[str, ...]
    heaters: tuple[str, ...]
    use: str | None
    summer_use: str | None
    coldest: str | None
    winters: tuple[Path, ...]
    past_years: int | None
    past_url: str
    sizes: tuple[str, ...]
    cylinders: tuple[str, ...]
    carry: str | None
    height: str | None
    width: str | None
    most: int
    fuel_most: str | None
    scale: str | None
    delivery: bool
    refill_at: str
    prices: tuple[str, ...]
    yearly: tuple[str, ...]
    gas: str | None
    gas_delivered: str | None
    trip: float | None
    mind: str
    site: Path | None
    name: str | None
    latitude: str | None
    longitude: str | None
    timezone: str | None
    elevation: str | None
    units: str | None
    basis: str | None
    regulator: str | None
    write: Path | None


def gather(asked: Options) -> tuple[Question, list[Candidate]]:
    """Return the question and its candidates. Raises BadInput with all that is wrong."""
    problems: list[Problem] = []
    if asked.write is not None:
        _interview.refuse_existing(asked.write)
    try:
        site = _site(asked, problems)
    except BadInput as error:  # the other options are looked at all the same
        problems += [p for p in error.problems if p not in problems]
        site = Site("Here", 0.0, 0.0, "UTC", (), ())
    question = _question(asked, site, problems)
    kinds = _kinds(asked, site.units, problems)
    if problems:
        raise BadInput(problems)
    return replace(question, winters=_winters(asked, site)), candidates(kinds, asked.most)


def _winters(asked: Options, site: Site) -> tuple[Past, ...]:
    files = asked.winters
    read = tuple(read_past(file, file.stem if len(files) > 1 else "") for file in files)
    return (*read, ask_past(site, asked.past_years, asked.past_url)) if asked.past_years else read


def _question(asked: Options, site: Site, problems: list[Problem]) -> Question:
    def maybe(option: str, text: str | None, kind: str) -> float | None:
        return None if text is None else quantity(option, text, kind, problems)

    use = maybe("--use", asked.use, "mass_rate")
    if asked.use is None:
        hint = "what the household burns a day in winter; 0.2-0.6 kg for a range alone (common practice, no source)"
        problems.append(Problem("--use", "nothing", 'a rate such as "0.4 kg/day"', hint))
    elif use is not None and use <= 0.0:
        problems.append(Problem("--use", f'"{asked.use}"', "a rate above zero"))
    summer = maybe("--summer-use", asked.summer_use, "mass_rate")
    if asked.past_years and asked.site is None and (asked.latitude is None or asked.longitude is None):
        hint = "coordinates leave the house rounded to 2 decimals, about 1 km"
        problems.append(
            Problem("--past-years", f"{asked.past_years}", "with --latitude and --longitude, or --site", hint)
        )
    if asked.coldest is None and not asked.winters and not asked.past_years:
        expected = 'a design low such as --coldest "-10 degF", or --past-years 10, or --winters FILE.csv'
        problems.append(Problem("--coldest", "nothing", expected))
    low = maybe("--coldest", asked.coldest, "temperature")
    if low is not None and not 203.15 <= low <= 323.15:
        problems.append(Problem("--coldest", f'"{asked.coldest}"', "outside air, from -70 to 50 °C"))
    refill = quantity("--refill-at", asked.refill_at, "share", problems)
    if refill is not None and not 0.0 <= refill <= 0.9:
        problems.append(Problem("--refill-at", f'"{asked.refill_at}"', "a share of full from 0 to 90 %"))
    if asked.mind not in MINDS:
        problems.append(Problem("--mind", f'"{asked.mind}"', "one of " + ", ".join(MINDS)))
    if asked.trip is not None and not 0.0 <= asked.trip < 1e6:
        problems.append(Problem("--trip", f"{asked.trip}", "what a trip costs, 0 or more"))
    limits = Limits(
        carry_kg=maybe("--carry", asked.carry, "mass"),
        height_m=maybe("--height", asked.height, "length"),
        width_m=maybe("--width", asked.width, "length"),
        most=asked.most,
        fuel_kg=maybe("--fuel-most", asked.fuel_most, "mass"),
        delivery=asked.delivery,
        scale_kg=maybe("--scale", asked.scale, "mass"),
    )
    prices = Prices(
        each=_by_name("--price", asked.prices, problems),
        yearly=_by_name("--yearly", asked.yearly, problems),
        gas_kg=_per_kg("--gas", asked.gas, problems),
        delivered_kg=_per_kg("--gas-delivered", asked.gas_delivered, problems),
        trip=asked.trip,
    )
    return Question(
        site=site,
        use_kg_d=(use or 0.0) * 86_400.0,
        summer_kg_d=None if summer is None else summer * 86_400.0,
        coldest_k=low,
        refill_share=refill or 0.0,
        limits=limits,
        prices=prices,
        mind=asked.mind if asked.mind in MINDS else MINDS[0],
    )


# --- the place ------------------------------------------------------------------------------------------------------


def _site(asked: Options, problems: list[Problem]) -> Site:
    """The place, its appliances and supply: from the site file where one is named, options over it."""
    base = None
    if asked.site is not None:
        from monitor import site as site_file

        base = site_file.load(site_file.find(asked.site))
    if asked.write is not None and base is None:
        missing = [key for key in ("name", "latitude", "longitude") if getattr(asked, key) is None]
        problems += [Problem(f"--{key}", "nothing", "the place, for the site file of --write") for key in missing]
    if base is None and not asked.appliances and not asked.heaters:
        hint = "its input is on the plate, gross; --heater for one that burns without end"
        problems.append(Problem("--appliance", "nothing", 'such as "Range=65000 Btu/h"', hint))
    if asked.basis is not None and asked.basis not in BASES:
        problems.append(Problem("--basis", f'"{asked.basis}"', "one of " + ", ".join(BASES)))
    answers = _answers(asked, base, problems)
    if problems:
        raise BadInput(problems)
    read = build.from_text(newfile.compose(answers), Path("options")).site
    appliances = read.appliances if asked.appliances or asked.heaters or base is None else base.appliances
    if base is not None:
        supply = base.supply if asked.regulator is None else replace(base.supply, regulator_w=read.supply.regulator_w)
        found = replace(base, appliances=appliances, supply=supply, pipes=base.pipes)
        if asked.elevation is not None:
            found = replace(found, elevation_m=read.elevation_m, air_pressure_pa=read.air_pressure_pa)
        found = replace(
            found, name=read.name, latitude=read.latitude, longitude=read.longitude, timezone=read.timezone,
            units=read.units,
        )  # fmt: skip
    else:
        found = read
    if asked.basis in BASES:
        found = replace(found, supply=replace(found.supply, basis=asked.basis))
    return found


def _answers(asked: Options, base: Site | None, problems: list[Problem]) -> newfile.Answers:
    """The options as rows of a site file, so that its own checks read them; one cylinder stands in."""

    def either(key: str, default: Any) -> Any:
        given = getattr(asked, key)
        if given is None:
            return default if base is None else getattr(base, key)
        if key == "name":
            return given
        try:
            return _interview.degrees(90 if key == "latitude" else 180)(given)
        except QuantityError as error:
            problems.append(Problem(f"--{key}", f'"{given}"', error.expected, error.hint or error.why))
            return default

    place = {key: either(key, default) for key, default in _PLACE}
    zone = asked.timezone or (base.timezone if base else _interview.system_timezone() or "UTC")
    rows = [_appliance("--appliance", text, problems) for text in asked.appliances]
    rows += [{**_appliance("--heater", text, problems, heater=True)} for text in asked.heaters]
    return newfile.Answers(
        **place,
        timezone=zone,
        units=asked.units or (base.units if base else "us"),
        cylinders=[{"name": "A", "size": "20 lb"}],
        appliances=rows or [{"name": "none", "input": "1 kW", "hold": "1 h"}],
        elevation=asked.elevation or "",
        regulator=asked.regulator or "",
    )


_HOLD = re.compile(r"hold\s+(.+)", re.IGNORECASE)
_WHEN = re.compile(r"(?:when\s+)?(\d{1,2}\s*-\s*\d{1,2})", re.IGNORECASE)


def _appliance(option: str, text: str, problems: list[Problem], *, heater: bool = False) -> newfile.Row:
    """Row of "Range=65000 Btu/h, hold 45 min, when 05-23, continuous"."""
    form = '"Range=65000 Btu/h", then as needed ", hold 45 min", ", when 05-23", ", continuous"'
    row: dict[str, str | float | bool] = {}
    try:
        name, value = _interview.split(text, form)
        first, *more = re.split(r"[,;]\s+", value)
        parse(first, "power")
        row = {"name": name, "input": first}
        for part in more:
            if part.strip().lower() == "continuous":
                row["continuous"] = True
            elif match := _HOLD.fullmatch(part.strip()):
                parse(match[1], "time")
                row["hold"] = match[1]
            elif match := _WHEN.fullmatch(part.strip()):
                row["when"] = match[1].replace(" ", "")
            else:
                raise QuantityError(f'"{part}" is not understood', form)
    except QuantityError as error:
        problems.append(Problem(option, f'"{text}"', error.expected, error.hint or error.why))
    if heater:
        row["continuous"] = True
    if not row.get("continuous"):
        row = {"hold": "60 min", "when": "05-23", **row}
        row = {"name": row.pop("name", "?"), "input": row.pop("input", "1 kW"), **row}
    return row


# --- kinds and prices -----------------------------------------------------------------------------------------------


def _kinds(asked: Options, units: str, problems: list[Problem]) -> list[Container]:
    """Common sizes of the household's system with known measures, lying tanks, and what the user names."""
    upright = [s for s in catalogue.SIZES if s.tare and s.nominal.low not in LIQUID_LB]
    known = {**{s.name: of_size(s) for s in upright}, **{t.name: of_tank(t) for t in catalogue.TANKS}}
    found: list[Container] = []
    for text in asked.sizes:
        same = [k for k in known if k.replace(" ", "").lower() == text.replace(" ", "").lower()]
        if not same:
            hint = "for another give its stamps with --cylinder"
            problems.append(Problem("--size", f'"{text}"', "one of " + ", ".join(known), hint))
        found += [known[k] for k in same]
    for text in asked.cylinders:
        try:
            found.append(_typed(text, units))
        except QuantityError as error:
            problems.append(Problem("--cylinder", f'"{text}"', error.expected, error.hint or error.why))
    return found if asked.sizes or asked.cylinders else list(known.values())


def _typed(text: str, units: str) -> Container:
    """A kind by its stamps, read with the site file's own checks."""
    row = dict(_interview.cylinder(text))
    text_ = newfile.compose(
        newfile.Answers("x", 0.0, 0.0, "UTC", units, [row], [{"name": "x", "input": "1 kW", "hold": "1 h"}])
    )
    c = build.from_text(text_, Path("options")).site.cylinders[0]
    return Container(
        c.name, c.water_capacity_kg, c.tare_kg, c.outside_diameter_m, full_kg=c.full_kg, shape=c.shape, unsure=c.assumed
    )


def of_size(size: catalogue.Size) -> Container:
    """A catalogue size whose measures are known."""
    assert size.tare is not None
    assert size.outside_diameter is not None
    figures = {"water_capacity": size.water_capacity, "tare": size.tare, "outside_diameter": size.outside_diameter}
    return Container(
        size.name,
        size.water_capacity.si,
        size.tare.si,
        size.outside_diameter.si,
        height_m=None if size.height is None else size.height.si,
        in_place=size.nominal.si > catalogue.IN_PLACE_LB * LB,
        unsure=tuple(k for k, f in figures.items() if f.status != catalogue.FOUND),
    )


def of_tank(tank: catalogue.Size) -> Container:
    """A lying tank."""
    assert tank.tare is not None
    assert tank.outside_diameter is not None
    assert tank.height is not None
    return Container(
        tank.name, tank.water_capacity.si, tank.tare.si, tank.outside_diameter.si,
        height_m=tank.outside_diameter.si + FEET_M, length_m=tank.height.si, shape="horizontal", in_place=True,
        unsure=("tare", "outside_diameter"),
    )  # fmt: skip


def _by_name(option: str, texts: tuple[str, ...], problems: list[Problem]) -> dict[str, float]:
    found: dict[str, float] = {}
    names = {k.name.replace(" ", "").lower(): k.name for k in (*catalogue.SIZES, *catalogue.TANKS)}
    for text in texts:
        name, sign, amount = text.partition("=")
        value = _number(amount)
        if not sign or not name.strip() or value is None or value < 0.0:
            problems.append(Problem(option, f'"{text}"', 'SIZE=AMOUNT such as "40 lb=150", the amount a plain number'))
            continue
        found[names.get(name.replace(" ", "").lower(), name.strip())] = value
    return found


def _number(text: str) -> float | None:
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d{1,3})?|\d*\.\d+)\s*", text)
    return float(match[1].replace(",", ".")) if match else None


def _per_kg(option: str, text: str | None, problems: list[Problem]) -> float | None:
    """Price of a kilogram from "0.95/lb", "2.10/kg" or "2.80/gal"; a litre counts too."""
    if text is None:
        return None
    units = {"kg": 1.0, "lb": LB, "gal": GALLON * LIQUID_KG_M3, "l": 1e-3 * LIQUID_KG_M3}
    amount, _, unit = text.partition("/")
    value = _number(amount)
    if value is None or unit.strip().lower() not in units:
        problems.append(Problem(option, f'"{text}"', 'an amount by unit: "0.95/lb", "2.10/kg", "2.80/gal", "0.70/L"'))
        return None
    return value / units[unit.strip().lower()]
