"""The outlook: hours, gaps, what is uncovered and what is not known, against an independent hold time and by hand."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from monitor import outlook
from monitor.model.forecast import Forecast
from monitor.model.outlook import Outlook
from monitor.model.reading import Level
from monitor.model.site import BASES, Appliance, Cylinder, Site, Supply
from monitor.outlook import use
from tests.reference import second_reading

AT = datetime(2026, 1, 10, 0, tzinfo=UTC)
LB = 0.45359237
RANGE = Appliance("Range", 19_049.5, 3600.0)
WC, OD, TARE = 95.2 * LB, 12.5 * 0.0254, 29 * LB


def site(zone: str = "UTC", appliances: tuple[Appliance, ...] = (RANGE,), **supply: Any) -> Site:
    cylinders = tuple(Cylinder(n, WC, TARE, OD, 0.42 * WC) for n in "AB")
    return Site("Invented", 45.0, 0.0, zone, cylinders, appliances, Supply(**supply))


def levels(a: float | None, b: float | None, sd: float = 0.1, burn_kg_d: float = 0.0) -> tuple[Level, ...]:
    return tuple(
        Level(n, AT, kg or 0.0, sd, burn_kg_d / 2 / 86_400, 0.0, None if kg is None else AT, "weighed just now")
        for n, kg in (("A", a), ("B", b))
    )


def forecast(air_c: Any, start: datetime = AT, **more: Any) -> Forecast:
    air = np.atleast_2d(np.asarray(air_c, dtype=np.float64)) + 273.15
    zero = np.zeros(air.shape[1])
    more = {"wind_m_s": zero, "cloud": zero + 1.0, **more}
    return Forecast("test", start, start, start, air, **more)


def cold(hours: int = 48, air_c: float = -15.0) -> Forecast:
    return forecast(np.full(hours, air_c))


def test_one_entry_for_each_hour_to_the_end() -> None:
    made = outlook.make(site(), cold(48), levels(9, 9), AT + timedelta(hours=5, minutes=40))
    assert [h.time for h in made.hours] == [AT + timedelta(hours=k) for k in range(5, 48)]


def test_hold_time_is_that_of_an_independent_reading_of_the_model() -> None:
    """Constant air, floor basis: SciPy with CoolProp and an integrated solid, from rest at the air's temperature."""
    made = outlook.make(site(basis="floor"), cold(), levels(9, 4), AT)
    cylinders = [second_reading.Vertical(WC, OD, TARE) for _ in "AB"]
    floor_k = second_reading.saturation_k(101_325.0 + Supply().lowest_inlet_pa)
    expected, ends = second_reading.hold_s(cylinders, [9.0, 4.0], 11.9, 258.15, floor_k, RANGE.input_w)
    for hour in (0, 10, 47):
        assert made.hours[hour].hold_s == pytest.approx(expected, rel=0.005)
        assert made.hours[hour].hold_ends == ends


def test_uncovered_is_the_hold_time_against_the_stated_burn_in_the_hours_that_may_burn() -> None:
    made = outlook.make(site(), cold(48, -22.0), levels(4, 4), AT)
    for hour in made.hours:
        allowed = 5 <= hour.time.hour < 23
        assert hour.may_burn is allowed
        assert hour.hold_s is not None
        assert hour.uncovered is (allowed and hour.hold_s < 3600.0)
    assert [(s.start.hour, s.end.hour) for s in made.uncovered] == [(5, 23), (5, 23)]
    assert made.uncovered[0].why == "hold"
    assert made.uncovered[0].needed_hold_s == 3600.0


def test_a_sustained_shortfall_that_the_hold_covers_is_shown_and_not_uncovered() -> None:
    made = outlook.make(site(), cold(24, -8.0), levels(12, 12), AT)
    assert all(h.headroom_w is not None and h.headroom_w < 0 for h in made.hours)
    assert all(h.hold_s is not None and h.hold_s > 3600 for h in made.hours)
    assert made.uncovered == ()


def test_a_continuous_appliance_needs_the_sustained_capacity_at_every_hour() -> None:
    heater = Appliance("Heater", 6000.0, 3600.0, continuous=True)
    made = outlook.make(site(appliances=(heater,)), cold(24, -22.0), levels(3, 3), AT)
    assert all(h.may_burn for h in made.hours)
    capacity = made.hours[0].sustained_w["weather"]
    assert capacity is not None
    assert capacity < 6000.0
    assert all(h.uncovered for h in made.hours)
    assert [s.why for s in made.uncovered] == ["continuous"]
    warm = outlook.make(site(appliances=(heater,)), cold(24, 10.0), levels(9, 9), AT)
    assert warm.uncovered == ()


def test_a_gap_stays_a_gap() -> None:
    air = np.full(48, -10.0)
    air[20:26] = np.nan
    made = outlook.make(site(), forecast(air), levels(9, 9), AT)
    for k, hour in enumerate(made.hours):
        if 20 <= k < 26:
            assert hour.air_k is None
            assert hour.liquid_k is None
            assert hour.hold_s is None
            assert hour.headroom_w is None
            assert hour.uncovered is None
            assert set(hour.sustained_w.values()) == {None}
        else:
            assert hour.air_k == pytest.approx(263.15)
    assert made.hours[30].hold_s is not None
    assert len(made.hours) == 48


def test_hours_before_the_forecast_begins_are_gaps() -> None:
    made = outlook.make(site(), cold(10), levels(9, 9), AT - timedelta(hours=3))
    assert [h.air_k is None for h in made.hours] == [True] * 3 + [False] * 10


def test_a_forecast_that_has_ended_says_so() -> None:
    made = outlook.make(site(), cold(10), levels(9, 9), AT + timedelta(hours=11))
    assert made.hours == ()
    assert any("ended" in n for n in made.notes)


def test_without_a_forecast_fuel_is_still_told() -> None:
    made = outlook.make(site(), None, levels(9, 9, burn_kg_d=0.5), AT)
    assert made.hours == ()
    assert made.run_out is not None


def test_an_unknown_level_is_not_an_empty_cylinder_when_nothing_is_known() -> None:
    made = outlook.make(site(), cold(24, -22.0), levels(None, None), AT)
    assert all(h.uncovered is None and h.hold_s is None and h.headroom_w is None for h in made.hours)
    assert all(h.level_needed["chart"] is not None for h in made.hours)
    assert made.uncovered == ()
    assert made.run_out is None
    assert any("no level" in n for n in made.notes)


def test_one_known_level_counts_and_the_other_is_said_to_be_taken_as_empty() -> None:
    made = outlook.make(site(), cold(24), levels(9, None), AT)
    alone = outlook.make(site(), cold(24), levels(9, 0.0), AT)
    assert [h.hold_s for h in made.hours] == [h.hold_s for h in alone.hours]
    assert any("B: never read" in n for n in made.notes)


def test_every_valve_shut_is_uncovered() -> None:
    shut = replace(site(), cylinders=tuple(replace(c, valve_open=False) for c in site().cylinders))
    made = outlook.make(shut, cold(24), levels(9, 9), AT)
    assert all(h.uncovered is h.may_burn for h in made.hours)


def test_the_liquid_lags_the_air() -> None:
    air = np.concatenate([np.full(24, 5.0), np.full(24, -15.0)])
    made = outlook.make(site(), forecast(air), levels(15, 15), AT)
    step = [h.liquid_k - 273.15 for h in made.hours[23:30] if h.liquid_k is not None]
    assert step[1] > 0.0  # an hour after the drop the liquid is still warm
    assert all(a > b for a, b in itertools.pairwise(step[1:]))
    assert step[-1] > -15.0


def test_history_sets_the_start() -> None:
    times = [AT - timedelta(hours=k) for k in range(48, 0, -1)]
    warm = outlook.make(site(), cold(12), levels(15, 15), AT, history=(times, [278.15] * 48))
    cool = outlook.make(site(), cold(12), levels(15, 15), AT)
    assert warm.hours[0].liquid_k is not None
    assert warm.hours[0].liquid_k > 276.0
    assert cool.hours[0].liquid_k is not None
    assert cool.hours[0].liquid_k < 260.0
    earlier = outlook.make(
        site(),
        forecast(np.concatenate([np.full(30, 5.0), np.full(12, -15.0)]), AT - timedelta(hours=30)),
        levels(15, 15),
        AT,
    )
    assert earlier.hours[0].liquid_k == pytest.approx(warm.hours[0].liquid_k, abs=0.5)


def test_charges_stay_unless_there_is_a_use() -> None:
    still = outlook.make(site(), cold(48), levels(9, 9), AT)
    assert {tuple(h.charge_kg.values()) for h in still.hours} == {(9.0, 9.0)}
    used = outlook.make(site(), cold(49), levels(9, 6), AT, use_kg_s=2.4 / 86_400)
    assert sum(used.hours[48].charge_kg.values()) == pytest.approx(15.0 - 4.8)
    assert used.hours[48].charge_kg["A"] < 9.0
    fall_a, fall_b = 9.0 - used.hours[48].charge_kg["A"], 6.0 - used.hours[48].charge_kg["B"]
    assert fall_a > fall_b  # the fuller one has more wetted wall: levels draw closer
    dry = outlook.make(site(), cold(48), levels(0.5, 0.2), AT, use_kg_s=2.4 / 86_400)
    assert sum(dry.hours[-1].charge_kg.values()) == pytest.approx(0.0, abs=1e-9)
    assert all(min(h.charge_kg.values()) >= 0.0 for h in dry.hours)


def test_the_run_out_by_hand() -> None:
    """18 kg at 0.6 kg a day: thirty days, the odds on either side."""
    made = outlook.make(site(), cold(24), levels(9, 9), AT, use_kg_s=0.6 / 86_400)
    assert made.run_out is not None
    p10, p50, p90 = made.run_out.p10, made.run_out.p50, made.run_out.p90
    assert p10 is not None
    assert p50 is not None
    assert p90 is not None
    assert abs(p50 - (AT + timedelta(days=30))) < timedelta(minutes=1)
    assert p10 < p50 < p90


@pytest.mark.parametrize(
    ("zone", "start", "hours"),
    [
        ("America/Chicago", datetime(2026, 3, 8, 0, tzinfo=UTC), 48),  # clocks go forward at 08:00 UTC
        ("America/Chicago", datetime(2026, 11, 1, 0, tzinfo=UTC), 48),  # and back at 07:00 UTC
        ("Asia/Kathmandu", datetime(2026, 1, 5, 0, tzinfo=UTC), 30),
        ("Pacific/Auckland", datetime(2026, 4, 4, 0, tzinfo=UTC), 48),
        ("Pacific/Kiritimati", datetime(2026, 1, 5, 0, tzinfo=UTC), 30),
    ],
)
def test_hours_that_may_burn_follow_the_local_clock(zone: str, start: datetime, hours: int) -> None:
    from zoneinfo import ZoneInfo

    made = outlook.make(site(zone), forecast(np.full(hours, 0.0), start), levels(9, 9), start)
    assert len(made.hours) == hours
    for hour in made.hours:
        assert hour.may_burn is (5 <= hour.time.astimezone(ZoneInfo(zone)).hour < 23)


def test_on_the_day_clocks_change_one_hour_less_or_more_may_burn() -> None:
    forward = outlook.make(
        site("America/Chicago", (replace(RANGE, first_hour=0, last_hour=4),)),
        forecast(np.zeros(24), datetime(2026, 3, 8, 6, tzinfo=UTC)),
        levels(9, 9),
        datetime(2026, 3, 8, 6, tzinfo=UTC),
    )
    back = outlook.make(
        site("America/Chicago", (replace(RANGE, first_hour=0, last_hour=4),)),
        forecast(np.zeros(24), datetime(2026, 11, 1, 5, tzinfo=UTC)),
        levels(9, 9),
        datetime(2026, 11, 1, 5, tzinfo=UTC),
    )
    assert sum(h.may_burn for h in forward.hours) == 4 - 1 + 1  # 02:00 does not exist; the next midnight is in the day
    assert sum(h.may_burn for h in back.hours) == 4 + 1


def test_members_give_odds() -> None:
    air = np.array([np.full(24, c) for c in np.linspace(-30.0, 10.0, 21)])
    made = outlook.make(site(), forecast(air), levels(6, 6, sd=0.0), AT)
    single = [outlook.make(site(), forecast(row), levels(6, 6, sd=0.0), AT).hours[12].uncovered for row in air]
    share = sum(u is True for u in single) / len(single)
    assert made.hours[12].probability_uncovered == pytest.approx(share)
    assert 0.0 < share < 1.0
    assert made.hours[2].probability_uncovered == 0.0  # nothing may burn at night
    assert outlook.make(site(), cold(24), levels(6, 6), AT).hours[12].probability_uncovered is None


def test_an_unsure_level_spreads_the_odds() -> None:
    air = np.full((51, 24), -14.0)
    sure = outlook.make(site(), forecast(air), levels(4, 4, sd=0.0), AT).hours[12].probability_uncovered
    unsure = outlook.make(site(), forecast(air), levels(4, 4, sd=2.5), AT).hours[12].probability_uncovered
    assert sure in {0.0, 1.0}
    assert unsure is not None
    assert 0.1 < unsure < 0.9


def test_missing_cloud_and_wind_are_the_safe_side_and_said() -> None:
    plain = outlook.make(site(), forecast(np.full(24, -10.0), cloud=None, wind_m_s=None), levels(9, 9), AT)
    clear = outlook.make(site(), forecast(np.full(24, -10.0), cloud=np.zeros(24)), levels(9, 9), AT)
    assert [h.hold_s for h in plain.hours] == [h.hold_s for h in clear.hours]
    assert any("clear sky assumed" in n for n in plain.notes)
    assert any("calm assumed" in n for n in plain.notes)


@pytest.mark.parametrize("feed", ["together", "changeover"])
def test_changeover_and_unlike_cylinders(feed: str) -> None:
    base = site(feed=feed)
    small = Cylinder("B", 47.6 * LB, 18 * LB, 12.2 * 0.0254, 20 * LB, side="reserve")
    mixed = replace(base, cylinders=(base.cylinders[0], small))
    made = outlook.make(mixed, cold(30, -12.0), levels(9, 5, burn_kg_d=0.8), AT)
    assert all(h.hold_s is not None and h.liquid_k is not None for h in made.hours)
    last = made.hours[-1].charge_kg
    assert (last["B"] == 5.0) is (feed == "changeover")


def fixed_names(made: Outlook, where: Site) -> dict[str, Any]:
    return json.loads(json.dumps(outlook.jsonable(made, where), allow_nan=False))  # type: ignore[no-any-return]


def test_the_json_form_has_the_fixed_names_and_units() -> None:
    air = np.full(48, -22.0)
    air[40] = np.nan
    made = outlook.make(site(), forecast(air), levels(4, 4), AT, use_kg_s=0.4 / 86_400)
    told = fixed_names(made, site())
    assert {"at", "site", "demand_w", "hours", "uncovered", "run_out"} <= set(told)
    assert datetime.fromisoformat(told["at"]) == AT
    assert len(told["hours"]) == 48
    for hour in told["hours"]:
        assert {
            "time", "air_c", "liquid_c", "sustained_w", "headroom_w", "hold_s", "level_needed", "probability_uncovered"
        } <= set(hour)  # fmt: skip
        assert set(hour["sustained_w"]) == set(BASES) == set(hour["level_needed"])
    assert told["hours"][0]["air_c"] == pytest.approx(-22.0)
    assert told["hours"][40]["air_c"] is None
    assert told["hours"][40]["hold_s"] is None
    assert {"from", "to", "worst_time", "worst_headroom_w"} <= set(told["uncovered"][0])
    assert set(told["run_out"]) == {"p10", "p50", "p90"}


def test_nothing_known_is_null_not_nan() -> None:
    told = fixed_names(outlook.make(site(), None, levels(None, None), AT), site())
    assert told["run_out"] is None
    assert told["hours"] == []
    assert [x["left_kg"] for x in told["levels"]] == [None, None]


def test_worst_hour_is_the_one_with_the_least_headroom() -> None:
    air = np.full(24, -20.0)
    air[9] = -27.0
    made = outlook.make(site(), forecast(air), levels(4, 4), AT)
    (stretch,) = made.uncovered
    assert stretch.worst_time == AT + timedelta(hours=9)
    assert stretch.worst_headroom_w == made.hours[9].headroom_w
    assert stretch.worst_air_k == pytest.approx(246.15)


def test_learnt_use_sets_the_run_out_and_the_fall_by_hour() -> None:
    days = 90
    hours = np.zeros((7, 24))
    hours[:, 18] = 1.0
    log = use.DayLog(AT - timedelta(days=days), np.full(days, 0.6), np.full(days, np.nan), np.arange(days) % 7, hours)
    learnt = use.learn(log, 0.3, 0.3)
    made = outlook.make(site(), cold(72), levels(9, 9), AT, learnt=learnt)
    by_hour = [sum(h.charge_kg.values()) for h in made.hours]
    assert by_hour[18] == pytest.approx(18.0)
    assert by_hour[19] == pytest.approx(17.4, abs=0.05)
    assert by_hour[42] == pytest.approx(by_hour[19])
    assert made.run_out is not None
    assert made.run_out.p50 is not None
    assert abs((made.run_out.p50 - AT).days - 30) <= 2
    assert [f.subject for f in made.fuel] == ["supply", "A", "B"]
    usable = made.fuel[0].usable
    assert usable is not None
    assert usable.p50 is not None
    assert usable.p50 < made.run_out.p50
    assert any("learnt from 90 days" in n for n in made.notes)
    told = fixed_names(made, site())
    assert {"subject", "left_kg", "unusable_kg", "dry", "usable", "basis"} == set(told["fuel"][0])
    assert told["run_out"] == told["fuel"][0]["dry"]
    # a stated use goes before the learnt one
    stated = outlook.make(site(), cold(72), levels(9, 9), AT, learnt=learnt, use_kg_s=1.2 / 86_400)
    assert stated.fuel == ()
    assert stated.run_out is not None
    assert stated.run_out.p50 is not None
    assert (stated.run_out.p50 - AT).days == 15
