"""Fuzzing: what is drawn, and for how long. A short form runs always; the long one by a budget of real seconds.

    BOILOFF_FUZZ_S=600 python -m pytest -m soak -k fuzz

Without the variable the long form takes 60 s a parser.
"""

from __future__ import annotations

import copy
import json
import os
import time
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

BUDGET_S = float(os.environ.get("BOILOFF_FUZZ_S", "60"))
SHORT = 120  # examples of the short form
_ROUND = 300  # examples of the long form between two looks at the clock
_GENTLE = (HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.function_scoped_fixture,
           HealthCheck.filter_too_much, HealthCheck.large_base_example)  # fmt: skip

NUMBERS = st.one_of(
    st.integers(-(10**400), 10**400), st.integers(-5, 5), st.floats(), st.sampled_from([1e308, -1e308, 5e-324, 2**63])
)
TEXTS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["", "nan", "inf", "-1e999", "1_0", "٣", "12,5", "25.3 lb", "null", "\x00", "\ud800", "2026-13-01T00:00Z",
         "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59", "2026-01-05T14:00:00Z", "1e400", "9" * 5000, "=1+1",
         "PT1H", "2026-01-05T14:00:00+00:00/P9999999999D", "2026-01-05T14:00:00+00:00/PT0S", "-0", "ﬀ", "%", "°C"]
    ),
)  # fmt: skip
LEAVES = st.one_of(st.none(), st.booleans(), NUMBERS, TEXTS)
JSON = st.recursive(
    LEAVES,
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(TEXTS, inner, max_size=4)),
    max_leaves=8,
)

lengths = pytest.mark.parametrize("long", [False, pytest.param(True, marks=[pytest.mark.soak, pytest.mark.timeout(0)])])


def fuzz(strategy: st.SearchStrategy[Any], check: Callable[[Any], None], *, long: bool, short: int = SHORT) -> int:
    """Give `check` what `strategy` draws, until the budget is used up where `long`; return how many were tried."""
    tried, ends = 0, time.monotonic() + BUDGET_S

    def one(drawn: Any) -> None:
        nonlocal tried
        if long and time.monotonic() > ends:
            return
        tried += 1
        check(drawn)

    def several(examples: int) -> None:
        settings(
            max_examples=examples, deadline=None, database=None, suppress_health_check=list(_GENTLE),
            derandomize=settings().derandomize and not long,
            phases=(Phase.generate,) if long else (Phase.generate, Phase.shrink),  # minutes on a document of a service
        )(given(strategy)(one))()  # fmt: skip

    if not long:
        several(short)
        return tried
    while time.monotonic() < ends:
        several(_ROUND)
    print(f"{tried:,} tried in {BUDGET_S:.0f} s")
    return tried


def written(document: Any) -> str:
    """A document as text, with NaN and Infinity as programs write them, and lone surrogates escaped."""
    return json.dumps(document)


@st.composite
def mutated(draw: st.DrawFn, document: Any, most: int = 4) -> Any:
    """The document with some values replaced, left out, doubled or cut: what a service gone wrong might send."""
    made = copy.deepcopy(document)
    for _ in range(draw(st.integers(1, most))):
        parent, key = _place(draw, made)
        if parent is None:
            return draw(JSON)
        what = draw(st.sampled_from(["value", "value", "value", "drop", "cut", "double"]))
        if what == "value":
            parent[key] = draw(JSON)
        elif what == "drop":
            del parent[key]
        elif what == "cut" and isinstance(parent[key], list):
            del parent[key][draw(st.integers(0, 3)) :]
        elif what == "double" and isinstance(parent[key], list):
            parent[key] += parent[key][:20]
    return made


def _place(draw: st.DrawFn, document: Any) -> tuple[Any, Any]:
    """A place somewhere in the document: (its container, the key or index)."""
    parent, key, at = None, None, document
    while isinstance(at, (dict, list)) and at:
        keys = list(at) if isinstance(at, dict) else [0, len(at) - 1, len(at) // 2]
        parent, key = at, draw(st.sampled_from(keys))
        at = at[key]
        if draw(st.integers(0, 4)) == 0:
            break
    return parent, key


@st.composite
def garbled(draw: st.DrawFn, sound: bytes) -> bytes:
    """Sound bytes with some cut out, put in or overwritten."""
    made = bytearray(sound)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(made)))
        made[at : at + draw(st.integers(0, 6))] = draw(st.binary(max_size=6))
    return bytes(made)
