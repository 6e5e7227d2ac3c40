"""What `boiloff status` calls wrong: by the alerts' limits, the valve as read, and the site file as it is now."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from monitor.alerts.eyes import silence_s
from monitor.alerts.settings import Limits
from monitor.model.forecast import Forecast
from monitor.model.health import SourceHealth
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site, WeatherSource
from monitor.service.status import look
from monitor.site import load
from monitor.store import Event, Store
from monitor.web.answer import trouble
from tests.service import harness

NOW = datetime(2031, 1, 20, 13, 5, tzinfo=UTC)
H = timedelta(hours=1)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    made = load(
        harness.write_site(tmp_path, harness.SITE, harness.sensors(), '\n[broker]\nhost = "127.0.0.1"\nport = 1\n')
    )
    return replace(made, weather=(WeatherSource("file"),))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "s.db") as opened:
        yield opened


def wrong(site: Site, store: Store) -> dict[str, str]:
    return {t.what: t.words for t in look(site, store, store.path, NOW).troubles}


def test_a_forecast_is_old_by_the_alerts_limit(site: Site, store: Store) -> None:
    issued = NOW - 13 * H
    store.add_forecast(Forecast("file", issued, issued, issued, np.full((1, 48), 270.0)))
    longer = replace(site, settings={**site.settings, "alerts.forecast_age": 14 * 3600.0})
    assert "forecast" in wrong(site, store)
    assert "forecast" not in wrong(longer, store)
    payload = {"forecast_issued": issued.isoformat(), "levels": []}
    assert [t for t in trouble(payload, {}, site, NOW) if "forecast" in t]
    assert not [t for t in trouble(payload, {}, longer, NOW) if "forecast" in t]


def test_a_sensor_is_silent_by_the_alerts_limit(site: Site, store: Store) -> None:
    heard = NOW - 4 * H
    health = SourceHealth("scale A", "sensor", heard, ok_at=heard, interval_s=3600.0)
    store.set_health(health)
    patient = replace(site, settings={**site.settings, "alerts.silent": 6.0})
    assert wrong(site, store)["scale A"] == "is silent"
    assert "scale A" not in wrong(patient, store)
    assert [t for t in trouble(None, {"scale A": health}, site, NOW) if "silent" in t]
    assert not [t for t in trouble(None, {"scale A": health}, patient, NOW) if "silent" in t]
    assert silence_s(site.sensors[0], Limits(patient.settings)) == 6 * 3600.0


def test_a_valve_that_was_read_shut_counts_not_the_file(site: Site, store: Store) -> None:
    assert {"cylinder A", "cylinder B"} <= set(wrong(site, store))
    store.add_readings([Reading(NOW - H, NOW - H, "A", Quantity.VALVE, 0.0, "hand")])
    said = wrong(site, store)
    assert "cylinder A" not in said
    assert "cylinder B" in said
    store.add_readings([Reading(NOW, NOW, "A", Quantity.VALVE, 1.0, "hand")])
    assert "cylinder A" in wrong(site, store)


def test_a_source_taken_out_of_the_file_fails_no_more(site: Site, store: Store) -> None:
    for name in ("file", "open-meteo"):
        store.set_health(SourceHealth(name, "forecast", NOW, failed_at=NOW, error="no answer"))
    said = wrong(site, store)
    assert said["file"] == "no answer"
    assert "open-meteo" not in said
    assert [s.name for s in look(site, store, store.path, NOW).sources] == ["file"]


def test_a_level_never_read_says_how_to_enter_it_and_a_fill_is_said_instead(site: Site, store: Store) -> None:
    assert wrong(site, store)["cylinder B"].endswith("To enter it: boiloff reading B --weighs WEIGHT")
    store.add_event(Event("fill", "B", NOW - H, NOW - H, {"paid_kg": 15.0}))
    about = [t.words for t in look(site, store, store.path, NOW).troubles if t.what == "cylinder B"]
    assert len(about) == 1
    assert "not weighed" in about[0]
