"""Errors in the syntax, and where a key stands."""

from __future__ import annotations

import re
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import BadInput
from monitor.site import tomlfile
from tests.site.sample import SOUND, problems

# A line put in place of `tare = "29 lb"` ; then the hint.
SYNTAX = [
    ("tare = 29 lb", 'put it in quotes: "29 lb"'),
    ("tare = 12,5", "write 12.5 with a decimal point"),
    ("tare = “29 lb”", "plain quotes"),
    ('tare: "29 lb"', "equals sign"),
    ('tare = "29 lb', "a quote is not closed"),
    ("tare = ", ""),
    ("tare", ""),
    ('tare = "29 lb" "30 lb"', ""),
    ("tare = 29°", 'put it in quotes: "29°"'),
    ('tare = "\\q"', ""),
    ('water_capacity = "1 lb"', "the same key stands there twice"),
    ("[cylinder]", "[[cylinder]], in double brackets"),
    ("[site]", "the same key stands there twice"),
    ("[[cylinder]", ""),
]


@pytest.mark.parametrize(("line", "hint"), SYNTAX, ids=[s[0] for s in SYNTAX])
def test_syntax(line: str, hint: str) -> None:
    place = SOUND.split("\n").index('tare = "29 lb"') + 1
    found = problems(SOUND.replace('tare = "29 lb"', line))
    assert len(found) == 1
    assert found[0].line == place
    column = re.search(r"\(column (\d+)\)$", found[0].key)  # where just it is told differs between Pythons
    assert column is not None
    assert 1 <= int(column[1]) <= len(line) + 1
    assert hint in found[0].hint
    assert found[0].hint


def test_the_end_of_the_file() -> None:
    found = problems(SOUND + "[alerts")
    assert len(found) == 1
    assert found[0].line == SOUND.count("\n") + 1


def test_nesting_and_digits_without_end() -> None:
    with pytest.raises(BadInput):
        tomlfile.parse("a = " + "[" * 100_000, "f")
    with pytest.raises(BadInput):
        tomlfile.parse("a = " + "9" * 10_000, "f")


TEXT = '''\
# a comment = 1
top = 1
[site]
name = "a" # b = 2
"quoted key" = 1
multi = """
name = "not a key"
[nor.a.table]
"""
raw = \'\'\'
x = 1 \'\'\'
after = [
  "a = 1",  # [b]
  { b = 2 },
]
last.one = 3

[[cylinder]]
name = "A = B"
[cylinder.gas]
propane = 1
[[cylinder]]
  name="B"
[[ sensor ]]
[sensor.options]
deep = "#"
'''


def test_lines() -> None:
    tomllib.loads(TEXT)
    found = tomlfile.lines(TEXT)
    assert found == {
        ("top",): 2,
        ("site",): 3,
        ("site", "name"): 4,
        ("site", "quoted key"): 5,
        ("site", "multi"): 6,
        ("site", "raw"): 10,
        ("site", "after"): 12,
        ("site", "last", "one"): 16,
        ("cylinder", 0): 18,
        ("cylinder", 0, "name"): 19,
        ("cylinder", 0, "gas"): 20,
        ("cylinder", 0, "gas", "propane"): 21,
        ("cylinder", 1): 22,
        ("cylinder", 1, "name"): 23,
        ("sensor", 0): 24,
        ("sensor", 0, "options"): 25,
        ("sensor", 0, "options", "deep"): 26,
    }
    assert tomlfile.line_of(("cylinder", 1, "tare"), found) == 22
    assert tomlfile.line_of(("cylinder", 0, "gas", "butane"), found) == 20
    assert tomlfile.line_of(("nothing",), found) is None


@given(st.text(alphabet="abc=[]{}\"'#.\n\\ 1,", max_size=80))
def test_any_text_gives_tables_or_bad_input(text: str) -> None:
    tomlfile.lines(text)
    try:
        tomlfile.parse(text, "f")
    except BadInput as error:
        assert len(error.problems) == 1  # noqa: PT017  either outcome is right; a syntax error comes alone
