"""Whatever the file holds, it is read, or refused with problems that have a key and an expected form."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from monitor.model.errors import BadInput
from monitor.site import build, quantity, schema
from monitor.site.settings import BY_KEY
from tests.support.fuzzing import NUMBERS, TEXTS, fuzz, garbled, lengths

CONFIG = Path(__file__).parents[2] / "config"

NAMES = sorted({key for model in schema.CORE.values() for key in model.model_fields})
VALUES: st.SearchStrategy[Any] = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(10**40), 10**40),
        st.floats(),
        st.text(max_size=8),
        st.sampled_from(
            [
                "40 lb",
                "12.5 in",
                "65000 Btu/h",
                "20 %",
                "05-23",
                "open",
                "A",
                "site",
                "mqtt",
                "gross_weight",
                "/a",
                "UTC",
            ]
        ),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from([*NAMES, "x"]), inner, max_size=3)
    ),
    max_leaves=6,
)
TABLE = st.dictionaries(st.sampled_from([*NAMES, "bad"]), VALUES, max_size=8)
RAW = st.fixed_dictionaries(
    {},
    optional={
        **{name: st.one_of(st.lists(TABLE, max_size=3), TABLE, VALUES) for name in schema.CORE},
        "alerts": st.one_of(
            st.dictionaries(st.sampled_from([k.split(".", 1)[1] for k in BY_KEY]), VALUES, max_size=5), VALUES
        ),
        "bad": VALUES,
    },
)


@lengths
def test_fuzz_site_tables(long: bool) -> None:
    fuzz(RAW, _read, long=long, short=150)


SOUND: dict[str, Any] = {
    "site": {"name": "n", "latitude": 45.0, "longitude": -90.0, "timezone": "America/Chicago"},
    "cylinder": [{"name": "A", "size": "40 lb"}],
    "appliance": [{"name": "R", "input": "65000 Btu/h"}],
}


@lengths
def test_fuzz_one_value_of_a_site(long: bool) -> None:
    def check(drawn: tuple[str, str, Any]) -> None:
        table, key, value = drawn
        raw = json.loads(json.dumps(SOUND))
        rows = raw.setdefault(table, [{}] if table in schema.LISTS else {})
        (rows[0] if isinstance(rows, list) else rows)[key] = value
        _read(raw)

    fuzz(st.tuples(st.sampled_from(sorted(schema.CORE)), st.sampled_from(NAMES), VALUES), check, long=long, short=150)


@lengths
def test_fuzz_site_text(long: bool) -> None:
    """The examples with bytes cut out, put in or overwritten: mostly no TOML any more, sometimes another site."""
    texts = [path.read_bytes() for path in sorted(CONFIG.glob("*.toml"))]
    assert len(texts) >= 3
    drawn = st.sampled_from(texts).flatmap(garbled).map(lambda data: data.decode("utf-8", "replace"))
    fuzz(drawn, _judge, long=long, short=60)


@lengths
def test_fuzz_quantities(long: bool) -> None:
    """What a person types for a quantity: a finite number of its kind, or a fault that says what was expected."""
    units = st.sampled_from(
        ["", " lb", "kg", " gal", "°F", " K", " Btu/h", " in", " ft 3 in", " lb 4 oz", "%", " /s", " psi"]
    )
    numbers = st.one_of(NUMBERS.map(str), TEXTS, st.sampled_from(["1,5", "1.234,5", "1 000", "½", "1/2", "٣", "0x10"]))

    def check(drawn: tuple[str, str, str]) -> None:
        number, unit, kind = drawn
        try:
            found = quantity.parse(number[:2000] + unit, kind)
        except quantity.QuantityError as fault:
            assert fault.expected  # noqa: PT017
            return
        assert math.isfinite(found)

    fuzz(st.tuples(numbers, units, st.sampled_from(sorted(quantity.KINDS))), check, long=long)


def _read(raw: dict[str, Any]) -> None:
    _judge("\n".join(f"{json.dumps(key)} = {_toml(value)}" for key, value in raw.items()))


def _judge(text: str) -> None:
    try:
        loaded = build.from_text(text, Path("site.toml"))
    except BadInput as error:
        problems = error.problems
    else:
        assert loaded.site.cylinders
        problems = loaded.warnings
    for problem in problems:
        assert problem.key
        assert problem.expected
        assert problem.value


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, float):
        return repr(value)
    return json.dumps(value)
