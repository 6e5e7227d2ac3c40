"""`boiloff verify` on a store of a replayed winter."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from monitor.model.forecast import Forecast
from monitor.model.reading import Quantity, Reading
from monitor.store import Store
from tests.commands.support import SITE, on_store

WEATHER = '\n[[weather]]\nkind = "open-meteo"\n'
DAYS = 14
boiloff = partial(on_store, "verify", columns=120)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two weeks of forecasts that were 2 K too warm, up to now."""
    path = tmp_path_factory.mktemp("verify")
    (path / "site.toml").write_text((SITE + WEATHER).format(units="us"))
    (path / "metric.toml").write_text((SITE + WEATHER).format(units="metric"))
    now = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
    start = now - timedelta(days=DAYS)
    hours = np.arange((DAYS + 11) * 24)
    truth = 262.0 + 4.0 * np.cos((hours + start.hour - 21) * np.pi / 12.0)
    with Store.open(path / "b.db") as store:
        for day in range(DAYS):
            at = start + timedelta(days=day)
            store.add_forecast(Forecast("open-meteo", at, at, at, truth[None, 24 * day : 24 * day + 240] + 2.0))
        readings = [
            Reading(t, t, "site", Quantity.AIR_TEMPERATURE, float(truth[k]), "manual")
            for k in range(DAYS * 24)
            if (t := start + timedelta(hours=k))
        ]
        store.add_readings(readings)
    return path


def test_the_table(folder: Path) -> None:
    done = boiloff(folder, "--days", "12")
    assert done.returncode == 0, done.stderr
    assert re.search(r"open-meteo: 1[123] forecasts, one a day", done.stdout)
    assert "°F" in done.stdout
    assert "colder than forecast at dawn" in done.stdout
    assert "too few to score" in done.stdout


def test_json(folder: Path) -> None:
    done = boiloff(folder, "--days", "12", "--json")
    assert done.returncode == 0, done.stderr
    (source,) = json.loads(done.stdout)["sources"]
    everything = source["by_lead_day"][0]
    assert everything["raw_bias_k"] == pytest.approx(2.0, abs=0.05)
    assert abs(everything["bias_k"]) < 1.0
    assert source["learnt"]["method"] == "bias"


def test_bad_input_and_no_store(folder: Path, tmp_path: Path) -> None:
    wrong = boiloff(folder, "--source", "nws")
    assert wrong.returncode == 2
    assert "one of open-meteo" in wrong.stderr
    (tmp_path / "site.toml").write_text((SITE + WEATHER).format(units="us"))
    missing = boiloff(tmp_path)
    assert missing.returncode == 3
    assert "no database" in missing.stderr


def test_nothing_to_score(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text((SITE + WEATHER).format(units="metric"))
    with Store.open(tmp_path / "b.db"):
        pass
    done = boiloff(tmp_path)
    assert done.returncode == 0
    assert "nothing to score" in done.stdout
