"""Whatever the file holds, it is read, or refused with problems that have a key and an expected form."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.model.errors import BadInput
from monitor.site import build, schema
from monitor.site.settings import BY_KEY

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


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(RAW)
def test_any_tables(raw: dict[str, Any]) -> None:
    _read(raw)


SOUND: dict[str, Any] = {
    "site": {"name": "n", "latitude": 45.0, "longitude": -90.0, "timezone": "America/Chicago"},
    "cylinder": [{"name": "A", "size": "40 lb"}],
    "appliance": [{"name": "R", "input": "65000 Btu/h"}],
}


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(sorted(schema.CORE)), st.sampled_from(NAMES), VALUES)
def test_one_value_changed(table: str, key: str, value: Any) -> None:
    raw = json.loads(json.dumps(SOUND))
    rows = raw.setdefault(table, [{}] if table in schema.LISTS else {})
    (rows[0] if isinstance(rows, list) else rows)[key] = value
    _read(raw)


def _read(raw: dict[str, Any]) -> None:
    text = "\n".join(f"{json.dumps(key)} = {_toml(value)}" for key, value in raw.items())
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
