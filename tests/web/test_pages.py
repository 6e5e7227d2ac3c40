"""What the pages say, against the facts they are made from."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor import outlook
from monitor.model.health import SourceHealth
from monitor.model.reading import Quantity, Reading
from monitor.store import Store
from monitor.web import history, reasons, scale, suppose, thin, words
from monitor.web.answer import answer
from monitor.web.night import nights
from tests.web import house
from tests.web.house import NOW, House

DENVER = ZoneInfo("America/Denver")


def _payload(filled: Path) -> dict[str, object]:
    with Store.open(filled, readonly=True) as store:
        found = store.latest_outlook()
    assert found is not None
    return found


def test_covered_short_and_blind_are_told_apart(filled: Path) -> None:
    site = house.site()
    payload = _payload(filled)
    assert answer(payload, {}, site, NOW).state == "short"
    assert answer({**payload, "uncovered": []}, {}, site, NOW).state == "covered"
    assert answer(None, {}, site, NOW).state == "blind"
    late = NOW + timedelta(hours=13)
    old = answer({**payload, "uncovered": []}, {}, site, late)
    assert old.state == "blind"  # covered by a forecast of yesterday is no answer
    assert "forecast is 13" in old.trust


def test_what_is_wrong_is_in_the_third_sentence(filled: Path) -> None:
    site, payload = house.site(), _payload(filled)
    assert answer(payload, {}, site, NOW).trust.startswith("Every input")
    silent = SourceHealth("scale under A", "sensor", NOW, ok_at=NOW - timedelta(hours=20), interval_s=600.0)
    failing = SourceHealth("nws", "forecast", NOW - timedelta(hours=2), error="HTTP 500")
    said = answer(payload, {"a": silent, "b": failing}, site, NOW).trust
    assert "sensor “scale under A” is silent for 20" in said
    assert "forecast from the US National Weather Service fails since 2" in said
    later = answer(payload, {}, site, NOW + timedelta(days=15)).trust
    assert "A was last read 15 days ago" in later


def test_each_night_has_its_coldest_hour_and_the_odds_of_the_whole_night(filled: Path) -> None:
    site, payload = house.site(), _payload(filled)
    found = nights(payload, site)
    assert len(found) >= 10
    hours = payload["hours"]
    assert isinstance(hours, list)
    for night in found:
        assert re.match(r"[−\d]+\u00a0°F", night.coldest)
        assert night.short == (night.hold != "24 h" and night.short)
    joint = payload["nights"]
    assert isinstance(joint, list)
    shown = {n.odds for n in found}
    assert words.percent(joint[4]["probability_uncovered"]) in shown


def test_the_hour_that_comes_twice_carries_its_offset() -> None:
    first = datetime(2031, 11, 2, 7, 30, tzinfo=UTC)  # 01:30 MDT, the night the clock goes back
    both = {words.clock(first + timedelta(hours=k), DENVER) for k in (0, 1)}
    assert both == {"01:30 (UTC-0600)", "01:30 (UTC-0700)"}
    assert words.clock(datetime(2031, 7, 1, 7, 30, tzinfo=UTC), DENVER) == "01:30"


@given(st.floats(-1e6, 1e6), st.floats(0.001, 1e6), st.integers(2, 12))
def test_ticks_are_round_and_cover_the_span(low: float, span: float, count: int) -> None:
    found = scale.ticks(low, low + span, count)
    assert found[0] <= low + 1e-6 * span
    assert found[-1] >= low + span * (1 - 1e-6)
    steps = np.diff(found)
    assert np.allclose(steps, steps[0], rtol=1e-6)
    mantissa = steps[0] / 10.0 ** math.floor(math.log10(steps[0]) + 1e-9)
    assert min(abs(mantissa - m) for m in (1, 2, 5, 10)) < 1e-3


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, list[Reading]], datetime]:
    """A year of readings each 3 h with noise: 0.4 kg burnt a day, filled when low; and what truly happened."""
    path = tmp_path_factory.mktemp("year") / "store.db"
    site, random = house.site(), np.random.default_rng(5)
    tare = site.cylinder("A").tare_kg
    end = NOW
    start = end - timedelta(days=365)
    left, fills, kept = 17.0, [], []
    for k in range(365 * 8):
        at = start + timedelta(hours=3 * k)
        left -= 0.4 / 8
        if left < 2.0:
            left = 18.0
            fills.append(at)
        kept.append(Reading(at, at, "A", Quantity.GROSS_WEIGHT, tare + left + random.normal(0, 0.08), "scale"))
    with Store.open(path) as store:
        store.add_readings(kept)
    return path, {"A": kept}, end


def test_use_by_month_and_fills_are_what_happened(year: tuple[Path, dict[str, list[Reading]], datetime]) -> None:
    path, _, end = year
    found = history.collect(path, house.site(), end - timedelta(days=366), end)
    whole = [m for m in found.months if m.days >= 28]
    assert len(whole) >= 10
    for month in whole:
        assert month.used_kg == pytest.approx(0.4 * month.days, abs=0.5)
    assert len(found.refills) == 9  # 365 days x 0.4 kg, 16 kg a fill
    assert all(r.kg == pytest.approx(16.0, abs=1.0) for r in found.refills)


def test_thinning_is_the_median_of_what_it_looked_up(year: tuple[Path, dict[str, list[Reading]], datetime]) -> None:
    path, kept, end = year
    span = thin.Span(end - timedelta(days=365), end, 365)
    with thin.opened(path) as series:
        (stream,) = series.streams()
        got = series.sample(stream, span)
    width = span.step / thin.PER_POINT
    for k in range(0, 365, 17):
        looked = []
        for j in range(thin.PER_POINT):
            low = span.start + width * (k * thin.PER_POINT + j)
            inside = [r.value for r in kept["A"] if low <= r.time < low + width]
            looked += inside[:1]
        assert got[k] == pytest.approx(float(np.median(np.array(looked, dtype=float))), abs=1e-9)


@settings(max_examples=50)
@given(st.lists(st.lists(st.one_of(st.none(), st.floats(-100, 100)), min_size=3, max_size=3), min_size=1, max_size=9))
def test_the_median_leaves_out_what_is_missing(rows: list[list[float | None]]) -> None:
    table = np.array([[np.nan if v is None else v for v in row] for row in rows])
    got = thin.middle(table)
    for row, value in zip(table, got, strict=True):
        known = row[np.isfinite(row)]
        assert (np.isnan(value) and known.size == 0) or value == pytest.approx(float(np.median(known)))


def test_a_corrected_reading_is_not_drawn(tmp_path: Path) -> None:
    path, site = tmp_path / "store.db", house.site()
    at = NOW - timedelta(hours=5)
    wrong = Reading(at, at, "A", Quantity.PROPANE_LEFT, 3.0, "manual")
    with Store.open(path) as store:
        (number,) = store.add_readings([wrong])
        store.add_readings([replace(wrong, value=13.0, corrects=number)])
    found = history.collect(path, site, NOW - timedelta(days=1), NOW)
    (curve,) = found.curves
    assert np.nanmin(curve.left_kg) == 13.0


def test_an_explanation_ends_at_the_outlooks_own_number(home: House, filled: Path) -> None:
    payload = _payload(filled)
    hours = payload["hours"]
    assert isinstance(hours, list)
    hour = min((h for h in hours if h["air_c"] is not None), key=lambda h: float(h["air_c"]))
    parts = reasons.reckon(home.site, hour, 2.0, 0.6, None, "weather")
    lines = {line.name: line for line in parts[-1].lines}
    told = float(lines["capacity without end"].value.split()[0])
    assert told == pytest.approx(hour["sustained_w"]["weather"], rel=1e-3)
    assert {p.title for p in parts} == {"The floor", "Cylinder A", "Cylinder B", "All together"}
    assert [line.name for part in parts for line in part.lines if not line.source + line.equation] == ["headroom"]


def test_what_if_is_the_engine_on_the_changed_site_and_keeps_nothing(home: House) -> None:
    before = home.store.stat().st_mtime_ns
    with Store.open(home.store, readonly=True) as store:
        rows = len(store.readings())
    query = {"more": 1, "heater_w": 12_000, "cold_c": -25}
    got = httpx.get(home.url + "/v1/suppose", params=query).json()
    assert got["supposed"]["demand_w"] == pytest.approx(home.site.demand_w + 12_000)
    assert min(h["air_c"] for h in got["now"]["hours"]) == pytest.approx(-25.0, abs=0.01)
    with Store.open(home.store, readonly=True) as store:
        assert len(store.readings()) == rows
        forecast = store.latest_forecast()
        payload = store.latest_outlook()
    assert forecast is not None
    assert payload is not None
    wish = suppose.Wish(frozenset({"A", "B"}), 1, 12_000.0, None, 248.15)
    levels = [suppose.level_of(entry, NOW) for entry in payload["levels"]]
    other, changed = suppose.supposed(home.site, levels, wish, NOW)
    made = outlook.make(other, suppose.colder(forecast, 248.15), changed, NOW)
    for one, hour in zip(got["supposed"]["hours"], made.hours, strict=True):
        assert one["sustained_w"]["weather"] == pytest.approx(hour.sustained_w["weather"], abs=0.01)
    assert before <= home.store.stat().st_mtime_ns
    only_a = httpx.get(home.url + "/v1/suppose", params={"open": "A"}).json()
    assert only_a["supposed"]["hours"][0]["sustained_w"]["chart"] < only_a["now"]["hours"][0]["sustained_w"]["chart"]
    assert httpx.get(home.url + "/v1/suppose", params={"open": "Z"}).status_code == 404


def test_the_plan_is_the_same_on_the_page_and_in_the_api(home: House) -> None:
    told = httpx.get(home.url + "/v1/plan").json()
    page = httpx.get(home.url + "/trip").text
    for take in told["take"]:
        assert take["cylinder"] in page
    assert told["when"] is None or "Take" in page
    for reason in told["reasons"]:
        assert words.whole(reason)[1:] in page.replace("&#39;", "'")


def test_in_metric_units_nothing_is_in_pounds(tmp_path: Path) -> None:
    metric = replace(house.site(), units="metric")
    house.fill(tmp_path / "store.db", metric)
    with house.served(tmp_path / "store.db", metric) as made:
        for path in ("/", "/outlook", "/trip", "/past", "/suppose?asked=1&more=1&open=A", "/site", "/explain"):
            text = re.sub(r"<[^>]*>", " ", httpx.get(made.url + path).text)
            found = re.findall(r"\d[ \u00a0](?:lb|Btu/h|°F|psi)\b", text)
            allowed = ["8 Btu/lb"]  # the heating value as NFPA 58 gives it
            assert [f for f in found if f not in allowed] == [], path
