"""Headlines and bodies: the fact first, in the site's units and time, with basis, what to do and the caution."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from monitor.alerts import Known, cautions, conditions, kinds, when
from monitor.alerts.wording import LOCK_SCREEN, TEXTS, text
from monitor.model.alert import AlertState, Condition
from monitor.model.health import SourceHealth
from monitor.model.outlook import RunOut
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from tests.alerts.scene import NOW, SITE, health, level, outlook

H = timedelta(hours=1)
LEVELS = (level("A", 0.10), level("B", 0.20))
METRIC = replace(SITE, units="metric")


def everything_wrong(site: Site) -> dict[str, Condition]:
    """A condition of every kind that holds."""
    known = Known(
        readings=(
            Reading(NOW, NOW, "kitchen", Quantity.GAS_DETECTED, 1.0, "nose"),
            Reading(NOW, NOW, "A", Quantity.BATTERY, 0.1, "scale-a"),
        ),
        set_aside={"scale-a": 60},
        stuck_since={"scale-b": NOW - 90 * H},
        unexpected_kg_s={"A": 0.05 / 3600},
        air_gap_k=-6.0,
        requalify_by={"A": NOW + timedelta(days=30)},
        leak_checked=NOW - timedelta(days=400),
        leak_found=NOW - timedelta(days=2),
        official_warning="Extreme Cold Warning",
    )
    bad = {
        "a": SourceHealth("scale-a", "sensor", NOW - 99 * H, ok_at=NOW - 9 * H),
        "d": SourceHealth("disk", "disk", NOW, ok_at=NOW, value=0.03),
        "b": SourceHealth("broker", "broker", NOW - H, error="refused"),
        "m": SourceHealth("mail", "channel", NOW - H, error="535 wrong password", permanent=True),
        "f": SourceHealth("open-meteo", "forecast", NOW - H, error="answers 500"),
        "c": SourceHealth("clock", "clock", NOW, failed_at=NOW, error="stepped by 2 h", value=7200.0),
        "s": SourceHealth("service", "service", NOW, failed_at=NOW, error="the last run ended unclean", value=6.0),
    }
    bad["r"] = SourceHealth("radio", "radio", NOW - H, error="no adapter")
    made = outlook(
        {9: 1800.0, 10: 1320.0, 34: 600.0},
        levels=LEVELS,
        issued=NOW - 30 * H,
        run_out=RunOut(NOW + 24 * H, NOW + 70 * H, NOW + 90 * H),
    )
    levels = (level("A", 1.2, age=timedelta(days=20)), *LEVELS[1:])
    low = conditions(made, LEVELS, site, NOW, health(*bad.values()), known)
    over = conditions(made, levels, site, NOW, health(*bad.values()), known)
    return {c.kind: c for c in (*over, *low) if c.holds}


def put(c: Condition, site: Site = SITE, what: str = "raised", reason: str = "") -> tuple[str, str]:
    state = AlertState(c.key, c.kind, c.subject, "unacknowledged", NOW, raised=NOW - H)
    return text(site, what, c, state, reason or c.reason, NOW)  # type: ignore[arg-type]


def cold(site: Site = SITE, why: str = "hold") -> Condition:
    made = outlook({42: 1800.0, 43: 1320.0, 44: 1500.0}, levels=(level("A", 0.35), level("B", 0.7)), why=why)
    return next(c for c in conditions(made, LEVELS, site, NOW, health()) if c.kind == "cold-shortfall")


def test_every_kind_has_words_of_its_own() -> None:
    assert set(TEXTS) == set(kinds.KINDS)
    assert set(everything_wrong(SITE)) == set(kinds.KINDS)


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("kind", sorted(kinds.KINDS))
def test_every_kind_in_words(kind: str, units: str) -> None:
    site = SITE if units == "us" else METRIC
    c = everything_wrong(site)[kind]
    headline, body = put(c, site)
    assert 15 <= len(headline) <= LOCK_SCREEN
    assert "–" not in headline
    assert "None" not in body
    assert "nan" not in body.lower()
    assert "What to do:\n- " in body
    assert "How sure: " in body
    assert cautions.LOCAL in body
    assert "no gas detector" in body
    assert f"{kind}/{c.subject}" in body
    over, _ = put(c, site, "ended")
    assert over.startswith("Over: ")
    assert len(over) <= LOCK_SCREEN
    _, again = put(c, site, "updated", "more nights are concerned")
    assert "Why again: more nights are concerned." in again


def test_cold_headline_has_the_fact_first() -> None:
    headline, body = put(cold())
    assert headline == "Wed 02:00-05:00: full burners hold 22 of 60 min at 7 °F"
    assert "To carry everything at full without end A needs 62 %, has 35 %." in body
    assert "from rest that holds 22 min, you want 1 h" in body
    assert "short by 18,000 Btu/h (basis: weather)" in body
    assert "A 35 % (14.0 lb; weighed 1 h ago), B 70 % (28.0 lb; weighed 1 h ago)" in body
    assert "Forecast: open-meteo, issued Mon 07:00." in body
    assert "Fill or exchange A before Wed 02:00" in body
    assert cautions.WARMING in body
    assert cautions.SMELL in body


def test_cold_for_what_burns_without_end_in_metric() -> None:
    headline, body = put(cold(METRIC, "continuous"), METRIC)
    assert headline == "Wed 02:00-05:00: burners short by 5.3 kW at -14 °C; A needs 62 %, has 35 %"
    assert "it must burn without end" in body


@pytest.mark.parametrize("why", ["hold", "continuous"])
def test_where_no_level_helps_filling_is_no_cure(why: str) -> None:
    c = cold(why=why)
    headline, body = put(replace(c, facts={**c.facts, "level_needed": None}))
    assert "needs" not in headline
    assert "not even full cylinders carry everything at full without end" in body
    todo = body.split("What to do:\n")[1].split("\n\n")[0]
    assert todo.startswith("- Plan with fewer burners")
    assert "move the cooking" in todo
    assert "Fill or exchange" not in todo
    assert ("Filling does not cure this" in todo) is (why == "continuous")
    assert ("do not count on it" in todo) is (why == "hold")
    unknown = {k: v for k, v in c.facts.items() if k != "level_needed"}
    assert "Fill or exchange A" in put(replace(c, facts=unknown))[1]


def test_a_closed_cylinder_is_not_the_one_that_needs_more() -> None:
    c = cold(why="continuous")
    headline, _ = put(replace(c, facts={**c.facts, "open.A": False, "share.B": 0.5}))
    assert headline.endswith("; B needs 62 %, has 50 %")


def test_a_closed_valve_with_fuel_is_the_first_thing_to_do_and_has_its_caution() -> None:
    shut = replace(SITE, cylinders=(SITE.cylinders[0], replace(SITE.cylinders[1], valve_open=False)))
    _, body = put(cold(shut), shut)
    todo = body.split("What to do:\n")[1].splitlines()
    assert todo[0].startswith("- Open the valve of B")
    assert cautions.VALVE in todo[0]


def _todo(c: Condition, site: Site = SITE) -> list[str]:
    return put(c, site)[1].split("What to do:\n")[1].split("\n\n")[0].splitlines()


def test_opening_a_valve_comes_first_even_where_no_level_of_the_open_ones_helps() -> None:
    c = cold()
    shut = replace(c, facts={**c.facts, "open.B": False, "level_needed": None})
    assert _todo(shut)[0].startswith("- Open the valve of B so that it feeds as well.")
    assert "the open cylinders, even full, do not carry everything" in put(shut)[1]
    none = replace(shut, facts={**shut.facts, "open.A": False})
    assert "Every valve is marked closed: nothing feeds the house." in put(none)[1]
    assert "even full" not in put(none)[1]
    assert [line[:38] for line in _todo(none)] == ["- Open the valve of A and B so that th"]


def test_no_valve_is_to_be_opened_while_a_leak_is_not_known_to_be_mended() -> None:
    shut = replace(SITE, cylinders=(SITE.cylinders[0], replace(SITE.cylinders[1], valve_open=False)))
    made = outlook({42: 1800.0, 43: 1320.0}, levels=LEVELS)

    def told(known: Known, of: Site) -> str:
        found = conditions(made, LEVELS, of, NOW, health(), known)
        return "\n".join(_todo(next(c for c in found if c.kind == "cold-shortfall"), of))

    assert "Open the valve of B" in told(Known(), shut)
    leaky = told(Known(leak_found=NOW - H), shut)
    assert "Open the valve of B" not in leaky
    assert leaky.startswith("- Open no closed valve: a leak was found")
    assert "Open no closed valve" not in told(Known(leak_found=NOW - H), SITE)


def test_all_closed_and_nearly_empty_there_is_still_something_to_do() -> None:
    c = cold()
    facts = {**c.facts, "open.A": False, "open.B": False, "share.A": 0.05, "share.B": 0.08}
    todo = _todo(replace(c, facts=facts))
    assert todo[0].startswith("- Have A filled or exchanged.")
    assert todo[-1] == "- Until then cook without gas."


def test_a_full_cylinder_is_not_to_be_filled() -> None:
    c = cold()
    full = {**c.facts, "share.A": 1.0, "share.B": 0.95}
    for more in ({}, {"level_needed": None}):
        todo = "\n".join(_todo(replace(c, facts={**full, **more})))
        assert "Filling A" not in todo
        assert "exchange A" not in todo
        assert "urn" in todo.splitlines()[0] or "fewer burners" in todo.splitlines()[0]


def test_who_has_no_time_for_a_trip_is_not_given_a_time_that_is_past() -> None:
    c = cold()
    for start in (NOW - H, NOW + H):
        todo = "\n".join(_todo(replace(c, facts={**c.facts, "start": when.iso(start)})))
        assert "Fill or exchange A as soon as you can: more liquid" in todo


def test_a_cylinder_never_read_is_not_said_to_be_empty() -> None:
    unread = replace(level("B"), left_kg=0.0, reading_time=None, basis="no reading: assumed empty")
    made = outlook({42: 1800.0, 43: 1320.0}, levels=(level("A", 0.35), unread))
    c = next(c for c in conditions(made, LEVELS, SITE, NOW, health()) if c.kind == "cold-shortfall")
    body = put(c)[1]
    assert "B not known (never read)" in body
    assert "B 0 %" not in body
    assert "exchange B" not in body
    assert "- Weigh B: never read, so counted as empty." in body


def test_the_warming_caution_is_in_every_shortfall_notice() -> None:
    for kind in ("cold-shortfall", "low-fuel", "run-out"):
        _, body = put(everything_wrong(SITE)[kind])
        assert "Never warm a cylinder with a flame, a heater or hot water, and never bring one indoors." in body, kind


def test_odds_are_named_where_there_are_some() -> None:
    made = outlook({42: 1320.0}, odds={42: 0.35}, levels=LEVELS)
    c = next(c for c in conditions(made, LEVELS, SITE, NOW, health()) if c.kind == "cold-shortfall")
    assert "How sure: possible; the odds are 35 %." in put(c)[1]
    assert "without odds" in put(cold())[1]
    dates = put(everything_wrong(SITE)["run-out"])[1]
    assert "One chance in ten that it ends before" in dates
    assert "the dates above are its odds." in dates
    likely_fine = outlook(odds={42: 0.35}, levels=LEVELS)
    c = next(c for c in conditions(likely_fine, LEVELS, SITE, NOW, health()) if c.kind == "cold-shortfall")
    assert put(c)[0].startswith("Wed 02:00-03:00: odds of 35 % that full burners do not hold 60 min at about 35 °F")


def test_taken_out_of_service_is_not_all_clear() -> None:
    _, body = put(cold(), what="ended", reason="taken out of service by Kim")
    assert "does not mean that all is well" in body


def test_a_leak_that_is_not_watched_any_more_is_never_called_over_or_mended() -> None:
    leak = everything_wrong(SITE)["leak-found"]
    for reason in ("taken out of service by Kim: away", "watched no more: it is not in the site file now"):
        headline, body = put(leak, what="ended", reason=reason)
        assert headline.startswith("Not watched any more: leak not known to be mended. "), headline
        assert reason[1:] in headline
        assert "No leak" not in body
        assert "tight" not in body
        assert cautions.SMELL in body, "the caution goes with it"
    headline, _ = put(leak, what="ended", reason="no leak is open in the record")
    assert headline.startswith("Over: leak not known to be mended. No leak is open in the record")


@pytest.mark.parametrize(
    ("zone", "start", "end", "now", "expected"),
    [
        ("America/Chicago", "2026-01-08T08:00", "2026-01-08T14:00", "2026-01-05T14:00", "Thu 02:00-08:00"),
        ("America/Chicago", "2026-01-08T04:00", "2026-01-08T14:00", "2026-01-05T14:00", "Wed 22:00-Thu 08:00"),
        ("Europe/Berlin", "2026-01-18T01:00", "2026-01-18T07:00", "2026-01-05T14:00", "Sun 18 Jan 02:00-08:00"),
        # clocks go back on 1 November 2026 at 07:00 UTC in this zone: 01:00 comes twice
        ("America/Chicago", "2026-11-01T05:30", "2026-11-01T08:00", "2026-10-30T14:00",
         "Sun 00:30 (UTC-5)-02:00 (UTC-6)"),
        # and forward on 8 March 2026 at 08:00 UTC
        ("America/Chicago", "2026-03-08T07:00", "2026-03-08T09:00", "2026-03-06T14:00",
         "Sun 01:00 (UTC-6)-04:00 (UTC-5)"),
        ("Asia/Kolkata", "2026-01-08T08:00", "2026-01-08T14:00", "2026-01-05T14:00", "Thu 13:30-19:30"),
    ],
)  # fmt: skip
def test_times_are_local_and_clear(zone: str, start: str, end: str, now: str, expected: str) -> None:
    a, b, n = (datetime.fromisoformat(t).replace(tzinfo=UTC) for t in (start, end, now))
    assert when.span(a, b, zone, n) == expected
    assert ZoneInfo(zone)  # the zone tables are there


def test_the_same_local_hour_twice_is_told_apart() -> None:
    now = datetime(2026, 10, 31, 12, tzinfo=UTC)
    first, second = datetime(2026, 11, 1, 6, 30, tzinfo=UTC), datetime(2026, 11, 1, 7, 30, tzinfo=UTC)
    assert when.moment(first, "America/Chicago", now) == "Sun 01:30 (UTC-5)"
    assert when.moment(second, "America/Chicago", now) == "Sun 01:30 (UTC-6)"
