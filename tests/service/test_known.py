"""Rounds of the service on a real store: what the record and the nights hold raises its alert, end to end."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from monitor import outlook
from monitor.commands import _outlook, _plan, _record
from monitor.model.forecast import Forecast
from monitor.model.health import SourceHealth
from monitor.model.reading import Quantity, Reading, SetAside
from monitor.model.site import Channel, SensorSpec, Site
from monitor.notify.decide import Rules, Send, decide
from monitor.outlook.plan import plan
from monitor.outlook.use import stated
from monitor.sensors import decode
from monitor.sensors.sent import Sent
from monitor.service.due import PLANNED, dates
from monitor.service.levels import Levels
from monitor.service.quiet import Quiet
from monitor.service.round import gather, know, work
from monitor.site import load
from monitor.store import Event, Store
from tests.service import harness

NOW = datetime(2031, 1, 20, 13, 5, tzinfo=UTC)  # seven in the morning there
HOUR = timedelta(hours=1)
DAYS = 24


@pytest.fixture
def site(tmp_path: Path) -> Site:
    stamped = 'name = "A"\nmanufactured = "2019-03"\nrequalify_every = "12 years"'
    text = harness.SITE.replace('name = "A"', stamped)
    return load(harness.write_site(tmp_path, text, harness.sensors(), '\n[broker]\nhost = "127.0.0.1"\nport = 1\n'))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "s.db") as opened:
        yield opened


def fill(site: Site, store: Store, leak_kg_h: float, full_kg: float = 17.5) -> None:
    """Weeks of readings each half hour: meals in the evening, and in the last week a leak at A."""
    rng, readings = np.random.default_rng(4), []
    left = dict.fromkeys("AB", full_kg)
    start = NOW - timedelta(days=DAYS)
    for k in range(DAYS * 48):
        at = start + k * timedelta(minutes=30)
        local = (at.hour - 6) % 24
        for name in "AB":
            left[name] -= 0.035 if local in {18, 19} else 0.0
            left[name] -= leak_kg_h / 2 if name == "A" and k >= (DAYS - 7) * 48 else 0.0
            gross = site.cylinder(name).tare_kg + left[name] + rng.normal(0.0, 0.03)
            readings.append(Reading(at, at, name, Quantity.GROSS_WEIGHT, float(gross), f"scale {name}"))
        air = 276.0 + 4.0 * np.cos((local - 15) / 24 * 2 * np.pi)
        readings.append(Reading(at, at, "site", Quantity.AIR_TEMPERATURE, float(air), "yard air"))
    store.add_readings(readings)
    store.add_forecast(
        Forecast("file", NOW, NOW, NOW.replace(minute=0), np.full((8, 240), 278.0), credit="Invented forecast")
    )


def note(store: Store, kind: str, time: datetime, **payload: object) -> int:
    return store.add_event(Event(kind, "site", time, NOW, payload))


def rounds(site: Site, store: Store, hours: int = 5) -> dict[str, str]:
    """Judge each hour with every source alive; return the state of each alert that was told of."""
    levels = Levels()
    for hour in range(hours):
        now = NOW + hour * HOUR
        health = {s.name: SourceHealth(s.name, "sensor", NOW, ok_at=now, interval_s=3600.0) for s in site.sensors}
        made = work(site, store, now, health, levels)
        assert made.failed == ""
        store.commit_judgement(made.judgement, ["log"])
    return {key: s.state for key, s in store.alert_states().items() if s.occurrence}


def test_each_fact_raises_its_alert(site: Site, store: Store) -> None:
    fill(site, store, leak_kg_h=0.05)
    note(store, "leak-check", NOW - timedelta(days=370), result="tight")
    note(store, PLANNED, NOW + timedelta(days=60))
    told = rounds(site, store)
    assert told.get("unexpected-draw/site", told.get("unexpected-draw/A")) == "unacknowledged"
    assert "unexpected-draw/B" not in told
    assert told["requalification/A"] == "unacknowledged"
    assert "requalification/B" not in told, "no date is known of it"
    assert told["leak-check/site"] == "unacknowledged"
    assert told["run-out/site"] == "unacknowledged"
    lines = {n.key: n.headline for n in store.notices(50)}
    assert "before the refill planned for" in lines["run-out/site"]
    assert "smell and look now" in next(text for key, text in lines.items() if key.startswith("unexpected-draw/"))
    assert [r.channel for r in store.outbox(50)].count("log") == len(store.notices(50))


def test_a_house_in_order_is_told_nothing(site: Site, store: Store) -> None:
    fill(site, store, leak_kg_h=0.0)
    note(store, "leak-check", NOW - timedelta(days=30), result="tight")
    note(store, PLANNED, NOW + timedelta(days=10))
    assert set(rounds(site, store)) == {"requalification/A"}


def test_gas_goes_out_at_once_through_quiet_hours_and_says_to_leave(site: Site, store: Store) -> None:
    """One round from the reading to the outbox, and what the channel does with it at two in the night."""
    night = datetime(2031, 1, 20, 8, 0, tzinfo=UTC)
    nose = SensorSpec("nose", "mqtt", "site", "gas_detected", "yard/gas")
    gassy = replace(site, sensors=(*site.sensors, nose), channels=(Channel("mail", "json://127.0.0.1:1/"),))
    store.add_readings([Reading(night, night, "site", Quantity.GAS_DETECTED, 1.0, "nose")])
    made = work(gassy, store, night, {"nose": SourceHealth("nose", "sensor", night, ok_at=night)})
    store.commit_judgement(made.judgement, ["mail"])
    (row,) = [r for r in store.outbox(50) if r.notice.key == "gas-detected/nose"]
    assert (row.notice.severity, row.notice.urgency, row.notice.bypass) == ("Extreme", "Immediate", True)
    assert "Get everyone out now" in row.notice.headline
    assert "From outside" in row.notice.body
    assert "boiloff itself is no gas detector" in row.notice.body
    quiet = Rules("America/Chicago", quiet=(22, 6))
    assert decide([row], {}, store.alert_states(), quiet, night) == Send(row)


def test_what_is_done_ends_the_alert(site: Site, store: Store) -> None:
    fill(site, store, leak_kg_h=0.0)
    first = note(store, "leak-check", NOW - timedelta(days=370), result="tight")
    assert "leak-check/site" in rounds(site, store, 1)
    leak = note(store, "leak-check", NOW - HOUR, result="leak")
    told = rounds(site, store, 1)
    assert "leak-check/site" in told, "one that found a leak is not done"
    assert "leak-found/site" in told
    last = next(n for n in store.notices(50) if n.key == "leak-found/site")
    assert (last.what, last.severity) == ("raised", "Severe")
    assert last.headline.startswith("Leak found 20 Jan 2031, not known to be mended: leave the valves closed")
    store.add_event(Event("undo", "site", NOW, NOW, {}, undoes=leak))
    assert "leak-found/site" not in rounds(site, store, 1), "a mistaken entry that was taken back leaves no alert"
    note(store, "leak-check", NOW - HOUR, result="leak")
    assert "leak-found/site" in rounds(site, store, 1)
    note(store, "leak-check", NOW - HOUR / 2, result="tight")
    assert not {"leak-check/site", "leak-found/site"} & rounds(site, store, 1).keys()
    assert first == 1


def test_dates_of_the_record(site: Site, store: Store) -> None:
    assert dates(site, store.entries(), NOW).planned_refill is None
    note(store, PLANNED, NOW + timedelta(days=9))
    newest = note(store, PLANNED, NOW + timedelta(days=4))
    assert dates(site, store.entries(), NOW).planned_refill == NOW + timedelta(days=4)
    store.undo_event(newest, NOW)
    assert dates(site, store.entries(), NOW).planned_refill == NOW + timedelta(days=9)
    assert dates(site, store.entries(), NOW + timedelta(days=10)).planned_refill is None, "a day gone by is no plan"
    assert dates(site, [], NOW).requalify_by == {"A": datetime(2031, 3, 1, tzinfo=UTC)}


def test_a_fault_in_the_nights_costs_nothing_else(
    site: Site, store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(*_: object) -> dict[str, object]:
        raise ValueError("made up")

    monkeypatch.setattr(Quiet, "now", fails)
    known = know(store, site, gather(site, store, NOW), NOW)
    assert known.unexpected_kg_s == {}
    assert known.requalify_by
    assert "what is lost at night could not be worked out" in caplog.text


def test_nights_are_worked_out_twice_an_hour_at_most(site: Site, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[datetime] = []

    def ask(_site: Site, _readings: object, at: datetime, _air: object) -> dict[str, object]:
        asked.append(at)
        return {}

    monkeypatch.setattr("monitor.service.quiet.unexpected", ask)
    quiet = Quiet()
    for minutes in (0, 5, 29, 31, 20):
        quiet.now(site, store, NOW + timedelta(minutes=minutes))
    assert asked == [NOW, NOW + timedelta(minutes=31), NOW + timedelta(minutes=20)], "a clock set back starts anew"


def test_a_plan_that_was_entered_is_what_the_run_out_alert_and_the_plan_speak_of(
    site: Site, store: Store, tmp_path: Path
) -> None:
    fill(site, store, leak_kg_h=0.0)
    options = _outlook.Options(None, None, (), None, None, tmp_path / "s.db", None)
    assert "run-out/site" not in rounds(site, store), "it lasts for weeks"
    assert _plan.intended(options, site, NOW) is None
    late = store.add_event(_record.entered(site, "planned-refill", None, {}, "2031-06-20 10:00", NOW))
    assert rounds(site, store)["run-out/site"] == "unacknowledged"
    (line,) = [n.headline for n in store.notices(50) if n.key == "run-out/site"]
    assert "before the refill planned for" in line
    assert "20 Jun" in line
    assert _plan.intended(options, site, NOW) == datetime(2031, 6, 20, 15, tzinfo=UTC)
    store.undo_event(late, NOW)
    store.add_event(_record.entered(site, "planned-refill", "a", {}, "tomorrow", NOW))
    assert _plan.intended(options, site, NOW) is None, "one cylinder's refill is not the site's"
    store.add_event(_record.entered(site, "planned-refill", None, {}, "tomorrow", NOW))
    assert _plan.intended(options, site, NOW) == datetime(2031, 1, 22, 0, tzinfo=UTC)
    levels = Levels().now(site, store, NOW, None).levels
    made = outlook.make(site, gather(site, store, NOW).forecast, levels, NOW)
    out = Console(file=io.StringIO(), width=100)
    found = plan(site, levels, made.hours, stated(site, made), NOW)
    _plan.print_plan(out, site, made, found, datetime(2031, 1, 22, 0, tzinfo=UTC))
    assert "You plan to go on Tue 21 Jan at 18:00." in out.file.getvalue()  # type: ignore[attr-defined]


def test_weights_far_above_full_are_set_aside_and_raise_the_alert_until_one_can_be(site: Site, store: Store) -> None:
    fill(site, store, leak_kg_h=0.0)
    cylinder, scale = site.cylinder("A"), next(s for s in site.sensors if s.quantity == "gross_weight")
    assert scale.subject == "A"
    for k in range(4):
        sent = Sent(cylinder.tare_kg + 1.15 * cylinder.full_kg, "kg")
        aside = decode.to_reading(scale, site, sent, NOW + k * HOUR - HOUR / 2)
        assert isinstance(aside, SetAside)
        store.add_set_aside(aside)
    assert rounds(site, store)["overfilled/A"] == "unacknowledged"
    notice = next(n for n in store.notices(50) if n.key == "overfilled/A")
    assert (notice.severity, notice.what) == ("Severe", "raised")
    assert "Do not bleed it yourself" in notice.body
    store.add_readings([Reading(NOW + 6 * HOUR, NOW + 6 * HOUR, "A", Quantity.GROSS_WEIGHT, cylinder.tare_kg, "hand")])
    facts = gather(site, store, NOW + 6 * HOUR)
    assert know(store, site, facts, NOW + 6 * HOUR).overfull == {}


def test_a_cylinder_that_came_in_exchange_has_none_of_the_old_one_s_nights(site: Site, store: Store) -> None:
    fill(site, store, leak_kg_h=0.1)
    quiet = Quiet()
    before = quiet.now(site, store, NOW)
    assert before["A"].kg_s > 4.0 * before["A"].sd_kg_s
    assert before["A"].nights >= 4
    store.add_event(Event("exchange", "A", NOW - HOUR, NOW, {}))
    after = quiet.now(site, store, NOW + timedelta(minutes=1))
    assert "A" not in after, "the old one's nights, and no night of its own yet"
    assert "site" not in after
    assert after["B"] == before["B"]
    assert "unexpected-draw/A" not in rounds(site, store)
