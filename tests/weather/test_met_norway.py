"""MET Norway against a loopback server that enforces its rules and gives its documented answers."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.forecast import Forecast
from monitor.weather import WeatherError, fetch
from monitor.weather.memory import Memory
from monitor.weather.met_norway import reach_down
from tests.weather.servers.base import Reply, html, json_reply
from tests.weather.servers.met_norway import MetNorway
from tests.weather.servers.open_meteo import wave_c
from tests.weather.support import NOW, context, site, source


@pytest.fixture
def server() -> Iterator[MetNorway]:
    with MetNorway(NOW) as running:
        yield running


def ask(server: MetNorway, memory: Memory | None = None, now: datetime = NOW) -> Forecast:
    return fetch(source("met-norway", server.url), site(), context(now, memory))


def changed(server: MetNorway, change: Any) -> Reply:
    body = json.loads(json.dumps(server.answer()))
    change(body["properties"])
    return json_reply(body)


def test_an_honest_answer(server: MetNorway) -> None:
    forecast = ask(server)
    assert server.asked[0].path == "/locationforecast/2.0/complete"
    assert server.asked[0].query == {"lat": "44.12", "lon": "-93.65"}
    assert forecast.source == "met-norway"
    assert forecast.issued == server.updated
    assert forecast.start == datetime(2026, 1, 5, 14, tzinfo=UTC)
    assert forecast.elevation_m == 301.0
    expected = [wave_c(t) + 273.15 for t in forecast.times()[:60]]
    np.testing.assert_allclose(forecast.air_k[0, :60], expected)
    assert forecast.wind_m_s is not None
    assert forecast.cloud is not None
    assert forecast.humidity is not None
    np.testing.assert_allclose(forecast.wind_m_s, 3.1)
    np.testing.assert_allclose(forecast.cloud, 0.5)
    np.testing.assert_allclose(forecast.humidity, 0.777)
    assert "MET Norway" in forecast.credit


def test_six_hourly_steps_reach_the_minimum_of_the_night(server: MetNorway) -> None:
    """The straight line between two 6-hourly values misses a minimum that lies between them; the answer states it."""
    forecast = ask(server)
    assert np.isfinite(forecast.air_k).all()
    steps = [t for t in server.times() if t >= forecast.start + timedelta(hours=66)]
    missed = []
    for begins in steps[:-1]:
        first = (begins - forecast.start) // timedelta(hours=1)
        ours = forecast.air_k[0, first : first + 7].min() - 273.15
        stated = min(wave_c(begins + timedelta(minutes=10 * m)) for m in range(37))
        ends = min(wave_c(begins), wave_c(begins + timedelta(hours=6)))
        assert ours == pytest.approx(min(stated, ends), abs=1e-9)
        missed.append(ends - stated)
    assert max(missed) > 0.3  # else this would test nothing
    assert any("steps of 6 hours" in n for n in forecast.notes)


@given(st.floats(240, 290), st.floats(240, 290), st.floats(220, 300), st.integers(2, 12))
def test_a_bent_step_keeps_its_ends_and_reaches_its_minimum(left: float, right: float, lowest: float, n: int) -> None:
    values = np.linspace(left, right, n + 1)
    bent = reach_down(values, lowest)
    assert (bent[0], bent[-1]) == (values[0], values[-1])
    assert bent.min() == pytest.approx(min(lowest, values.min()), abs=1e-9)
    assert (bent <= values + 1e-9).all()


def test_percentiles_become_a_spread_where_there_are_some(server: MetNorway) -> None:
    forecast = ask(server)
    assert forecast.spread_k is not None
    np.testing.assert_allclose(forecast.spread_k[:60], 1.5 / (2 * 1.28155), rtol=1e-4)
    server.nordic = False
    assert ask(server).spread_k is None


def test_nothing_is_asked_before_it_expires(server: MetNorway) -> None:
    memory = Memory()
    first = ask(server, memory)
    for minutes in (1, 15, 30):
        assert ask(server, memory, NOW + timedelta(minutes=minutes)) == first
    assert len(server.asked) == 1
    server.now = NOW + timedelta(minutes=40)
    again = ask(server, memory, server.now)
    assert server.asked[1].headers["if-modified-since"] == server.modified
    assert again.issued == first.issued
    assert again.received == server.now
    assert ask(server, memory, server.now + timedelta(minutes=30)) == again  # the 304 set a new Expires
    assert len(server.asked) == 2
    server.now += timedelta(hours=2)
    server.updated = server.now
    assert ask(server, memory, server.now).issued == server.updated.replace(microsecond=0)


def test_two_places_do_not_share_what_is_kept(server: MetNorway) -> None:
    memory = Memory()
    ask(server, memory)
    fetch(source("met-norway", server.url), site(60.0, 10.0), context(NOW, memory))
    assert len(server.asked) == 2


def test_without_expires_half_an_hour_stands_for_it(server: MetNorway) -> None:
    server.expires = None
    memory = Memory()
    ask(server, memory)
    ask(server, memory, NOW + timedelta(minutes=29))
    assert len(server.asked) == 1
    ask(server, memory, NOW + timedelta(minutes=31))
    assert len(server.asked) == 2


def test_a_contact_is_asked_for_before_anything_leaves(server: MetNorway) -> None:
    with pytest.raises(WeatherError, match=r"forecast\.contact"):
        fetch(source("met-norway", server.url), site(settings={}), context())
    assert server.asked == []


def test_203_is_taken_and_told(server: MetNorway) -> None:
    server.status = 203
    assert any("will end this version" in n for n in ask(server).notes)


def test_old_content_is_refused(server: MetNorway) -> None:
    server.updated = NOW - timedelta(hours=50)
    with pytest.raises(WeatherError, match="issued 50 h ago"):
        ask(server)
    server.updated = NOW - timedelta(hours=13)
    assert any("issued 13 h ago" in n for n in ask(server).notes)


@pytest.mark.parametrize(
    ("status", "kind"),
    [
        (400, "permanent"), (401, "permanent"), (403, "permanent"), (404, "permanent"), (422, "permanent"),
        (429, "throttled"), (503, "throttled"), (499, "temporary"), (500, "temporary"), (502, "temporary"),
    ],
)  # fmt: skip
def test_statuses_whose_bodies_are_web_pages(server: MetNorway, status: int, kind: str) -> None:
    server.trap(html(status))
    with pytest.raises(WeatherError) as caught:
        ask(server)
    assert caught.value.kind == kind
    assert "<" not in caught.value.message


@pytest.mark.parametrize(
    "change",
    [
        lambda p: p.pop("timeseries"),
        lambda p: p["timeseries"].clear(),
        lambda p: p.pop("meta"),
        lambda p: p["meta"].pop("updated_at"),
        lambda p: p["timeseries"].reverse(),
        lambda p: p["timeseries"].__setitem__(3, {"data": {}}),
        lambda p: [s["data"]["instant"]["details"].pop("air_temperature") for s in p["timeseries"]],
        lambda p: p["timeseries"][-1].__setitem__("time", "2036-01-01T00:00:00Z"),
    ],
)
def test_answers_that_do_not_fit(server: MetNorway, change: Any) -> None:
    server.trap(changed(server, change))
    with pytest.raises(WeatherError) as caught:
        ask(server)
    assert caught.value.kind == "temporary"


def test_missing_values_are_gaps_and_impossible_ones_too(server: MetNorway) -> None:
    def change(properties: Any) -> None:
        steps = properties["timeseries"]
        steps[2]["data"]["instant"]["details"]["air_temperature"] = None
        steps[3]["data"]["instant"]["details"].pop("wind_speed")
        steps[5]["data"]["instant"]["details"]["air_temperature"] = -273.0
        steps[9]["data"] = {}

    server.trap(changed(server, change))
    forecast = ask(server)
    assert any("1 air temperatures outside" in n for n in forecast.notes)
    assert np.isfinite(forecast.air_k[0, 20:]).all()


@pytest.mark.parametrize("unit", ["fahrenheit", ""])
def test_an_unknown_unit_is_refused(server: MetNorway, unit: str) -> None:
    server.units["air_temperature"] = unit
    with pytest.raises(WeatherError, match="not known here") as caught:
        ask(server)
    assert caught.value.kind == "permanent"


def test_kelvin_is_understood(server: MetNorway) -> None:
    plain = ask(server)
    for name in list(server.units):
        if name.startswith("air"):
            server.units[name] = "K"

    def change(properties: Any) -> None:
        for step in properties["timeseries"]:
            for part in ("instant", "next_6_hours"):
                details = step["data"].get(part, {}).get("details", {})
                details.update({k: v + 273.15 for k, v in details.items() if k.startswith("air_temp")})

    server.trap(changed(server, change))
    np.testing.assert_allclose(ask(server).air_k, plain.air_k, atol=1e-9)


def test_a_site_above_the_arctic_circle_and_on_the_date_line(server: MetNorway) -> None:
    forecast = fetch(source("met-norway", server.url), site(78.22, -180.0), context())
    assert server.asked[0].query == {"lat": "78.22", "lon": "-180"}
    assert np.isfinite(forecast.air_k).all()
