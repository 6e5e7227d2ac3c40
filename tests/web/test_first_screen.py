"""The first screen in each state: tonight and the nights after, what to do next by when, how sure, how old."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from monitor.model.alert import AlertState, Judgement, State
from monitor.model.health import SourceHealth
from monitor.model.reading import Quantity, Reading
from monitor.model.site import WeatherSource
from monitor.store import Store
from monitor.store.record import Event
from monitor.web.answer import answer, tonight_ends
from monitor.web.night import nights
from monitor.web.pages import AlertView, run_out_text
from monitor.web.todo import todo
from tests.web import house
from tests.web.house import NOW

DENVER = ZoneInfo("America/Denver")
SPACE = "\u00a0"


@pytest.fixture
def payload(filled: Path) -> dict[str, Any]:
    """The newest outlook of the cold household: short on Thursday, at NOW on a Sunday evening."""
    with Store.open(filled, readonly=True) as store:
        found = store.latest_outlook()
    assert found is not None
    return found


def _stretch(payload: dict[str, Any], start: datetime, hours: int = 2) -> dict[str, Any]:
    moved = {**payload["uncovered"][0], "from": start.isoformat(), "to": (start + timedelta(hours=hours)).isoformat()}
    return {**payload, "uncovered": [moved]}


def test_tonight_is_told_before_what_comes_later(payload: dict[str, Any]) -> None:
    site = house.site()
    assert re.match(r"Covered tonight\. Short Thu \d\d:00 to \d\d:00\.$", answer(payload, {}, site, NOW).covered)
    tonight = answer(_stretch(payload, NOW.replace(hour=4, minute=0)), {}, site, NOW).covered
    assert tonight == "Short tonight, Sun 21:00 to 23:00."
    assert answer(_stretch(payload, NOW - timedelta(minutes=30)), {}, site, NOW).covered == "Short now, until 20:00."
    noon = NOW.replace(hour=19, minute=0)  # Monday 12:00 at the site
    assert answer(_stretch(payload, noon, 1), {}, site, noon - timedelta(hours=1)).covered == (
        "Short by day, Mon 12:00 to 13:00."
    )


def test_tonight_with_no_slight_odds_is_not_called_covered(payload: dict[str, Any]) -> None:
    site = house.site()
    odds = [{**n, "probability_uncovered": 0.4 if k == 0 else 0.0} for k, n in enumerate(payload["nights"])]
    doubtful = {**payload, "nights": odds}
    assert answer(doubtful, {}, site, NOW).covered.startswith(f"Tonight may be short (odds 40{SPACE}%). Short Thu")
    assert nights(doubtful, site, NOW)[0].state == "may be short"
    calm = answer({**doubtful, "uncovered": []}, {}, site, NOW)
    assert calm.covered.startswith("Likely covered tonight and the nights after, until ")
    assert f"The greatest odds of a shortfall are 40{SPACE}%, in the night of Sun 5 Jan." in calm.detail
    none = [{**n, "probability_uncovered": 0.0} for n in payload["nights"]]
    sure = answer({**payload, "nights": none, "uncovered": []}, {}, site, NOW)
    assert sure.covered.startswith("Covered tonight")
    assert f"under 1{SPACE}% in each night" in sure.detail


def test_old_data_never_cover_a_night(payload: dict[str, Any]) -> None:
    later = NOW + timedelta(days=2)
    old = answer(payload, {}, house.site(), later)
    assert old.state == "short"
    assert "Covered" not in old.covered
    assert old.detail.endswith("It rests on old data.")
    assert "A, B read 2 days ago" in old.trust


def test_the_page_of_inputs_finds_the_same_wrong_as_the_first_screen(tmp_path: Path) -> None:
    path, site = tmp_path / "store.db", house.site()
    house.fill(path, site)
    with house.served(path, site, now=NOW + timedelta(days=4)) as made:
        first, inputs = (httpx.get(made.url + page).text for page in ("/", "/inputs"))
    assert "sensor “scale under A” is silent for 4 days" in first
    row = re.search(r"<tr[^>]*><th[^>]*>sensor “scale under A”.*?</tr>", inputs)
    assert row is not None
    assert "is silent for 4 days" in row[0]
    assert "too old to go by" in inputs


def test_an_end_of_the_fuel_too_late_to_be_told_reads_as_a_sentence() -> None:
    def told(*ends: str | None) -> str:
        return run_out_text({"run_out": dict(zip(("p10", "p50", "p90"), ends, strict=True))}, house.site())

    early, middle, late = "2031-01-20T12:00:00+00:00", "2031-02-03T12:00:00+00:00", "2031-02-20T12:00:00+00:00"
    assert told(early, middle, late).endswith("one time in ten before Mon 20 Jan, one in ten after Thu 20 Feb.")
    assert told(early, middle, None).endswith("before Mon 20 Jan, how late at the latest cannot be said.")
    assert told(None, None, None) == "The fuel ends later than can be said."


def test_a_source_taken_out_of_the_site_file_fails_no_more(tmp_path: Path) -> None:
    path, site = tmp_path / "store.db", house.site()
    house.fill(path, site)
    with Store.open(path) as store:
        store.set_health(SourceHealth("nws", "forecast", NOW, ok_at=NOW, error="answers 500"))
        store.set_health(SourceHealth("scale of old", "sensor", NOW, interval_s=600.0))
    for kinds, told in ((("file",), False), (("file", "nws"), True)):
        named = replace(site, weather=tuple(WeatherSource(kind) for kind in kinds))
        with house.served(path, named) as made:
            pages = [httpx.get(made.url + page).text for page in ("/", "/inputs", "/v1/health", "/metrics")]
        for page in pages:
            assert ("answers 500" in page or 'name="nws"' in page) is told, page
            assert "scale of old" not in page


@pytest.mark.parametrize(("hour", "day"), [(2, 6), (5, 6), (7, 7), (12, 7), (18, 7), (23, 7)])
def test_tonight_is_the_night_that_a_person_means(hour: int, day: int) -> None:
    now = datetime(2031, 1, 6, hour, 30, tzinfo=DENVER).astimezone(UTC)
    assert tonight_ends(now, DENVER) == datetime(2031, 1, day, 10, tzinfo=DENVER)


def _alert(kind: str, severity: str, text: str, state: str = "unacknowledged") -> AlertView:
    return AlertView(f"{kind}/site", "headline", f"head\n\nWhat to do:\n- {text}\n", state, severity, "", "", True)


def test_the_next_step_is_the_gravest_alerts_own_with_its_time(payload: dict[str, Any]) -> None:
    site, told = house.site(), answer(payload, {}, house.site(), NOW)
    cold, silent = _alert("cold-shortfall", "Moderate", "cook before"), _alert("sensor-silent", "Minor", "look")
    both = todo(payload, [silent, cold], told, None, site, NOW)
    assert (both.text, bool(re.match(r"before Thu \d\d:00$", both.by))) == ("cook before", True)
    fuel = todo(payload, [cold, _alert("low-fuel", "Severe", "refill")], told, None, site, NOW)
    assert fuel.text == "refill"
    shelved = todo(payload, [_alert("cold-shortfall", "Severe", "cook before", "shelved")], told, None, site, NOW)
    assert shelved.text.startswith("Burn less at once")
    going = todo(payload, [cold], told, NOW + timedelta(days=2), site, NOW)
    assert going.link == ("/trip", "You plan to go for gas on Tue 7 Jan, 18:30")


def test_without_an_alert_the_next_step_follows_from_the_state(payload: dict[str, Any]) -> None:
    site = house.site()
    ends = {"p10": (NOW + timedelta(days=9)).isoformat(), "p50": (NOW + timedelta(days=12)).isoformat(), "p90": None}
    calm = {**payload, "uncovered": [], "fuel": [{"subject": "supply", "left_kg": 9.0, "dry": ends, "usable": None}]}
    refill = todo(calm, [], answer(calm, {}, site, NOW), None, site, NOW)
    assert (refill.by, refill.text) == ("before Tue 14 Jan", "Refill.")
    none = todo(None, [], answer(None, {}, site, NOW), None, site, NOW)
    assert none.link == ("/enter", "Enter a reading")
    old = NOW + timedelta(days=2)
    blind = todo(calm, [], answer(calm, {}, site, old), None, site, old)
    assert blind.link == ("/inputs", "Look at the inputs")


def test_with_nothing_read_no_sentence_claims_anything(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store.db"):
        pass
    with house.served(tmp_path / "store.db", house.site()) as made:
        text = re.sub(r"\s+", " ", httpx.get(made.url + "/").text)
    assert "Nothing has come in yet: no level, no forecast." in text
    assert "fresh" not in text
    assert "unknown load" not in text
    assert 'href="/enter?cylinder=A"' in text


def test_a_fill_that_was_not_weighed_is_told_where_its_level_is_shown(tmp_path: Path) -> None:
    path, site = tmp_path / "store.db", house.site()
    house.fill(path, site)
    at = NOW - timedelta(hours=1)
    with Store.open(path) as store:
        store.add_event(Event("fill", "A", at, NOW, {"paid_kg": 9.0}))
    with house.served(path, site) as made:
        text = httpx.get(made.url + "/").text
        assert text.count("Filled 5 Jan, not weighed since: the level shown is from before.") == 2
        assert "Weigh A and enter it" in text
        with Store.open(path) as store:  # as the outlook made next has it
            found = store.latest_outlook()
            assert found is not None
            known = {**found, "levels": [{**x, "filled_unweighed": at.isoformat()} for x in found["levels"][:1]]}
            store.add_outlook(NOW, known)
        assert "the level shown is half-way between what was in it before and full." in httpx.get(made.url + "/").text
        gross = site.cylinder("A").tare_kg + 15.0
        with Store.open(path) as store:
            store.add_readings([Reading(NOW, NOW, "A", Quantity.GROSS_WEIGHT, gross, "hand")])
        assert "not weighed since" not in httpx.get(made.url + "/").text


def test_the_api_tells_when_the_household_will_go(tmp_path: Path) -> None:
    path, site = tmp_path / "store.db", house.site()
    house.fill(path, site)
    going = NOW + timedelta(days=2)
    with house.served(path, site) as made:
        assert httpx.get(made.url + "/v1/plan").json()["planned_refill"] is None
        with Store.open(path) as store:
            store.add_event(Event("planned-refill", "site", going, NOW))
        told = httpx.get(made.url + "/v1/plan").json()["planned_refill"]
        assert datetime.fromisoformat(told) == going
        assert "You plan to go on Tue 7 Jan, 18:30" in httpx.get(made.url + "/trip").text
        assert "You plan to go for gas on Tue 7 Jan, 18:30" in httpx.get(made.url + "/").text


def test_an_alert_whose_times_differ_from_the_answer_says_why(home: house.House) -> None:
    text = httpx.get(home.url + "/").text
    alert = re.search(r'<a href="/alerts#cold-shortfall/site">', text)
    assert alert is not None
    assert "so it may begin earlier and end later than the times at the top" in text[alert.end() :]


@pytest.mark.parametrize("state", ["unacknowledged", "shelved"])
def test_a_leak_comes_before_the_cold(state: State, tmp_path: Path) -> None:
    path, site = tmp_path / "store.db", house.site()
    house.fill(path, site)
    leak = AlertState("leak-found/site", "leak-found", "site", state, NOW, severity="Severe", reason="one was found")
    with Store.open(path) as store:
        store.commit_judgement(Judgement((leak,), (), ()), [])
    with house.served(path, site) as made:
        text = httpx.get(made.url).text
    heading = re.findall(r"<h1>(.*?)</h1>", text)
    assert len(heading) == 1
    assert heading[0].startswith("Leak not known to be mended")
    assert "Besides: Covered tonight. Short Thu" in text.replace(SPACE, " ")


def test_what_to_do_about_gas_comes_first_even_from_the_shelf(payload: dict[str, Any]) -> None:
    site = house.site()
    told = answer(payload, {}, site, NOW)
    cold, leak = _alert("cold-shortfall", "Extreme", "cook before"), _alert("leak-found", "Severe", "close", "shelved")
    assert todo(payload, [cold, leak], told, None, site, NOW).text == "close"


def test_what_is_missing_is_named_levels_or_forecast(payload: dict[str, Any]) -> None:
    site = house.site()
    unread = {
        **payload,
        "uncovered": (),
        "hours": [{**h, "uncovered": None} for h in payload["hours"]],
        "levels": [{**level, "left_kg": None, "reading_time": None} for level in payload["levels"]],
    }
    assert answer(unread, {}, site, NOW).covered.startswith("Not known: no cylinder has been read.")
    assert answer({**unread, "forecast_issued": None}, {}, site, NOW).covered.startswith("Not known: the forecast is")
    assert "no hour ahead could be judged" in answer({**unread, "levels": payload["levels"]}, {}, site, NOW).covered


def test_fuel_for_longer_than_can_be_said_is_not_too_little_history(payload: dict[str, Any]) -> None:
    far = {"p10": (NOW + timedelta(days=90)).isoformat(), "p50": None, "p90": None}
    told = {**payload, "run_out": far, "fuel": ()}
    fuel = answer(told, {}, house.site(), NOW).fuel
    assert "for longer than can be said; 1 chance in 10 that it ends by" in fuel
    assert (
        "for longer than can be said." in answer({**told, "run_out": {**far, "p10": None}}, {}, house.site(), NOW).fuel
    )
    assert "too little history" in answer({**told, "run_out": None}, {}, house.site(), NOW).fuel
