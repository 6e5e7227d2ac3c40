"""Writing a site file: from a few answers to commented TOML that validates."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

Row = Mapping[str, str | float | bool]


@dataclass(frozen=True, slots=True)
class Answers:
    """What a site file needs at least. Rows hold the keys of one table each, quantities as text with their units."""

    name: str
    latitude: float
    longitude: float
    timezone: str
    units: str
    cylinders: Sequence[Row]
    appliances: Sequence[Row]
    feed: str = "together"
    regulator: str = ""
    elevation: str = ""
    use: str = ""  # what the household burns a day
    coldest: str = ""  # air to be ready for
    channel: str = ""  # an apprise URL; one with a secret belongs in a file of its own
    more: Sequence[str] = field(default=())  # lines for the head of the file, without "#"


# Written behind a key where it may not be plain what it means.
_NOTES = {
    "water_capacity": "stamped on the collar behind WC",
    "tare": "stamped on the collar behind TW",
    "size": "what is not stated comes from a catalogue; `boiloff validate` says what",
    "outside_diameter": "distance round the shell over 3.14",
    "input": "from the appliance's plate, gross",
    "hold": "longest time everything burns at once",
    "when": "hours in which it may burn",
    "use": "until it is learnt from the levels",
    "coldest": "air to be ready for; `boiloff train` checks for it",
    "continuous": "may burn at any hour, without end",
}


def text(value: str | float | bool) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def _table(header: str, row: Row) -> list[str]:
    lines = [header]
    for key, value in row.items():
        note = f"  # {_NOTES[key]}" if key in _NOTES else ""
        lines.append(f"{key} = {text(value)}{note}")
    return [*lines, ""]


def _stamps(row: Row, unit: str) -> list[str]:
    """Return the stamped keys that the row leaves to the catalogue, as comments to be filled in."""
    lines = ["# The collar's stamps are better than the catalogue; take off the # where you have read them:"]
    lines += [f'# {key} = "… {unit}"  # {_NOTES[key]}' for key in ("water_capacity", "tare") if key not in row]
    return [*lines, ""] if len(lines) > 1 else []


def _channel(url: str) -> list[str]:
    if url:
        return _table("[[channel]]", {"name": "first", "url": url})
    return ["# [[channel]]", '# name = "mail"', '# url_file = "/etc/boiloff/mail.url"', ""]


def compose(answers: Answers) -> str:
    """Return the text of a site file."""
    lines = [
        "# The site that boiloff watches. `boiloff validate` checks this file.",
        '# Quantities are written with their unit, in quotes: "95.2 lb", "29 °C", "65000 Btu/h".',
        *(f"# {line}" for line in answers.more),
        "",
    ]
    site: dict[str, str | float | bool] = {
        "name": answers.name, "latitude": answers.latitude, "longitude": answers.longitude,
        "timezone": answers.timezone, "units": answers.units,
    }  # fmt: skip
    if answers.elevation:
        site["elevation"] = answers.elevation
    lines += _table("[site]", site)
    weight, heat = ("lb", "Btu/h") if answers.units == "us" else ("kg", "kW")
    inlet = "10 psi" if answers.units == "us" else "0.7 bar"
    supply: dict[str, str | float | bool] = {"feed": answers.feed}
    if answers.regulator:
        supply["regulator"] = answers.regulator
    lines += _table("[supply]", supply)[:-1]
    if not answers.regulator:
        lines.append(f'# regulator = "… {heat}"  # rating on its plate; checked against the appliances')
    lines += [
        "# Gauge pressure below which the regulator no longer delivers; 10 psi unless its papers say otherwise:",
        f'# lowest_inlet = "{inlet}"',
        "# Wind at the cylinders as a share of the forecast's: 0.3 beside a house, 1 in the open.",
        "# shelter = 0.3",
        "",
    ]
    for row in answers.cylinders:
        lines += [*_table("[[cylinder]]", row)[:-1], *(_stamps(row, weight) or [""])]
    for row in answers.appliances:
        lines += _table("[[appliance]]", row)
    lines += [
        "# The forecast. Coordinates leave the house rounded to 2 decimals, about 1 km.",
        *_table("[[weather]]", {"kind": "open-meteo"}),
        "# Where notices go; one [[channel]] each. They always go to the log. A URL with a password belongs in a file",
        '# of its own: url_file = "/etc/boiloff/mail.url"',
        *_channel(answers.channel),
        "# A sensor, if there is one; without, enter readings with `boiloff reading`.",
        "# [broker]",
        '# host = "127.0.0.1"',
        "# [[sensor]]",
        '# name = "scale under A"',
        '# topic = "scale/a"',
        f"# cylinder = {text(str(answers.cylinders[0].get('name', 'A')))}",
        '# quantity = "gross_weight"',
        f'# unit = "{weight}"',
        "",
        *(_table("[fuel]", {"use": answers.use}) if answers.use else []),
        *(_table("[train]", {"coldest": answers.coldest}) if answers.coldest else []),
        "[alerts]",
        'low_fuel = ["20 %", "15 %"]  # of full: common practice, no source',
        'quiet_hours = "22-06"  # notices below Severe wait',
        "",
    ]
    return "\n".join(lines)
