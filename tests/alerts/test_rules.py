"""What each rule finds, at, above and below its limits, and where it cannot judge."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from monitor.alerts import Known, conditions
from monitor.alerts.settings import DEFAULTS, HOUR
from monitor.model.alert import Condition
from monitor.model.health import SourceHealth
from monitor.model.outlook import RunOut
from monitor.model.reading import Quantity, Reading
from monitor.model.site import SensorSpec, Site
from monitor.site.settings import DEFAULTS as SITE_DEFAULTS
from tests.alerts.scene import NOW, SITE, health, level, outlook

H = timedelta(hours=1)
FULL = (level("A", 0.6), level("B", 0.6))


def find(key: str, *args: object, **kwargs: object) -> Condition:
    found = {c.key: c for c in conditions(*args, **kwargs)}  # type: ignore[arg-type]
    return found[key]


def test_the_defaults_are_those_of_the_site_file() -> None:
    assert {f"alerts.{k}": pytest.approx(v) if isinstance(v, float) else v for k, v in DEFAULTS.items()} == {
        f"alerts.{k}": SITE_DEFAULTS[f"alerts.{k}"] for k in DEFAULTS
    }


def test_all_is_well_holds_nothing() -> None:
    found = conditions(outlook(), FULL, SITE, NOW, health())
    assert [c.key for c in found if c.holds] == []
    assert {c.kind for c in found if c.holds is None} == {"run-out", "unexpected-draw", "air-disagrees",
                                                           "requalification", "leak-check"}  # fmt: skip
    assert len({c.key for c in found}) == len(found)


def test_cold_ahead() -> None:
    c = find("cold-shortfall/site", outlook({42: 1800.0, 43: 1320.0}), FULL, SITE, NOW, health())
    assert c.holds is True
    assert (c.severity, c.urgency, c.certainty) == ("Moderate", "Future", "Likely")
    assert c.facts["start"] == "2026-01-07T08:00Z"
    assert c.facts["end"] == "2026-01-07T10:00Z"
    assert c.facts["worst_time"] == "2026-01-07T09:00Z"
    assert c.facts["hold_s"] == 1320.0
    assert c.facts["needed_s"] == 3600.0


@pytest.mark.parametrize(
    ("hour", "severity", "urgency"),
    [(0, "Severe", "Immediate"), (2, "Severe", "Expected"), (24, "Severe", "Expected"), (25, "Moderate", "Future")],
)
def test_cold_by_how_soon(hour: int, severity: str, urgency: str) -> None:
    c = find("cold-shortfall/site", outlook({hour: 600.0}), FULL, SITE, NOW, health())
    assert (c.severity, c.urgency) == (severity, urgency)


def test_cold_beyond_what_is_told() -> None:
    far = replace(SITE, settings={"alerts.lead": 24 * HOUR})
    assert find("cold-shortfall/site", outlook({30: 600.0}), FULL, far, NOW, health()).holds is False
    early = Known(official_warning="Extreme Cold Warning")
    warned = find("cold-shortfall/site", outlook({30: 600.0}), FULL, far, NOW, health(), early)
    assert warned.holds is True
    assert warned.facts["official"] == "Extreme Cold Warning"


@pytest.mark.parametrize(
    ("hour", "odds", "holds", "band", "certainty"),
    [
        (30, 0.05, False, False, None),
        (30, 0.15, False, True, None),
        (30, 0.25, True, False, "Possible"),
        (30, 0.7, True, False, "Likely"),
        (60, 0.15, False, False, None),
        (60, 0.25, False, True, None),
        (60, 0.55, True, False, "Likely"),
    ],
)
def test_cold_by_odds(hour: int, odds: float, holds: bool, band: bool, certainty: str | None) -> None:
    c = find("cold-shortfall/site", outlook(odds={hour: odds}), FULL, SITE, NOW, health())
    assert c.holds is holds
    assert bool(c.facts.get("in_band")) is band
    if certainty:
        assert c.certainty == certainty
        assert c.facts["probability"] == odds


def test_short_of_fuel_is_not_short_in_the_cold() -> None:
    made = outlook({42: 600.0, 70: 0.0})
    ended = tuple(replace(h, hold_ends="fuel") if k >= 70 else h for k, h in enumerate(made.hours))
    unknown = replace(made, hours=ended)
    known = replace(unknown, run_out=RunOut(NOW + 50 * H, NOW + 60 * H, NOW + 70 * H))
    facts = find("cold-shortfall/site", unknown, FULL, SITE, NOW, health()).facts
    assert (facts["nights"], facts["hold_s"]) == (2, 0.0)
    facts = find("cold-shortfall/site", known, FULL, SITE, NOW, health()).facts
    assert (facts["nights"], facts["hold_s"]) == (1, 600.0)
    warm = replace(known, hours=tuple(replace(h, uncovered=False) if k == 42 else h for k, h in enumerate(ended)))
    c = find("cold-shortfall/site", warm, FULL, SITE, NOW, health())
    assert (c.holds, c.reason) == (False, "covered until the fuel ends")


def test_cold_with_gaps_is_not_all_clear() -> None:
    assert find("cold-shortfall/site", outlook(gaps=range(96)), FULL, SITE, NOW, health()).holds is None
    assert find("cold-shortfall/site", None, FULL, SITE, NOW, health()).holds is None
    past = outlook(now=NOW - timedelta(days=6))
    assert find("cold-shortfall/site", past, FULL, SITE, NOW, health()).holds is None


def test_cold_that_has_passed_is_over() -> None:
    made = outlook({2: 600.0})
    later = NOW + 3 * H
    assert find("cold-shortfall/site", made, FULL, SITE, later, health(now=later)).holds is False
    assert find("cold-shortfall/site", made, FULL, SITE, later - timedelta(minutes=1), health()).holds is True


@pytest.mark.parametrize(
    ("share", "holds", "band", "step", "severity"),
    [
        (0.26, False, False, 0, "Moderate"),
        (0.22, False, True, 0, "Moderate"),
        (0.20, True, False, 1, "Moderate"),
        (0.15, True, False, 2, "Moderate"),
        (0.05, True, False, 3, "Severe"),
        (0.0, True, False, 3, "Severe"),
    ],
)
def test_low_fuel(share: float, holds: bool, band: bool, step: int, severity: str) -> None:
    """20 % and 15 % of the fuel left over the open cylinders: common practice, no source."""
    c = find("low-fuel/site", outlook(), (level("A", share), level("B", share)), SITE, NOW, health())
    assert (c.holds, bool(c.facts.get("in_band")), c.facts["step"]) == (holds, band, step)
    assert c.facts["share"] == pytest.approx(share)
    if holds:
        assert c.severity == severity


def test_low_fuel_counts_open_cylinders_only() -> None:
    shut = replace(SITE, cylinders=(SITE.cylinders[0], replace(SITE.cylinders[1], valve_open=False)))
    levels = (level("A", 0.1), level("B", 1.0))
    assert find("low-fuel/site", outlook(), levels, SITE, NOW, health()).holds is False
    assert find("low-fuel/site", outlook(), levels, shut, NOW, health()).holds is True
    none = replace(SITE, cylinders=tuple(replace(c, valve_open=False) for c in SITE.cylinders))
    assert find("low-fuel/site", outlook(), levels, none, NOW, health()).holds is None


def test_low_fuel_without_a_reading_is_unknown() -> None:
    unread = replace(level("B", 0.0), reading_time=None)
    assert find("low-fuel/site", outlook(), (level("A", 0.1), unread), SITE, NOW, health()).holds is None
    assert find("level-old/B", outlook(), (level("A", 0.1), unread), SITE, NOW, health()).holds is True


def test_low_fuel_rests_on_the_sensors_when_all_are_silent() -> None:
    dead = health(SourceHealth("scale-a", "sensor", NOW - 9 * H, ok_at=NOW - 5 * H))
    levels = (level("A", 0.1, age=5 * H), level("B", 0.1, age=5 * H))
    assert "rests_on" not in find("low-fuel/site", outlook(), levels, SITE, NOW, dead).facts
    dead["scale-b"] = SourceHealth("scale-b", "sensor", NOW - 9 * H, ok_at=NOW - 5 * H)
    c = find("low-fuel/site", outlook(), levels, SITE, NOW, dead)
    assert c.facts["rests_on"] == "sensor-silent/scale-a\nsensor-silent/scale-b"
    empty = (level("A", 0.04, age=5 * H), level("B", 0.04, age=5 * H))
    assert "rests_on" not in find("low-fuel/site", outlook(), empty, SITE, NOW, dead).facts


@pytest.mark.parametrize(("minutes", "holds"), [(59, False), (61, True)])
def test_sensor_silent(minutes: int, holds: bool) -> None:
    entry = SourceHealth("scale-a", "sensor", NOW - 99 * H, ok_at=NOW - timedelta(minutes=minutes))
    c = find("sensor-silent/scale-a", outlook(), FULL, SITE, NOW, health(entry))
    assert c.holds is holds
    assert c.facts["rests_on"] == "broker-down/broker"


def test_a_sensor_never_heard_is_silent() -> None:
    board = health()
    del board["scale-a"]
    c = find("sensor-silent/scale-a", outlook(), FULL, SITE, NOW, board)
    assert c.holds is True
    assert c.facts["on_delay_s"] == 3600.0


@pytest.mark.parametrize(
    ("age", "holds", "severity"), [(11, False, "Minor"), (13, True, "Minor"), (25, True, "Moderate")]
)
def test_forecast_age(age: int, holds: bool, severity: str) -> None:
    c = find("forecast-stale/site", outlook(issued=NOW - age * H), FULL, SITE, NOW, health())
    assert (c.holds, c.severity) == (holds, severity)


def test_blind_on_the_eve_of_cold_is_urgent() -> None:
    """A day without a forecast: urgent where the last one saw odds of cold, or reaches ahead no more."""
    cold = outlook(odds={70: 0.12}, issued=NOW - 25 * H)
    mild = outlook(odds={70: 0.05}, issued=NOW - 25 * H)
    short = replace(mild, hours=mild.hours[:12])
    said = [find("forecast-stale/site", made, FULL, SITE, NOW, health()).severity for made in (cold, mild, short)]
    assert said == ["Severe", "Moderate", "Severe"]


def test_tonight_is_urgent_by_its_own_odds() -> None:
    far = find("cold-shortfall/site", outlook(odds={10: 0.3, 80: 0.8}), FULL, SITE, NOW, health())
    assert (far.severity, far.urgency, far.certainty) == ("Moderate", "Expected", "Likely")
    near = find("cold-shortfall/site", outlook(odds={10: 0.6, 80: 0.8}), FULL, SITE, NOW, health())
    assert near.severity == "Severe"


def test_no_forecast_at_all_is_told() -> None:
    none = replace(outlook(), forecast_issued=None, forecast_source=None)
    for made in (None, none):
        c = find("forecast-stale/site", made, FULL, SITE, NOW, health())
        assert (c.holds, c.severity) == (True, "Severe")


def test_sources_and_broker_and_channels() -> None:
    bad = {
        "f": SourceHealth("open-meteo", "forecast", NOW - H, error="500"),
        "b": SourceHealth("broker", "broker", NOW - H, error="refused"),
        "m": SourceHealth("mail", "channel", NOW - H, error="535 wrong password", permanent=True),
    }
    made = (outlook(), FULL, SITE, NOW, health(*bad.values()))
    assert find("sources-failing/site", *made).holds is True
    assert find("broker-down/broker", *made).holds is True
    assert find("delivery-failing/mail", *made).holds is True
    soft = health(SourceHealth("mail", "channel", NOW - H, error="421 later"))
    c = find("delivery-failing/mail", outlook(), FULL, SITE, NOW, soft)
    assert (c.holds, c.facts.get("in_band")) == (False, True)
    given_up = health(SourceHealth("mail", "channel", NOW - H, error="421 later", value=1.0))
    assert find("delivery-failing/mail", outlook(), FULL, SITE, NOW, given_up).holds is True


def test_overfilled_by_more_than_the_scale_errs() -> None:
    for share, sd, holds in ((1.05, 0.1, True), (1.05, 1.0, False), (1.02, 0.01, False), (0.99, 0.01, False)):
        levels = (level("A", share, sd=sd), level("B"))
        assert find("overfilled/A", outlook(), levels, SITE, NOW, health()).holds is holds


def test_run_out_with_and_without_a_plan() -> None:
    out = RunOut(NOW + timedelta(days=5), NOW + timedelta(days=8), NOW + timedelta(days=12))
    c = find("run-out/site", outlook(run_out=out), FULL, SITE, NOW, health())
    assert (c.holds, c.facts.get("in_band")) == (False, True)
    plan = Known(planned_refill=NOW + timedelta(days=6))
    c = find("run-out/site", outlook(run_out=out), FULL, SITE, NOW, health(), plan)
    assert (c.holds, c.certainty) == (True, "Possible")
    soon = RunOut(NOW + H, NOW + 20 * H, NOW + 40 * H)
    c = find("run-out/site", outlook(run_out=soon), FULL, SITE, NOW, health())
    assert (c.holds, c.severity, c.certainty) == (True, "Severe", "Likely")


def reading(quantity: Quantity, value: float | None, source: str = "nose", subject: str = "site") -> Reading:
    return Reading(NOW - H, NOW - H, subject, quantity, value, source)


def test_gas_detected() -> None:
    site: Site = replace(SITE, sensors=(*SITE.sensors, SensorSpec("nose", "mqtt", "site", "gas_detected", "x")))
    assert find("gas-detected/nose", outlook(), FULL, site, NOW, health()).holds is None
    for value, holds in ((1.0, True), (0.0, False), (None, None)):
        known = Known(readings=(reading(Quantity.GAS_DETECTED, value),))
        c = find("gas-detected/nose", outlook(), FULL, site, NOW, health(), known)
        assert (c.holds, c.severity) == (holds, "Extreme")


def test_what_sensors_say_of_themselves() -> None:
    known = Known(
        readings=(reading(Quantity.BATTERY, 0.1, "scale-a", "A"), reading(Quantity.BATTERY, 0.2, "scale-b", "B")),
        set_aside={"scale-a": 60},
        set_aside_reason={"scale-a": "heavier than full plus 5 %"},
        stuck_since={"scale-b": NOW - 90 * H},
        unexpected_kg_s={"A": 0.05 / HOUR, "B": 0.0},
        air_gap_k=-6.0,
        requalify_by={"A": NOW + timedelta(days=30), "B": NOW - timedelta(days=1)},
        leak_checked=NOW - timedelta(days=360),
    )
    found = {c.key: c for c in conditions(outlook(), FULL, SITE, NOW, health(), known)}
    holding = {k for k, c in found.items() if c.holds}
    assert holding == {
        "battery-low/scale-a", "sensor-implausible/scale-a", "sensor-stuck/scale-b", "unexpected-draw/A",
        "air-disagrees/site", "requalification/A", "requalification/B", "leak-check/site",
    }  # fmt: skip
    assert found["battery-low/scale-b"].facts["in_band"] is True
    assert found["requalification/B"].severity == "Moderate"


def test_the_machine() -> None:
    bad = {
        "d": SourceHealth("disk", "disk", NOW, ok_at=NOW, value=0.03),
        "c": SourceHealth("clock", "clock", NOW, failed_at=NOW, error="stepped by 2 h", value=7200.0),
        "s": SourceHealth("service", "service", NOW, failed_at=NOW, error="last run ended without notice", value=6.0),
    }
    found = {c.key: c for c in conditions(outlook(), FULL, SITE, NOW, health(*bad.values()))}
    for key in ("disk-filling/disk", "clock-wrong/clock", "restarting/service", "unclean-end/service"):
        assert found[key].holds is True, key


def test_parts_of_the_service_that_fail_are_told() -> None:
    bad = [
        SourceHealth("radio", "radio", NOW - H, error="no adapter"),
        SourceHealth("loop inputs", "loop", NOW - H, error="hangs"),
        SourceHealth("store", "store", NOW - H, ok_at=NOW),
        SourceHealth("site file", "site", NOW - H, error="cannot be read"),
        SourceHealth("page", "service", NOW - H, failed_at=NOW, error="address in use", value=9.0),
        SourceHealth("service", "service", NOW - H, ok_at=NOW, value=1.0),
    ]
    found = {
        c.subject: c.holds for c in conditions(outlook(), FULL, SITE, NOW, health(*bad)) if c.kind == "part-failing"
    }
    assert found == {"radio": True, "store": False, "site file": True, "page": True}


def test_kinds_can_be_switched_off_but_not_gas() -> None:
    off = replace(
        SITE,
        settings={"alerts.out_of_service": ("low-fuel", "gas-detected", "leak-found")},
        sensors=(*SITE.sensors, SensorSpec("nose", "mqtt", "site", "gas_detected", "x")),
    )
    kinds = {c.kind for c in conditions(outlook(), FULL, off, NOW, health())}
    assert "low-fuel" not in kinds
    assert {"gas-detected", "leak-found"} <= kinds


def test_a_leak_found_is_an_alert_of_its_own_and_the_check_stays_a_reminder() -> None:
    last = NOW - timedelta(days=400)
    for since, checked in ((None, None), (None, last), (NOW - H, None)):
        known = Known(leak_checked=checked, leak_found=since)
        c = find("leak-found/site", outlook(), FULL, SITE, NOW, health(), known)
        assert (c.holds, c.severity, c.urgency, c.certainty) == (since is not None, "Severe", "Immediate", "Observed")
        due = find("leak-check/site", outlook(), FULL, SITE, NOW, health(), known)
        assert (due.holds, due.severity) == (True if checked else None, "Minor" if checked else "Moderate")


def test_weights_far_above_full_running_are_an_overfill() -> None:
    for count, holds in ((2, False), (3, True)):
        known = Known(overfull={"A": (count, "90 lb: heavier than full plus 5 % (71 lb)")})
        c = find("overfilled/A", outlook(), FULL, SITE, NOW, health(), known)
        assert (c.holds, c.severity) == (holds, "Severe")


def test_no_forecast_at_hand_is_worse_than_an_old_one_in_mild_weather() -> None:
    mild = outlook(issued=NOW - 25 * H)
    old, none = (find("forecast-stale/site", made, FULL, SITE, NOW, health()) for made in (mild, None))
    assert (old.severity, none.severity) == ("Moderate", "Severe")
    assert none.rank - old.rank >= 1.0, "told at once"
