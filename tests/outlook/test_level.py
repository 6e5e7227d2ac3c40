"""The level from readings: plain cases that a person can check, and what must not go wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from monitor.model.reading import Quantity, Reading
from monitor.model.site import Appliance, Cylinder, Site, Supply
from monitor.outlook import level

AT = datetime(2026, 1, 10, 12, tzinfo=UTC)
TARE = 13.0


def site(count: int = 2, **supply: object) -> Site:
    cylinders = tuple(Cylinder(n, 43.2, TARE, 0.3175, 18.14) for n in "ABCD"[:count])
    return Site(
        "Invented",
        45.0,
        0.0,
        "UTC",
        cylinders,
        (Appliance("Range", 19_049.0, 3600.0),),
        Supply(**supply),  # type: ignore[arg-type]
    )


def weighed(hours_ago: float, left: float, cylinder: str = "A", source: str = "manual", **more: object) -> Reading:
    time = AT - timedelta(hours=hours_ago)
    return Reading(time, time, cylinder, Quantity.GROSS_WEIGHT, left + TARE, source, **more)  # type: ignore[arg-type]


def test_one_weighing_gives_its_value_and_says_where_it_comes_from() -> None:
    a, b = level.estimate(site(), [weighed(2, 10.0)], AT)
    assert a.left_kg == pytest.approx(10.0, abs=0.1)
    assert 0.1 < a.sd_kg < 0.5
    assert a.reading_time == AT - timedelta(hours=2)
    assert a.basis == "weighed 2 h ago"
    assert b.left_kg == 0.0
    assert b.reading_time is None
    assert b.basis == "no reading: assumed empty"


def test_no_reading_at_all_is_not_a_level() -> None:
    assert [x.reading_time for x in level.estimate(site(), [], AT)] == [None, None]


def test_readings_after_at_and_corrected_ones_do_not_count() -> None:
    wrong = weighed(3, 17.0, id=7)
    right = weighed(3, 9.0, id=8, corrects=7)
    later = weighed(-2, 3.0)
    (a,) = level.estimate(site(1), [later, wrong, right], AT)
    assert a.left_kg == pytest.approx(9.0, abs=0.15)


def test_order_does_not_matter() -> None:
    rng = np.random.default_rng(5)
    readings = [weighed(h, 15.0 - 0.01 * (200 - h) + rng.normal(0, 0.1), source="scale") for h in range(200, 0, -1)]
    shuffled = [readings[i] for i in rng.permutation(len(readings))]
    assert level.estimate(site(1), readings, AT) == level.estimate(site(1), shuffled, AT)


def test_the_burn_is_found_and_shared_by_those_that_feed() -> None:
    """Both cylinders feed alike and only A is weighed: B, weighed once, falls with it, less and less surely."""
    readings = [weighed(h, 17.0 - 0.01 * (480 - h), source="scale") for h in range(480, 0, -1)]
    readings.append(weighed(479, 17.0, "B"))
    a, b = level.estimate(site(), readings, AT)
    assert a.left_kg == pytest.approx(12.2, abs=0.15)
    assert (a.burn_kg_s + b.burn_kg_s) * 86_400 == pytest.approx(0.48, rel=0.1)
    assert b.left_kg == pytest.approx(12.2, abs=0.8)
    assert b.sd_kg > 2 * a.sd_kg
    assert "use since then estimated" in b.basis


def test_a_shut_cylinder_does_not_fall() -> None:
    shut = site()
    shut = replace(shut, cylinders=(shut.cylinders[0], replace(shut.cylinders[1], valve_open=False)))
    readings = [weighed(h, 17.0 - 0.01 * (480 - h), source="scale") for h in range(480, 0, -1)]
    readings.append(weighed(479, 15.0, "B"))
    _, b = level.estimate(shut, readings, AT)
    assert b.left_kg == pytest.approx(15.0, abs=0.1)
    assert b.burn_kg_s == 0.0


def test_changeover_draws_from_the_service_side() -> None:
    base = site(2, feed="changeover")
    base = replace(base, cylinders=(base.cylinders[0], replace(base.cylinders[1], side="reserve")))
    readings = [weighed(h, 17.0 - 0.01 * (240 - h), source="scale") for h in range(240, 0, -1)]
    readings.append(weighed(239, 16.0, "B"))
    a, b = level.estimate(base, readings, AT)
    assert a.burn_kg_s > 0.0
    assert b.burn_kg_s == 0.0
    assert b.left_kg == pytest.approx(16.0, abs=0.1)


def test_spikes_do_not_move_it() -> None:
    readings = [weighed(h, 12.0 - 0.004 * (300 - h), source="scale") for h in range(300, 0, -1)]
    clean = level.estimate(site(1), readings, AT)[0].left_kg
    for k, value in ((50, 35.0), (120, 1.0), (200, 0.0), (250, 17.5), (298, 2.0)):
        readings[k] = replace(readings[k], value=value + TARE)
    assert level.estimate(site(1), readings, AT)[0].left_kg == pytest.approx(clean, abs=0.1)


def test_a_refill_is_seen_by_the_second_reading() -> None:
    rng = np.random.default_rng(1)
    before = [weighed(h, 4.0 + rng.normal(0, 0.1), source="scale") for h in range(100, 2, -1)]
    one = level.track(site(1), [*before, weighed(2, 17.9, source="scale")], AT - timedelta(hours=2))
    assert one.events == []
    assert one.level(0)[0] == pytest.approx(4.0, abs=0.3)
    two = level.track(site(1), [*before, weighed(2, 17.9, source="scale"), weighed(1, 17.8, source="scale")], AT)
    assert [(e.kind, round(e.after_kg)) for e in two.events] == [("refill", 18)]
    assert two.level(0)[0] == pytest.approx(17.85, abs=0.2)


def test_a_refill_told_by_hand_counts_at_once() -> None:
    readings = [weighed(24 * d, 9.0 - 0.2 * (30 - d)) for d in (30, 23, 16, 9)]
    tracked = level.track(site(1), [*readings, weighed(1, 18.0)], AT)
    assert [e.kind for e in tracked.events] == ["refill"]
    assert tracked.level(0)[0] == pytest.approx(18.0, abs=0.3)


def test_a_retained_reading_of_unknown_age_feeds_no_rate() -> None:
    readings = [weighed(h, 10.0, source="scale") for h in (80, 60, 40)]
    aged = level.track(site(1), [*readings, weighed(1, 9.4, source="scale", age_known=True)], AT).burn()
    ageless = level.track(site(1), [*readings, weighed(1, 9.4, source="scale", age_known=False)], AT).burn()
    without = level.track(site(1), readings, AT).burn()
    assert ageless[0] == pytest.approx(without[0], rel=0.02)
    assert abs(aged[0] - without[0]) > abs(ageless[0] - without[0])


def test_the_interval_grows_without_readings_and_the_level_falls_by_the_habit() -> None:
    readings = [weighed(24 * 10, 12.0)]
    early = level.estimate(site(1), readings, AT - timedelta(days=9))[0]
    late = level.estimate(site(1), readings, AT)[0]
    assert late.left_kg < early.left_kg < 12.0
    assert late.sd_kg > 2 * early.sd_kg


def test_a_valve_reading_shuts_a_cylinder() -> None:
    def valve(hours_ago: float, value: float) -> Reading:
        time = AT - timedelta(hours=hours_ago)
        return Reading(time, time, "B", Quantity.VALVE, value, "manual")

    assert [c.valve_open for c in level.with_valves(site(), [valve(5, 0.0)], AT).cylinders] == [True, False]
    assert [c.valve_open for c in level.with_valves(site(), [valve(5, 0.0), valve(2, 1.0)], AT).cylinders] == [
        True,
        True,
    ]


@pytest.mark.parametrize("value", [None, float("nan"), float("inf"), 1e12, -50.0])
def test_bad_values_reach_no_level(value: float | None) -> None:
    readings = [weighed(h, 12.0, source="scale") for h in range(60, 1, -1)]
    good = level.estimate(site(1), readings, AT)[0]
    time = AT - timedelta(hours=1)
    bad = Reading(time, time, "A", Quantity.GROSS_WEIGHT, value, "scale")
    assert level.estimate(site(1), [*readings, bad], AT)[0].left_kg == pytest.approx(good.left_kg, abs=0.05)


def test_a_temperature_drift_of_a_scale_is_taken_out() -> None:
    """The scale swings by 0.6 kg from night to day; nothing is burnt. With the air known the swing goes away."""
    hours = np.arange(24 * 20)
    times = [AT - timedelta(hours=int(h)) for h in hours[::-1]]
    air = 275.0 + 10.0 * np.sin(2 * np.pi * hours / 24.0)
    liquid = level.liquid_k((times, list(air)), np.array([level.days(t) for t in times]))
    readings = [
        Reading(t, t, "A", Quantity.GROSS_WEIGHT, TARE + 12.0 + 0.03 * float(k - 275.0), "scale")
        for t, k in zip(times, liquid, strict=True)
    ]
    found = level.observations(site(1), readings, (times, list(air)))
    errors = []
    with_air = level.tracker(site(1))
    for seen in found:
        with_air.add(seen)
        errors.append(with_air.level(0)[0] - 12.0)
    plain = [seen.kg - 12.0 for seen in found]
    assert np.std(errors[240:]) < 0.5 * np.std(plain[240:])


def gauge(hours_ago: float, share: float, source: str = "manual") -> Reading:
    time = AT - timedelta(hours=hours_ago)
    return Reading(time, time, "A", Quantity.GAUGE_PERCENT, share, source)


def test_a_coarse_gauge_alone_does_not_overrule_a_weighing() -> None:
    # 60 % of the volume would be 13.3 kg: a float gauge that is off, or a filling that nobody entered?
    weighing = weighed(28, 10.0)
    a, _ = level.estimate(site(), [weighing, gauge(2, 0.60)], AT)
    assert a.left_kg == pytest.approx(9.8, abs=0.6)
    assert "waits for a second one" in a.basis
    for second in (gauge(1, 0.60), weighed(1, 13.4)):  # a second reading of either kind settles it
        b, _ = level.estimate(site(), [weighing, gauge(2, 0.60), second], AT)
        assert b.left_kg == pytest.approx(13.3, abs=0.5)


def test_a_gauge_counts_at_once_where_nothing_finer_told() -> None:
    a, _ = level.estimate(site(), [gauge(300, 0.20), gauge(2, 0.79)], AT)
    assert a.left_kg > 16.0
