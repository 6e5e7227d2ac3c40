"""The whole API against its own description: no 5xx, nothing outside the schema (schemathesis, generated requests)."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import GenerationMode

from monitor.store import Store
from tests.web import house
from tests.web.house import House


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_generated_requests_never_break_it(home: House, mode: GenerationMode) -> None:
    schema = schemathesis.openapi.from_url(f"{home.url}/v1/openapi.json", timeout=60)
    tried = []
    for result in schema.get_all_operations():
        operation = result.ok()
        label = operation.label
        if mode is GenerationMode.NEGATIVE and not list(operation.iter_parameters()):
            continue  # nothing that could be wrong

        @settings(max_examples=6, deadline=None, database=None, suppress_health_check=list(HealthCheck))
        @given(case=operation.as_strategy(generation_mode=mode))
        def check(case: Any) -> None:
            case.call_and_validate(timeout=60)

        check()
        tried.append(label)
    assert len(tried) >= (17 if mode is GenerationMode.POSITIVE else 9)


@pytest.mark.parametrize(
    "path",
    ["/v1/readings?days=nan", "/v1/readings?days=1e400", "/v1/readings?limit=-1", "/v1/past.csv?days=99999999999",
     "/v1/past/shown?days=%00", "/v1/readings.csv?days="],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_the_reason(home: House, path: str) -> None:
    answer = httpx.get(home.url + path)
    assert answer.status_code == 422
    assert answer.json()["detail"]


@pytest.mark.parametrize(
    "path",
    ["/outlook?hours=-1", "/outlook?hours=1e9", "/past?days=" + "9" * 400, "/map?basis=%22%3E", "/explain?hour=-5",
     "/explain?hour=99999", "/explain?basis=x", "/enter?cylinder=%3Cb%3E", "/past?days=1", "/past?days=1096"],
)  # fmt: skip
def test_pages_take_any_query(home: House, path: str) -> None:
    assert httpx.get(home.url + path).status_code == 200


def test_the_outlook_is_the_one_in_the_store(home: House) -> None:
    with Store.open(home.store, readonly=True) as store:
        kept = store.latest_outlook()
    assert httpx.get(home.url + "/v1/outlook").json() == kept


def test_csv_is_what_the_store_holds(home: House) -> None:
    rows = list(csv.DictReader(io.StringIO(httpx.get(home.url + "/v1/readings.csv?days=366").text)))
    with Store.open(home.store, readonly=True) as store:
        kept = store.readings()
    assert len(rows) == len(kept)
    by_kind = {(r["time"], r["subject"], r["quantity"]): float(r["value"]) for r in rows}
    for reading in kept:
        assert by_kind[(reading.time.isoformat(), reading.subject, str(reading.quantity))] == reading.value


def test_metrics_follow_openmetrics(home: House) -> None:
    """Of OpenMetrics 1.0: ends with EOF, each family typed before its samples, a UNIT is the name's suffix."""
    answer = httpx.get(home.url + "/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    lines = answer.text.split("\n")
    assert lines[-2:] == ["# EOF", ""]
    typed: set[str] = set()
    for line in lines[:-2]:
        if line.startswith("# TYPE "):
            typed.add(line.split()[2])
        elif line.startswith("# UNIT "):
            _, _, name, unit = line.split()
            assert name.endswith("_" + unit)
        else:
            found = re.fullmatch(r'([a-z_]+)(\{(\w+="([^"\\]|\\.)*",?)+\})? (\S+)', line)
            assert found is not None, line
            assert found[1] in typed, line
            float(found[5])
    assert {"boiloff_left_kilograms", "boiloff_sustained_watts", "boiloff_alerts_standing"} <= typed


def test_before_there_is_anything_every_page_says_so(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with Store.open(path):
        pass
    with house.served(path, house.site()) as made, httpx.Client(base_url=made.url) as client:
        for page in ("/", "/outlook", "/map", "/flame", "/alerts", "/enter", "/valve", "/readings", "/inputs", "/past",
                     "/forecasts", "/suppose", "/trip", "/explain", "/site", "/login"):  # fmt: skip
            assert client.get(page).status_code == 200, page
        assert "Not known" in client.get("/").text
        assert client.get("/v1/outlook").status_code == 404
        assert client.get("/suppose?asked=1&more=1").status_code == 400


def test_a_store_that_is_gone_is_told_not_hidden(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with Store.open(path):
        pass
    with house.served(path, house.site()) as made:
        moved = tmp_path / "elsewhere.db"
        path.rename(moved)
        for page in ("/", "/past", "/v1/outlook"):
            answer = httpx.get(made.url + page)
            assert answer.status_code == 503, page
            assert "store" in answer.text, page
        moved.rename(path)
        assert httpx.get(made.url).status_code == 200
