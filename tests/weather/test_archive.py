"""Past winters from Open-Meteo's archive, on loopback: which are asked for, what comes, what a failure says."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from monitor.weather import archive
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context
from tests.physics.sites import site
from tests.weather.servers.base import json_reply
from tests.weather.servers.open_meteo import OpenMeteo, wave_c

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
CONTEXT = Context(now=lambda: NOW, sleep=lambda _s: None)
PLACE = replace(site(), latitude=44.5123, longitude=-100.4987)


def test_the_last_winters_that_are_over() -> None:
    assert archive.seasons(PLACE, 2, CONTEXT) == (
        (date(2024, 10, 1), date(2025, 4, 30)),
        (date(2025, 10, 1), date(2026, 4, 30)),
    )
    may = Context(now=lambda: datetime(2026, 5, 2, tzinfo=UTC))  # the archive lags: April is not there yet
    assert archive.seasons(PLACE, 1, may) == ((date(2024, 10, 1), date(2025, 4, 30)),)
    assert archive.seasons(replace(PLACE, latitude=-44.5), 1, CONTEXT) == ((date(2026, 4, 1), date(2026, 10, 31)),)


def test_the_hours_come_as_the_archive_has_them() -> None:
    with OpenMeteo(NOW) as server:
        found = archive.winters(PLACE, 2, CONTEXT, server.url)
        asked = [a.query for a in server.asked]
    assert [f.start for f in found] == [datetime(2024, 10, 1, tzinfo=UTC), datetime(2025, 10, 1, tzinfo=UTC)]
    assert found[0].air_k.shape == (1, 24 * 212)
    hours = [found[0].start + timedelta(hours=k) for k in range(24 * 212)]
    assert found[0].air_k[0] - 273.15 == pytest.approx([wave_c(h) for h in hours], abs=1e-9)
    assert found[0].wind_m_s is not None
    assert np.allclose(found[0].wind_m_s, 2.5)
    assert {(q["latitude"], q["longitude"]) for q in asked} == {("44.51", "-100.5")}  # rounded before they leave
    assert "forecast_days" not in asked[0]


def test_a_stated_height_brings_the_series_to_it() -> None:
    with OpenMeteo(NOW) as server:  # its cell lies at 220 m
        plain = archive.winters(PLACE, 1, CONTEXT, server.url)[0]
        high = archive.winters(replace(PLACE, elevation_m=1220.0), 1, CONTEXT, server.url)[0]
    assert high.air_k - plain.air_k == pytest.approx(-6.5)


def test_years_and_failures_are_told() -> None:
    with pytest.raises(ValueError, match="1 to 40"):
        archive.winters(PLACE, 41, CONTEXT)
    with OpenMeteo(NOW) as server:
        server.trap(json_reply({"error": True, "reason": "Daily API request limit exceeded."}, 429))
        with pytest.raises(WeatherError) as error:
            archive.winters(PLACE, 1, CONTEXT, server.url)
    assert error.value.kind == "throttled"


def arranged(*words: str, code: int = 0) -> str:
    base = ("arrange", "--appliance", "Range=65000 Btu/h", "--use", "0.4 kg/day", "--size", "40 lb", "--no-delivery")
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", *base, *words], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == code, done.stderr
    return done.stderr if code else done.stdout


def test_arrange_asks_for_past_winters() -> None:
    with OpenMeteo(datetime.now(UTC)) as server:
        place = ("--latitude", "44.5", "--longitude", "-100.5", "--past-years", "2", "--past-url", server.url)
        said = json.loads(arranged(*place, "--json"))
        assert len(server.asked) == 2
    assert all(a["short_nights"]["nights_seen"] >= 400 for a in said["arrangements"])
    assert "--latitude and --longitude" in arranged("--past-years", "2", code=2)
    failed = arranged(*place, code=3)  # the server is gone
    assert "past winters" in failed
    assert "--winters FILE.csv" in failed
