"""The questions of `boiloff init`, their checks, and the writing of the file."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import typer

from monitor.model.errors import BadInput, Problem
from monitor.site import build, catalogue, newfile
from monitor.site.quantity import QuantityError, parse
from monitor.site.values import close_to

if TYPE_CHECKING:
    from monitor.site.build import Loaded

Given = Mapping[str, Any]
_STAMPED = re.compile(r"\s*(.+?)\s*\b(WC|TW)\b\s*", re.IGNORECASE)


def refuse_existing(file: Path) -> None:
    """Raise BadInput where `file` is there already, or its folder is not."""
    if file.exists() or file.is_symlink():
        hint = "name another file, or move that one away; nothing was changed"
        raise BadInput(Problem("FILE", str(file), "a file that is not there yet", hint))
    if not file.parent.is_dir():
        raise BadInput(Problem("FILE", str(file), "a file in a folder that exists", f"mkdir -p {file.parent}"))


def system_timezone() -> str:
    """Return the time zone of this computer, "" where it has no IANA name."""
    found = os.environ.get("TZ", "").lstrip(":")
    link = Path("/etc/localtime")
    if not found and link.is_symlink():
        _, _, found = str(link.readlink()).partition("zoneinfo/")
    if not found and Path("/etc/timezone").is_file():
        found = Path("/etc/timezone").read_text(encoding="utf-8").strip()
    try:
        ZoneInfo(found)
    except (ValueError, OSError, KeyError):
        return ""
    return found


def _own_timezone() -> str | None:
    """The computer's zone as a default; a server left at UTC says nothing of where its cylinders stand."""
    found = system_timezone()
    return None if found.rsplit("/", 1)[-1] in {"", "UTC", "UCT", "GMT", "Universal", "Zulu"} else found


def _name(text: str) -> str:
    if not text.strip():
        raise QuantityError("nothing", "a name")
    return text.strip()


def degrees(limit: float) -> Callable[[str], float]:
    """Return a reader of "-110.9", "110.9 W" or "45,68 N", which refuses what lies beyond `limit`."""

    def read(text: str) -> float:
        form = f"degrees from -{limit:g} to {limit:g}"
        match = re.fullmatch(r"([-+]?\d{1,3}(?:[.,]\d+)?)\s*°?\s*([NSEW]?)", text.strip(), re.IGNORECASE)
        if match is None:
            raise QuantityError("not degrees", form, 'decimal degrees such as 45.68 or "110.9 W"')
        value = float(match[1].replace(",", "."))
        side = match[2].upper()
        if side and (side in "NS") != (limit <= 90):
            raise QuantityError(f"{side} does not belong here", form)
        if side and value < 0:
            raise QuantityError("a sign and a letter", form, "either one")
        value = -value if side in {"S", "W"} else value
        if abs(value) > limit:
            raise QuantityError("out of range", form)
        return value

    return read


ZONE_NAMES = "`timedatectl list-timezones` lists the names that exist"


def _timezone(text: str) -> str:
    if not text.strip():
        hint = f"notices and the hours of meals go by it; {ZONE_NAMES}"
        raise QuantityError("nothing typed", 'the time zone of the place, such as "America/Denver"', hint)
    try:
        ZoneInfo(text.strip())
    except (ValueError, OSError, KeyError):
        from zoneinfo import available_timezones

        hint = close_to(text, available_timezones()) or ZONE_NAMES
        raise QuantityError("no such time zone", 'a name such as "America/Denver"', hint) from None
    return text.strip()


def _word(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text.strip().lower() not in words:
            raise QuantityError("not a choice", " or ".join(words), close_to(text, words))
        return text.strip().lower()

    return read


def _power(text: str) -> str:
    if text.strip():
        parse(text, "power")
    return text.strip()


def _hold(text: str) -> str:
    if not 60.0 <= parse(text, "time") <= 86_400.0:
        raise QuantityError("out of range", 'a time from 1 min to 24 h such as "60 min"')
    return text.strip()


def _channel(text: str) -> str:
    found = text.strip()
    if found and not re.match(r"[A-Za-z][A-Za-z0-9+.-]*://\S", found):
        raise QuantityError("no URL", 'an apprise URL such as "ntfy://topic" or "mailto://…", or nothing', "")
    if re.search(r"://[^/@]*:[^/@]+@", found):
        hint = "put it in a file of its own, readable by you alone, and name that under [[channel]] as url_file"
        raise QuantityError("a URL with a password", "one without a secret, or nothing for now", hint)
    return found


def split(text: str, form: str) -> tuple[str, str]:
    """Return name and value of "NAME=VALUE"."""
    name, equals, value = text.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise QuantityError("no name and value", form)
    return name.strip(), value.strip()


def cylinder(text: str) -> newfile.Row:
    """Return the row for "A=40 lb", or with stamps: "A=95.2 lb WC, 29 lb TW, 12.5 in"."""
    name, value = split(text, '"A=40 lb" or "A=95.2 lb WC, 29 lb TW, 12.5 in"')
    row: dict[str, str | float | bool] = {"name": name}
    for part in re.split(r"[;,]\s+", value):
        stamped = _STAMPED.fullmatch(part)
        if stamped is not None:
            row["water_capacity" if stamped[2].upper() == "WC" else "tare"] = stamped[1]
            continue
        try:
            mass = parse(part, "mass")
        except QuantityError:
            parse(part, "length")
            row["outside_diameter"] = part.strip()
            continue
        _known_size(part, mass)
        row["size"] = part.strip()
    _check(row)
    return row


def _check(row: newfile.Row) -> None:
    """Raise QuantityError with the first thing that the site file's own checks find wrong with a cylinder."""
    from pydantic import ValidationError

    from monitor.site import fill, problems, schema

    into = problems.Collector({}, {"cylinder": [row]})
    try:
        fill.cylinder(0, schema.CylinderTable.model_validate(row), [], into)
    except ValidationError as error:
        problems.from_pydantic(error, ("cylinder", 0), schema.CylinderTable.model_fields, into)
    for problem in into.problems:
        key = problem.key.rsplit(".", 1)[-1].replace("_", " ")
        raise QuantityError(f"{key}: got {problem.value}", problem.expected, problem.hint)


def _known_size(text: str, mass_kg: float) -> None:
    if catalogue.by_nominal(mass_kg) is None and "lb" not in text.lower():
        sizes = ", ".join(catalogue.names())
        raise QuantityError("not a common size", f"one of {sizes}", 'or the stamps: "27.2 L WC, 12 kg TW, 300 mm"')


def _appliance(text: str) -> newfile.Row:
    name, value = split(text, '"Range=65000 Btu/h"')
    parse(value, "power")
    return {"name": name, "input": value, "hold": "60 min", "when": "05-23"}


def _heater(text: str) -> newfile.Row:
    name, value = split(text, '"Heater=12 kW"')
    parse(value, "power")
    return {"name": name, "input": value, "continuous": True}


_READERS: dict[str, Callable[[str], Any]] = {
    "name": _name,
    "latitude": degrees(90),
    "longitude": degrees(180),
    "timezone": _timezone,
    "units": _word("us", "metric"),
    "cylinder": cylinder,
    "appliance": _appliance,
    "heater": _heater,
    "feed": _word("together", "changeover"),
    "regulator": _power,
    "hold": _hold,
    "channel": _channel,
}


def gather(given: Given, *, asking: bool) -> newfile.Answers:
    """Return the answers from options, asking for the rest where `asking`. Raises BadInput with all that is wrong."""
    found: dict[str, Any] = {}
    problems: list[Problem] = []
    for key, value in given.items():
        texts = value if isinstance(value, list) else [value]
        rows = [_read(key, text, problems) for text in texts if text is not None]
        if value is not None:
            found[key] = rows if isinstance(value, list) else rows[0]
    if asking and not problems:
        _ask(found)
    found.setdefault("timezone", system_timezone())
    for key, expected in (
        ("name", "what you call the place"),
        ("latitude", "degrees north"),
        ("longitude", "degrees east"),
        ("timezone", 'a time zone such as "America/Denver"'),
        ("cylinder", 'at least one, such as --cylinder "A=40 lb"'),
        ("appliance", 'at least one, such as --appliance "Range=65000 Btu/h"'),
    ):
        is_there = found.get(key) or (key in given and given[key]) or (key == "appliance" and given.get("heater"))
        if not is_there and found.get(key) != 0.0:
            problems.append(Problem(f"--{key}", "nothing", expected, "or run it on a terminal to be asked"))
    if problems:
        raise BadInput(problems)
    return _answers(found)


def _read(key: str, text: str, problems: list[Problem]) -> Any:
    try:
        return _READERS[key](text)
    except QuantityError as error:
        hint = f"{error.why}; {error.hint}" if error.hint else error.why
        problems.append(Problem(f"--{key}", f'"{text}"', error.expected, hint))
        return None


def _prompt(question: str, key: str, default: str | None = None) -> Any:
    """Ask until the answer can be used; what is wrong with one is said."""
    while True:
        try:
            return _READERS[key](_typed(question, default))
        except QuantityError as error:
            typer.echo(f"  {error}")


def _typed(question: str, default: str | None) -> str:
    """What was typed, "" for Enter alone where there is no default: it goes to the reader, which says what is wrong."""
    return str(typer.prompt(question, default=default or "", show_default=bool(default)))


def _ask_timezone() -> str:
    own = _own_timezone()
    if own is None:
        typer.echo("This computer's clock is set to UTC or to no zone, which does not say where the cylinders stand.")
        typer.echo(f'  Type the zone of the place, such as "America/Denver" ({ZONE_NAMES}).')
    return str(_prompt("Time zone of the cylinders", "timezone", own))


def _ask(found: dict[str, Any]) -> None:
    plain = (
        ("name", "What do you call the place?", None),
        ("latitude", "Latitude in degrees (north, or -south)", None),
        ("longitude", "Longitude in degrees (east, or -west)", None),
    )
    for key, question, default in plain:
        if key not in found:
            found[key] = _prompt(question, key, default)
    if "timezone" not in found:
        found["timezone"] = _ask_timezone()
    if "units" not in found:
        found["units"] = _prompt("Units, us or metric", "units", "us")
    if "cylinder" not in found:
        found["cylinder"] = _ask_cylinders(found["units"])
    if "feed" not in found and len(found["cylinder"]) > 1:
        found["feed"] = _prompt("Do the cylinders feed together, or over an automatic changeover?", "feed", "together")
    if "appliance" not in found and "heater" not in found:
        found["appliance"], found["heater"] = _ask_appliances(found["units"])
    if "hold" not in found:
        found["hold"] = _prompt("Longest time everything burns at once, as at a holiday dinner", "hold", "60 min")
    if "regulator" not in found:
        found["regulator"] = _prompt("Rating on the regulator's plate (empty if you cannot see it)", "regulator", "")
    if "channel" not in found:
        typer.echo("Notices go to the log; a phone or a mailbox needs an apprise URL, such as ntfy://your-own-topic.")
        found["channel"] = _prompt("Where should notices go (empty: the log alone, for now)", "channel", "")


def _ask_cylinders(units: str) -> list[newfile.Row]:
    if units == "us":
        typer.echo('Cylinders: the size people call them by ("40 lb"), or better the stamps on the collar, such as')
        typer.echo('  "95.2 lb WC, 29 lb TW, 12.5 in" (water capacity, tare, outside diameter).')
    else:
        typer.echo("Cylinders: the stamps on the collar and the outside diameter, such as")
        typer.echo('  "27.2 L WC, 12.5 kg TW, 300 mm" (water capacity, tare, diameter: distance round over 3.14).')
    while not (answer := str(typer.prompt("How many cylinders can feed the house?", default="2")).strip()).isdecimal():
        typer.echo('  a number alone, such as "2"; their sizes are asked next')
    count = int(answer)
    rows: list[newfile.Row] = []
    for place in range(max(1, min(26, count))):
        name = chr(ord("A") + place)
        rows.append(_prompt_row(f"Cylinder {name}", name, cylinder, "40 lb" if units == "us" else None, rows))
    return rows


def _prompt_row(
    question: str, name: str, read: Callable[[str], newfile.Row], default: str | None, before: list[newfile.Row]
) -> newfile.Row:
    again = ", ".join(_as_asked(before[-1])) if before else default
    while True:
        answer = _typed(question, again)
        try:
            return read(f"{name}={answer}")
        except QuantityError as error:
            typer.echo(f"  {error}")


def _as_asked(row: newfile.Row) -> list[str]:
    """Return a row as it would be typed, to offer it again for the next cylinder."""
    marks = {"size": "", "water_capacity": " WC", "tare": " TW", "outside_diameter": ""}
    return [f"{row[key]}{mark}" for key, mark in marks.items() if key in row]


def _ask_appliances(units: str) -> tuple[list[newfile.Row], list[newfile.Row]]:
    usual = "65000 Btu/h" if units == "us" else "19 kW"
    range_ = _prompt_row("Kitchen range, everything on (from its plate)", "Range", _appliance, usual, [])
    heater = typer.prompt(
        "Heater that runs on the same gas, input (empty if there is none)", default="", show_default=False
    )
    if not heater.strip():
        return [range_], []
    return [range_], [_prompt_row("Heater's input", "Heater", _heater, heater, [])]


def _answers(found: dict[str, Any]) -> newfile.Answers:
    cylinders = [dict(row) for row in found["cylinder"]]
    feed = found.get("feed") or "together"
    if feed == "changeover":
        for place, row in enumerate(cylinders):
            row["side"] = "service" if place < (len(cylinders) + 1) // 2 else "reserve"
    appliances = [dict(row) for row in (*(found.get("appliance") or []), *(found.get("heater") or []))]
    for row in appliances:
        if "hold" in row and found.get("hold"):
            row["hold"] = found["hold"]
    return newfile.Answers(
        name=found["name"],
        latitude=found["latitude"],
        longitude=found["longitude"],
        timezone=found["timezone"],
        units=found.get("units") or "us",
        cylinders=cylinders,
        appliances=appliances,
        feed=feed,
        regulator=found.get("regulator") or "",
        channel=found.get("channel") or "",
    )


def write(file: Path, answers: newfile.Answers) -> Loaded:
    """Check what would be written, then write it; raises BadInput and writes nothing where it would not do."""
    text = newfile.compose(answers)
    loaded = build.from_text(text, file)
    try:
        with file.open("x", encoding="utf-8") as stream:  # "x": never over an existing file, not even in a race
            stream.write(text)
    except FileExistsError:
        refuse_existing(file)
    except OSError as error:
        hint = os.strerror(error.errno or 0)
        raise BadInput(Problem("FILE", str(file), "a file that can be written", hint)) from None
    return loaded
