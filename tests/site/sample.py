"""Site files for the tests, put together from tables; every value invented."""

from __future__ import annotations

from pathlib import Path

from monitor.model.errors import BadInput, Problem
from monitor.site import build

SITE = """[site]
name = "Test yard (invented)"
latitude = 45.0
longitude = -90.0
timezone = "America/Chicago"
"""
SUPPLY = """[supply]
regulator = "160000 Btu/h"
"""
CYLINDER = """[[cylinder]]
name = "A"
water_capacity = "95.2 lb"
tare = "29 lb"
outside_diameter = "12.5 in"
"""
RANGE = """[[appliance]]
name = "Range"
input = "65000 Btu/h"
"""
WEATHER = """[[weather]]
kind = "open-meteo"
"""
SOUND = SITE + SUPPLY + CYLINDER + RANGE + WEATHER


def loaded(text: str, path: Path = Path("site.toml")) -> build.Loaded:
    """Return what the text gives."""
    return build.from_text(text, path)


def problems(text: str, path: Path = Path("site.toml")) -> list[Problem]:
    """Return every problem in the text; an empty list where it can be used."""
    try:
        build.from_text(text, path)
    except BadInput as error:
        return list(error.problems)
    return []


def only(text: str) -> Problem:
    """Return the one problem in the text."""
    found = problems(text)
    assert len(found) == 1, [str(p) for p in found]
    return found[0]


def warned(text: str) -> dict[str, Problem]:
    """Return the warnings by key."""
    return {w.key: w for w in loaded(text).warnings}
