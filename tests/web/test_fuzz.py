"""Whatever is posted or asked for, the page answers, and never with an error of ours (5xx)."""

from __future__ import annotations

import time
from typing import Any
from urllib.parse import quote

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.fuzzing import BUDGET_S, TEXTS, fuzz, lengths
from tests.web.house import House

POSTS = (
    "/enter", "/valve", "/alerts/acknowledge", "/alerts/shelve", "/alerts/out-of-service", "/record/fill",
    "/record/exchange", "/record/weighing", "/record/leak-check", "/record/undo", "/inputs/test", "/login",
)  # fmt: skip
FIELDS = ("cylinder", "key", "hours", "id", "why", "channel", "state", "password", "way", "amount", "weighs", "gauge",
          "left", "when", "at", "after", "before", "paid", "price", "note", "tare", "full", "result")  # fmt: skip
VALUES = st.one_of(TEXTS, st.sampled_from(["A", "52.4 lb", "20 %", "now", "2031-01-05 12:00", "1", "open", "shut"]))
WORDS = TEXTS.map(lambda t: t.encode("utf-8", "replace").decode())


@lengths
def test_fuzz_forms(own: House, long: bool) -> None:
    with httpx.Client(base_url=own.url, timeout=60.0) as client:
        token = client.get("/enter").text.partition('name="token" value="')[2].partition('"')[0]
        assert token

        def check(drawn: tuple[str, dict[str, str], bool, bytes]) -> None:
            path, fields, plain, body = drawn
            told = {k: v.encode("utf-8", "replace").decode() for k, v in fields.items()}
            if plain:
                answer = client.post(path, data={**told, "token": token})
            else:
                kind = "application/x-www-form-urlencoded" if len(body) % 2 else "multipart/form-data; boundary=x"
                answer = client.post(path, content=body, headers={"content-type": kind})
            assert answer.status_code < 500, (path, told, answer.text[-300:])

        fields = st.dictionaries(st.sampled_from(FIELDS), VALUES, max_size=6)
        drawn = st.tuples(st.sampled_from(POSTS), fields, st.booleans(), st.binary(max_size=60))
        fuzz(drawn, check, long=long, short=60)
        assert client.get("/").status_code == 200


@lengths
def test_fuzz_queries(home: House, long: bool) -> None:
    paths = (
        "/outlook", "/past", "/map", "/explain", "/suppose", "/trip", "/readings", "/enter", "/forecasts", "/cost",
        "/v1/past.csv", "/v1/readings", "/v1/outlook/shown", "/v1/coverage", "/v1/suppose", "/v1/plan", "/v1/notices",
    )  # fmt: skip
    keys = (
        "days",
        "hours",
        "hour",
        "basis",
        "cylinder",
        "asked",
        "more",
        "open",
        "limit",
        "kind",
        "of",
        "level",
        "page",
    )

    with httpx.Client(base_url=home.url, timeout=60.0) as client:

        def check(drawn: tuple[str, dict[str, str]]) -> None:
            path, told = drawn
            query = "&".join(f"{k}={quote(v)}" for k, v in told.items())
            answer = client.get(f"{path}?{query}")
            assert answer.status_code < 500, (path, told, answer.text[-300:])

        queries = st.dictionaries(st.sampled_from(keys), st.one_of(WORDS, st.sampled_from(["1", "7", "A", "weather"])),
                                  max_size=4)  # fmt: skip
        fuzz(st.tuples(st.sampled_from(paths), queries), check, long=long, short=60)


@pytest.mark.soak
@pytest.mark.timeout(0)
def test_fuzz_api_by_its_own_description(home: House) -> None:
    """schemathesis for the whole budget; a few requests each are in `test_api`."""
    schema = schemathesis.openapi.from_url(f"{home.url}/v1/openapi.json")
    operations = [result.ok() for result in schema.get_all_operations()]
    ends, tried = time.monotonic() + BUDGET_S, 0
    while time.monotonic() < ends:
        for operation in operations:
            if time.monotonic() > ends:
                break

            @settings(
                max_examples=10,
                deadline=None,
                database=None,
                suppress_health_check=list(HealthCheck),
                derandomize=False,
            )
            @given(case=operation.as_strategy())
            def check(case: Any) -> None:
                nonlocal tried
                tried += 1
                case.call_and_validate(timeout=60)  # choosing an arrangement works for seconds on a busy machine

            check()
    print(f"{tried:,} tried in {BUDGET_S:.0f} s")
