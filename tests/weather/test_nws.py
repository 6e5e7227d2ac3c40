"""The US service against a loopback server with its documented answers, traps and errors."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from monitor.model.forecast import Forecast
from monitor.weather import WeatherError, fetch
from monitor.weather.memory import Memory
from tests.weather.servers.base import Asked, Reply, html, json_reply
from tests.weather.servers.nws import CELL, Nws, problem
from tests.weather.support import NOW, context, site, source

FURLONGS = {"uom": "wmoUnit:furlong", "values": [{"validTime": "2026-01-05T08:00:00+00:00/P7D", "value": 5}]}


@pytest.fixture
def server() -> Iterator[Nws]:
    with Nws(NOW) as running:
        yield running


def ask(server: Nws, memory: Memory | None = None, now: datetime = NOW) -> Forecast:
    return fetch(source("nws", server.url), site(), context(now, memory))


def on(path: str, reply: Reply) -> Any:
    """A trap that answers one path only."""

    def answer(asked: Asked) -> Reply | None:
        return reply if asked.path == path else None

    return answer


def test_the_raw_grid(server: Nws) -> None:
    forecast = ask(server)
    assert [a.path for a in server.asked] == ["/points/44.12,-93.65", CELL]
    assert forecast.source == "nws"
    assert forecast.issued == server.updated
    assert forecast.start == datetime(2026, 1, 5, 8, tzinfo=UTC)
    assert forecast.hours == 7 * 24 + 8
    expected = [server.temperature_c(t) + 273.15 for t in forecast.times()]
    np.testing.assert_allclose(forecast.air_k[0], expected)
    assert forecast.wind_m_s is not None
    assert forecast.cloud is not None
    assert forecast.humidity is not None
    assert forecast.elevation_m == pytest.approx(268.224)
    assert "National Weather Service" in forecast.credit


def test_layers_of_unlike_length_are_each_sampled_by_the_hour(server: Nws) -> None:
    forecast = ask(server)
    assert forecast.wind_m_s is not None
    assert forecast.humidity is not None
    assert forecast.cloud is not None
    np.testing.assert_array_equal(np.isfinite(forecast.wind_m_s), np.arange(forecast.hours) < forecast.hours - 30)
    np.testing.assert_allclose(forecast.wind_m_s[:10], 5.0)
    np.testing.assert_array_equal(np.isnan(forecast.humidity), np.arange(forecast.hours) < 3)
    np.testing.assert_allclose(forecast.cloud, [0.25 if t.hour < 12 else 0.9 for t in forecast.times()])


@pytest.mark.parametrize("prefix", ["wmoUnit:", "unit:", "wmo:", "uc:", "nwsUnit:", ""])
def test_any_prefix_of_a_unit(server: Nws, prefix: str) -> None:
    server.prefix = prefix
    assert np.isfinite(ask(server).air_k).all()


def test_stamps_with_a_local_offset(server: Nws) -> None:
    plain = ask(server)
    server.local = True
    np.testing.assert_array_equal(ask(server).air_k, plain.air_k)


def test_nulls_in_the_air_temperature_are_gaps(server: Nws) -> None:
    values = copy.deepcopy(server.grid()["properties"]["temperature"]["values"])
    values[4]["value"] = None
    server.layers["temperature"] = {"uom": "wmoUnit:degC", "values": values}
    forecast = ask(server)
    assert np.isnan(forecast.air_k).any()
    assert np.isfinite(forecast.air_k).mean() > 0.9


@pytest.mark.parametrize(
    "layer",
    [
        None,
        {"values": []},
        {"uom": "wmoUnit:degC", "values": []},
        {"uom": "wmoUnit:degC", "values": [{"validTime": "2026-01-05T08:00:00+00:00/P7D", "value": None}]},
        {"values": [{"validTime": "2026-01-05T08:00:00+00:00/P7D", "value": 1.0}]},
        {"uom": "wmoUnit:percent", "values": [{"validTime": "2026-01-05T08:00:00+00:00/P7D", "value": 1.0}]},
        {"uom": "wmoUnit:degC", "values": [{"validTime": "rubbish", "value": 1.0}, {}, 3]},
        {"uom": "wmoUnit:degC", "values": [{"validTime": "2026-01-05T08:00:00+00:00/P7D", "value": 4711.0}]},
    ],
)
def test_no_usable_air_in_the_grid_falls_back_to_the_hourly_forecast(server: Nws, layer: Any) -> None:
    server.layers["temperature"] = layer
    forecast = ask(server)
    assert server.asked[-1].path == CELL + "/forecast/hourly"
    assert forecast.hours == 156
    assert any("instead of the raw grid" in n for n in forecast.notes)


@pytest.mark.parametrize("name", ["windSpeed", "skyCover", "relativeHumidity"])
@pytest.mark.parametrize("layer", [None, {"values": []}, FURLONGS])
def test_another_layer_missing_is_only_that(server: Nws, name: str, layer: Any) -> None:
    server.layers[name] = layer
    forecast = ask(server)
    field = {"windSpeed": "wind_m_s", "skyCover": "cloud", "relativeHumidity": "humidity"}[name]
    assert getattr(forecast, field) is None
    assert np.isfinite(forecast.air_k).all()


def test_a_temperature_in_the_thousands_is_left_out(server: Nws) -> None:
    values = copy.deepcopy(server.grid()["properties"]["temperature"]["values"])
    values[0]["value"] = 5538.0
    server.layers["temperature"] = {"uom": "wmoUnit:degC", "values": values}
    forecast = ask(server)
    assert np.isnan(forecast.air_k[0, 0])
    assert any("left out" in n for n in forecast.notes)


def test_strings_for_numbers(server: Nws) -> None:
    values = [{**v, "value": str(v["value"])} for v in server.grid()["properties"]["temperature"]["values"]]
    server.layers["temperature"] = {"uom": "wmoUnit:degC", "values": values}
    assert np.isfinite(ask(server).air_k).all()


def test_the_address_of_the_grid_is_asked_once_a_week(server: Nws) -> None:
    memory = Memory()
    for hours in (0, 1, 24 * 6, 24 * 8):
        now = NOW + timedelta(hours=hours)
        server.now, server.updated = now, now
        ask(server, memory, now)
    assert [a.path.split("/")[1] for a in server.asked] == [
        "points",
        "gridpoints",
        "gridpoints",
        "gridpoints",
        "points",
        "gridpoints",
    ]


def test_an_unchanged_grid_is_not_sent_again(server: Nws) -> None:
    memory = Memory()
    first = ask(server, memory)
    again = ask(server, memory, NOW + timedelta(hours=1))
    assert "if-modified-since" in server.asked[-1].headers
    np.testing.assert_array_equal(first.air_k, again.air_k)
    assert again.issued == first.issued
    assert again.received == NOW + timedelta(hours=1)
    server.updated += timedelta(hours=1)
    assert ask(server, memory, NOW + timedelta(hours=1)).issued == server.updated


def test_a_200_with_an_88_hour_old_grid_is_refused(server: Nws) -> None:
    server.updated = NOW - timedelta(hours=88)
    with pytest.raises(WeatherError, match="issued 88 h ago") as caught:
        ask(server)
    assert caught.value.kind == "temporary"


def test_an_unchanged_answer_grows_old_as_well(server: Nws) -> None:
    memory = Memory()
    ask(server, memory)
    with pytest.raises(WeatherError, match="issued 32 h ago"):
        ask(server, memory, NOW + timedelta(hours=30))


def test_thirteen_hours_old_is_taken_and_told(server: Nws) -> None:
    server.updated = NOW - timedelta(hours=13)
    assert any("issued 13 h ago" in n for n in ask(server).notes)


def test_more_decimals_than_allowed_are_redirected_within_the_host(server: Nws) -> None:
    server.trap(Reply(301, b"{}", {"Location": "/points/44.1,-93.6"}), times=1)
    assert ask(server).hours == 176
    assert [a.path for a in server.asked][:2] == ["/points/44.12,-93.65", "/points/44.1,-93.6"]


def test_an_address_elsewhere_is_refused(server: Nws) -> None:
    server.point["forecastGridData"] = "https://example.invalid/gridpoints/MPX/1,1"
    with pytest.raises(WeatherError, match=r"another place \(example.invalid\)"):
        ask(server)
    assert len(server.asked) == 1


def test_outside_the_country(server: Nws) -> None:
    with pytest.raises(WeatherError, match="outside the United States") as caught:
        fetch(source("nws", server.url), site(-41.3, 174.8), context())
    assert caught.value.kind == "permanent"


def test_a_contact_is_asked_for_before_anything_leaves(server: Nws) -> None:
    with pytest.raises(WeatherError, match=r"forecast\.contact") as caught:
        fetch(source("nws", server.url), site(settings={}), context())
    assert caught.value.kind == "permanent"
    assert server.asked == []
    fetch(source("nws", server.url, contact="https://example.org/me"), site(settings={}), context())
    assert "(https://example.org/me)" in server.asked[0].headers["user-agent"]


@pytest.mark.parametrize(
    ("reply", "kind", "least_s"),
    [
        (html(403, "Access Denied"), "permanent", None),
        (problem(404, "InvalidPoint", "Data Unavailable For Requested Point", urn=True), "permanent", None),
        (problem(400, "InvalidParameter", "Bad"), "permanent", None),
        (problem(429, "RateLimit", "Too many"), "throttled", 5.0),
        (problem(503, "UnavailableWebService", "Down"), "throttled", 5.0),
        (Reply(503, b"", {"Retry-After": "1"}), "throttled", 5.0),
        (problem(500, "UnexpectedProblem", "An unexpected problem has occurred."), "temporary", None),
        (html(502, "Bad Gateway"), "temporary", None),
        (Reply(200, b""), "temporary", None),
        (html(200), "temporary", None),
        (json_reply({"type": "Feature"}), "temporary", None),
    ],
)
def test_answers_to_the_first_question(server: Nws, reply: Reply, kind: str, least_s: float | None) -> None:
    server.trap(reply)
    with pytest.raises(WeatherError) as caught:
        ask(server)
    assert caught.value.kind == kind
    if least_s is not None:
        assert caught.value.retry_after_s is not None
        assert caught.value.retry_after_s >= least_s


def test_an_unexpected_problem_passes_at_the_next_try(server: Nws) -> None:
    server.trap(on(CELL, problem(500, "UnexpectedProblem", "An unexpected problem has occurred.")), times=3)
    assert ask(server).hours == 176
    assert [a.path for a in server.asked].count(CELL) == 3


@pytest.mark.parametrize(
    "reply",
    [
        problem(500, "UnexpectedProblem", "An unexpected problem has occurred."),
        problem(503, "ForecastGridExpired", "The requested forecast grid was issued … and has expired."),
        Reply(200, b'{"properties": {"temperature"', how="cut"),
        html(200),
    ],
)
def test_the_hourly_forecast_stands_in_for_a_grid_that_fails(server: Nws, reply: Reply) -> None:
    server.trap(on(CELL, reply))
    forecast = ask(server)
    assert forecast.hours == 156
    assert forecast.start == datetime(2026, 1, 5, 14, tzinfo=UTC)
    expected = json.loads(json.dumps(server.hourly()))["properties"]["periods"]
    np.testing.assert_allclose(forecast.air_k[0], [(p["temperature"] - 32) / 1.8 + 273.15 for p in expected])
    assert forecast.wind_m_s is not None
    np.testing.assert_allclose(forecast.wind_m_s[:2], [14 * 0.44704, 5 * 0.44704])
    assert forecast.cloud is None


def test_the_hourly_forecast_with_quantities_as_objects(server: Nws) -> None:
    server.trap(on(CELL, problem(503, "ForecastGridExpired", "expired")))
    plain = ask(server)
    server.clear()

    def both(asked: Asked) -> Reply | None:
        if asked.path == CELL:
            return problem(503, "ForecastGridExpired", "expired")
        return json_reply(server.hourly(objects=True)) if asked.path.endswith("hourly") else None

    server.trap(both)
    objects = ask(server)
    np.testing.assert_allclose(objects.air_k, plain.air_k)
    assert objects.wind_m_s is not None
    np.testing.assert_allclose(objects.wind_m_s, 2.5)


def test_both_failing_is_one_error(server: Nws) -> None:
    server.trap(
        lambda asked: problem(503, "ForecastMissingData", "Forecast Grid Invalid") if "grid" in asked.path else None
    )
    with pytest.raises(WeatherError, match="Forecast Grid Invalid"):
        ask(server)


def test_a_grid_that_moved_is_found_again(server: Nws) -> None:
    memory = Memory()
    ask(server, memory)
    server.trap(on(CELL, problem(404, "NotFound", "Not Found")), times=1)
    ask(server, memory, NOW + timedelta(hours=2))
    assert [a.path.split("/")[1] for a in server.asked] == [
        "points",
        "gridpoints",
        "gridpoints",
        "points",
        "gridpoints",
    ]
