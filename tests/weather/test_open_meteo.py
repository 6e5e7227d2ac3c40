"""Open-Meteo against a loopback server that answers as the service documents it, faults included."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.model.forecast import Forecast
from monitor.weather import WeatherError, fetch, open_meteo
from tests.weather.servers.base import Asked, Reply, html, json_reply
from tests.weather.servers.open_meteo import OpenMeteo, wave_c
from tests.weather.support import NOW, Slept, context, site, source


@pytest.fixture
def server() -> Iterator[OpenMeteo]:
    with OpenMeteo(NOW) as running:
        yield running


def ask(server: OpenMeteo, now: datetime = NOW, **options: Any) -> Forecast:
    return fetch(source("open-meteo", server.url, **options), site(), context(now))


def changed(server: OpenMeteo, **changes: Any) -> Reply:
    """The honest answer with keys of `hourly` or `hourly_units` replaced (None takes the key away)."""
    query = {"latitude": "44.12", "longitude": "-93.65", "hourly": ",".join(open_meteo.VARIABLES),
             "timeformat": "unixtime", "past_days": "2", "forecast_days": "11", "wind_speed_unit": "ms"}  # fmt: skip
    body = server.answer(query)
    for part, replaced in changes.items():
        for key, value in replaced.items():
            if value is None:
                body[part].pop(key)
            else:
                body[part][key] = value(body[part].get(key)) if callable(value) else value
    return json_reply(body)


def test_an_honest_answer(server: OpenMeteo) -> None:
    forecast = ask(server)
    assert forecast.source == "open-meteo"
    assert forecast.start == datetime(2026, 1, 3, tzinfo=UTC)
    assert forecast.hours == 13 * 24
    expected = [wave_c(t) + 273.15 for t in forecast.times()]
    np.testing.assert_allclose(forecast.air_k[0], expected, atol=1e-9)
    assert forecast.wind_m_s is not None
    assert forecast.cloud is not None
    assert forecast.humidity is not None
    assert forecast.wind_m_s[5] == pytest.approx(2.5)
    assert forecast.cloud[5] == pytest.approx(0.4)
    assert forecast.humidity[5] == pytest.approx(0.71)
    assert forecast.elevation_m == 220.0
    assert "Open-Meteo.com" in forecast.credit
    assert forecast.issued == forecast.received == NOW
    assert any("states no time of issue" in n for n in forecast.notes)


def test_only_rounded_coordinates_and_a_contact_leave_the_house(server: OpenMeteo) -> None:
    ask(server)
    asked = server.asked[0]
    assert asked.query["latitude"] == "44.12"
    assert asked.query["longitude"] == "-93.65"
    assert set(asked.query) == {
        "latitude", "longitude", "hourly", "forecast_days", "past_days", "timeformat", "timezone", "wind_speed_unit",
    }  # fmt: skip
    assert asked.query["timezone"] == "GMT"
    assert "someone@example.org" in asked.headers["user-agent"]
    assert "boiloff/" in asked.headers["user-agent"]
    told = json.dumps([asked.path, asked.query, asked.headers])
    assert "Cottage" not in told
    assert "123" not in asked.query["latitude"]


@pytest.mark.parametrize(
    ("decimals", "latitude", "longitude"),
    [
        (0, "44", "-94"),
        (1, "44.1", "-93.7"),
        (2, "44.12", "-93.65"),
        (4, "44.1235", "-93.6543"),
        (9, "44.1235", "-93.6543"),
    ],
)
def test_decimals_as_configured(server: OpenMeteo, decimals: int, latitude: str, longitude: str) -> None:
    place = site(settings={"forecast.decimals": decimals})
    fetch(source("open-meteo", server.url), place, context())
    assert (server.asked[0].query["latitude"], server.asked[0].query["longitude"]) == (latitude, longitude)


@pytest.mark.parametrize(
    ("latitude", "longitude", "sent"),
    [
        (-41.3, 174.8, ("-41.3", "174.8")),
        (-16.8, 180.0, ("-16.8", "-180")),
        (69.996, -0.001, ("70", "0")),
        (78.2, 190.0, ("78.2", "-170")),
    ],
)
def test_south_date_line_and_far_north(
    server: OpenMeteo, latitude: float, longitude: float, sent: tuple[str, str]
) -> None:
    forecast = fetch(source("open-meteo", server.url), site(latitude, longitude), context())
    assert (server.asked[0].query["latitude"], server.asked[0].query["longitude"]) == sent
    assert np.isfinite(forecast.air_k).all()


def test_nulls_are_gaps(server: OpenMeteo) -> None:
    server.horizon_days = 7
    forecast = ask(server)
    assert np.isfinite(forecast.air_k[0, : 9 * 24]).all()
    assert np.isnan(forecast.air_k[0, 9 * 24 :]).all()


def test_all_null_is_an_error(server: OpenMeteo) -> None:
    server.trap(changed(server, hourly={"temperature_2m": lambda v: [None] * len(v)}))
    with pytest.raises(WeatherError, match="without one usable air temperature"):
        ask(server)


def test_units_are_read_and_not_assumed(server: OpenMeteo) -> None:
    honest = ask(server)
    server.trap(
        changed(
            server,
            hourly={
                "temperature_2m": lambda v: [round(x * 1.8 + 32, 4) for x in v],
                "wind_speed_10m": lambda v: [x * 3.6 for x in v],
            },
            hourly_units={"temperature_2m": "°F", "wind_speed_10m": "km/h"},
        )
    )
    other = ask(server)
    np.testing.assert_allclose(other.air_k, honest.air_k, atol=1e-3)
    assert other.wind_m_s is not None
    np.testing.assert_allclose(other.wind_m_s, 2.5)


@pytest.mark.parametrize("unit", ["K", "", "undefined"])
def test_an_unknown_unit_is_refused(server: OpenMeteo, unit: str) -> None:
    server.trap(changed(server, hourly_units={"temperature_2m": unit}))
    with pytest.raises(WeatherError, match="not known here") as caught:
        ask(server)
    assert caught.value.kind == "permanent"


def test_a_missing_unit_is_refused(server: OpenMeteo) -> None:
    server.trap(changed(server, hourly_units={"temperature_2m": None}))
    with pytest.raises(WeatherError, match="no unit"):
        ask(server)


def test_impossible_temperatures_become_gaps(server: OpenMeteo) -> None:
    server.trap(changed(server, hourly={"temperature_2m": lambda v: [-3000.0, 61.0, -81.0, *v[3:]]}))
    forecast = ask(server)
    assert np.isnan(forecast.air_k[0, :3]).all()
    assert np.isfinite(forecast.air_k[0, 3:]).all()
    assert any("3 air temperatures outside" in n for n in forecast.notes)


def test_numbers_as_strings_are_taken(server: OpenMeteo) -> None:
    server.trap(changed(server, hourly={"temperature_2m": lambda v: [str(x) for x in v]}))
    assert ask(server).air_k[0, 0] == pytest.approx(wave_c(datetime(2026, 1, 3, tzinfo=UTC)) + 273.15)


def test_local_iso_times_carry_one_offset(server: OpenMeteo) -> None:
    reply = json.loads(changed(server).body)
    shift = timedelta(hours=-6)
    reply["utc_offset_seconds"] = -21_600
    reply["hourly_units"]["time"] = "iso8601"
    reply["hourly"]["time"] = [
        (datetime.fromtimestamp(t, UTC) + shift).strftime("%Y-%m-%dT%H:%M") for t in reply["hourly"]["time"]
    ]
    server.trap(json_reply(reply))
    assert ask(server).start == datetime(2026, 1, 3, tzinfo=UTC)


@pytest.mark.parametrize(
    "change",
    [
        {"hourly": {"temperature_2m": lambda v: v[:-5]}},
        {"hourly": {"time": lambda v: []}},
        {"hourly": {"time": lambda v: [v[1], v[0], *v[2:]]}},
        {"hourly": {"time": lambda v: [v[0], v[0], *v[2:]]}},
        {"hourly": {"time": lambda v: ["?"] * len(v)}},
        {"hourly": {"time": lambda v: [10**18] * len(v)}},
        {"hourly": {"time": None}},
        {"hourly": {"temperature_2m": None}},
    ],
)
def test_a_series_that_does_not_fit_together(server: OpenMeteo, change: dict[str, Any]) -> None:
    server.trap(changed(server, **change))
    with pytest.raises(WeatherError) as caught:
        ask(server)
    assert caught.value.kind == "temporary"


@pytest.mark.parametrize(
    ("reason", "least_s", "most_s"),
    [
        ("Daily API request limit exceeded. Please try again tomorrow.", 9 * 3600, 10 * 3600),
        ("Hourly API request limit exceeded. Please try again in the next hour.", 2000, 3000),
        ("Minutely API request limit exceeded. Please try again in one minute.", 60, 300),
        ("Too many concurrent requests", 60, 300),
    ],
)
def test_limits(server: OpenMeteo, reason: str, least_s: float, most_s: float) -> None:
    server.trap(json_reply({"error": True, "reason": reason}, 429))
    with pytest.raises(WeatherError, match=reason[:20]) as caught:
        ask(server)
    assert caught.value.kind == "throttled"
    assert caught.value.retry_after_s is not None
    assert least_s <= caught.value.retry_after_s <= most_s
    assert len(server.asked) == 1  # whoever asks to be left alone is left alone


def test_a_retry_after_header_is_obeyed(server: OpenMeteo) -> None:
    server.trap(Reply(429, b"slow down", {"Retry-After": "77"}))
    with pytest.raises(WeatherError) as caught:
        ask(server)
    assert caught.value.retry_after_s == 77.0


def test_overloaded(server: OpenMeteo) -> None:
    server.trap(json_reply({"error": True, "reason": "The service is overloaded"}, 503))
    with pytest.raises(WeatherError, match="overloaded") as caught:
        ask(server)
    assert caught.value.kind == "throttled"


def test_an_inner_error_passes_at_the_next_try(server: OpenMeteo) -> None:
    server.trap(json_reply({"error": True, "reason": "Something went wrong."}, 500), times=2)
    slept = context()
    forecast = fetch(source("open-meteo", server.url), site(), slept)
    assert forecast.hours == 312
    assert isinstance(slept.sleep, Slept)
    assert len(slept.sleep) == 2


def test_an_inner_error_that_stays(server: OpenMeteo) -> None:
    server.trap(json_reply({"error": True, "reason": "Something went wrong."}, 500))
    with pytest.raises(WeatherError, match="Something went wrong") as caught:
        ask(server)
    assert caught.value.kind == "temporary"
    assert len(server.asked) == 3


@pytest.mark.parametrize("status", [400, 401, 403, 404])
def test_refusals_for_good(server: OpenMeteo, status: int) -> None:
    server.trap(json_reply({"error": True, "reason": "Invalid timezone"}, status))
    with pytest.raises(WeatherError, match="Invalid timezone") as caught:
        ask(server)
    assert caught.value.kind == "permanent"
    assert len(server.asked) == 1


@pytest.mark.parametrize(
    "reply", [html(200), html(500), Reply(200, b""), json_reply(None), json_reply([]), json_reply("a")]
)
def test_answers_that_are_no_forecast(server: OpenMeteo, reply: Reply) -> None:
    server.trap(reply)
    with pytest.raises(WeatherError) as caught:
        ask(server)
    assert caught.value.kind == "temporary"


def test_an_error_in_an_answer_that_says_200(server: OpenMeteo) -> None:
    server.trap(json_reply({"error": True, "reason": "No data is available for this location"}))
    with pytest.raises(WeatherError, match="No data is available"):
        ask(server)


def test_what_a_server_says_is_cut_and_cleaned(server: OpenMeteo) -> None:
    server.trap(json_reply({"error": True, "reason": "\x1b[31mred\r\n" + "x" * 5000}, 400))
    with pytest.raises(WeatherError) as caught:
        ask(server)
    assert len(caught.value.message) < 300
    assert "\x1b" not in caught.value.message
    assert "\n" not in caught.value.message


def test_old_content_is_known_by_its_days(server: OpenMeteo) -> None:
    server.now = NOW - timedelta(days=4)
    with pytest.raises(WeatherError, match="an old forecast, made 86 h ago") as caught:
        ask(server)
    assert caught.value.kind == "temporary"


def test_content_of_yesterday_is_taken_as_issued_yesterday(server: OpenMeteo) -> None:
    server.now = NOW - timedelta(days=1)
    assert ask(server).issued == datetime(2026, 1, 5, tzinfo=UTC)


def test_the_run_of_a_single_model_is_the_time_of_issue(server: OpenMeteo) -> None:
    forecast = ask(server, models="ecmwf_ifs025")
    assert forecast.issued == datetime(2026, 1, 5, 6, tzinfo=UTC)
    assert server.asked[1].path == "/data/ecmwf_ifs025/static/meta.json"


def test_an_old_run_is_refused(server: OpenMeteo) -> None:
    server.run = NOW - timedelta(hours=88)
    with pytest.raises(WeatherError, match="made 88 h ago"):
        ask(server, models="ecmwf_ifs025")


def test_without_meta_the_forecast_stands(server: OpenMeteo) -> None:
    def only_meta(asked: Asked) -> Reply | None:
        return html(404) if "meta" in asked.path else None

    server.trap(only_meta)
    forecast = ask(server, models="ecmwf_ifs025")
    assert forecast.issued == NOW
    assert any("states no time of issue" in n for n in forecast.notes)


def test_ensemble_members_in_order(server: OpenMeteo) -> None:
    forecast = ask(server, ensemble=True)
    assert server.asked[0].path == "/v1/ensemble"
    assert server.asked[0].query["models"] == "ecmwf_ifs025_ensemble"
    assert forecast.air_k.shape == (31, 312)
    when = forecast.times()[100]
    np.testing.assert_allclose(forecast.air_k[:, 100] - 273.15, [wave_c(when, 0, m) for m in range(31)], atol=1e-9)
    assert forecast.wind_m_s is not None
    assert forecast.wind_m_s.shape == (312,)


def test_an_older_server_knows_the_ensemble_by_its_older_name(server: OpenMeteo) -> None:
    def old(asked: Asked) -> Reply | None:
        if asked.query.get("models") != "ecmwf_ifs025_ensemble":
            return None
        return json_reply({"error": True, "reason": "Data corrupted at path ''. Cannot initialize MultiDomains"}, 400)

    server.trap(old)
    assert ask(server, ensemble=True).air_k.shape[0] == 31
    assert [a.query.get("models") for a in server.asked[:2]] == ["ecmwf_ifs025_ensemble", "ecmwf_ifs025"]
    with pytest.raises(WeatherError, match="MultiDomains"):
        ask(server, ensemble=True, models="ecmwf_ifs025_ensemble")


def test_members_of_several_models(server: OpenMeteo) -> None:
    body = json.loads(changed(server).body)
    values = body["hourly"].pop("temperature_2m")
    body["hourly_units"].pop("temperature_2m")
    for name in (
        "temperature_2m_icon_global_eps",
        "temperature_2m_member01_icon_global_eps",
        "temperature_2m_ncep_gefs05",
    ):
        body["hourly"][name] = values
        body["hourly_units"][name] = "°C"
    body["hourly"]["temperature_2m_member01_ncep_gefs05"] = [None] * len(values)
    body["hourly_units"]["temperature_2m_member01_ncep_gefs05"] = "°C"
    server.trap(json_reply(body))
    assert ask(server, ensemble=True, models="icon_global_eps,ncep_gefs05").air_k.shape[0] == 3


def test_previous_runs(server: OpenMeteo) -> None:
    runs = open_meteo.previous_runs(source("open-meteo", server.url), site(), context(), past_days=30)
    assert runs.air_k.shape == (8, 31 * 24)
    when = runs.start + timedelta(hours=50)
    np.testing.assert_allclose(runs.air_k[:, 50] - 273.15, [wave_c(when, lead) for lead in range(8)], atol=1e-9)


def test_a_key_comes_from_its_file(server: OpenMeteo, tmp_path: Path) -> None:
    file = tmp_path / "key"
    file.write_text("s3cret\n")
    file.chmod(0o600)
    ask(server, api_key_file=str(file))
    assert server.asked[0].query["apikey"] == "s3cret"
    with pytest.raises(WeatherError, match="cannot read api_key_file"):
        ask(server, api_key_file=str(tmp_path / "none"))


def test_the_whole_time_is_bounded(server: OpenMeteo) -> None:
    server.trap(Reply(how="hang"))
    with pytest.raises(WeatherError, match=r"took longer|in time"):
        ask(server, timeout=0.5)


def test_an_unknown_kind() -> None:
    with pytest.raises(WeatherError, match="no kind of forecast source"):
        fetch(source("crystal-ball"), site(), context())
