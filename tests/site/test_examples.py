"""The example files must be right, and the commented lines in them too."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.site import build, schema, settings
from tests.site.sample import problems

CONFIG = Path(__file__).resolve().parents[2] / "config"
FILES = sorted(CONFIG.glob("*.toml"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_example_validates(path: Path) -> None:
    loaded = build.read(path)
    missing_secrets = [w for w in loaded.warnings if w.hint == "it is not there yet"]
    regulator = [w for w in loaded.warnings if path.name == "smallest.toml" and w.key == "supply.regulator"]
    assert list(loaded.warnings) == [*regulator, *missing_secrets]


def test_the_demo_is_as_described() -> None:
    site = build.read(CONFIG / "demo.toml").site
    assert "invented" in site.name
    assert [c.name for c in site.cylinders] == ["A", "B"]
    assert {round(c.full_kg / 0.45359237) for c in site.cylinders} == {40}
    assert {s.way for s in site.sensors} == {"simulated"}
    assert [a.continuous for a in site.appliances] == [False, True]


OFFERED = re.compile(r"^# (\w+ = .+?)(?:\s+#.*)?$")


def test_commented_lines_of_the_example_are_right_too() -> None:
    """Each `# key = value` is put in place alone; only what it says it needs may then be missing."""
    lines = (CONFIG / "example.toml").read_text(encoding="utf-8").split("\n")
    tried = 0
    for place, line in enumerate(lines):
        if match := OFFERED.match(line):
            text = "\n".join([*lines[:place], match[1], *lines[place + 1 :]])
            found = problems(text, CONFIG / "example.toml")
            if match[1].startswith(("name =", "input =", "continuous =")):
                continue  # part of a commented table
            told = {p.key for p in found}
            needs = {"changeover": {"supply.changeover"}, "password_file": {"broker.username"}}
            assert told <= needs.get(match[1].split(" ", 1)[0], set()), (match[1], [str(p) for p in found])
            tried += 1
    assert tried >= 15


def test_the_example_shows_every_core_key() -> None:
    """Whoever reads the example has seen each key of the core tables, save the few that are for other ways in."""
    text = "".join(p.read_text(encoding="utf-8") for p in FILES)
    elsewhere = {
        "air_pressure", "requalify_every", "serial", "table", "time_pointer", "unit_pointer", "client_cert_file",
        "client_key_file", "client_id", "base_url", "options", "url", "ca_file",
    }  # fmt: skip
    keys = {key for model in schema.CORE.values() for key in model.model_fields}
    absent = {key for key in keys - elsewhere if not re.search(rf"\b{key} ?=", text)}
    assert absent == set()
    assert all(f"[{table}]" in text for table in ("alerts", "service", "forecast"))
    assert set(settings.TABLES) >= {"alerts", "service", "forecast"}
