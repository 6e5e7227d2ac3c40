"""Whatever comes in, the outlook gives an answer or None: never NaN, never an exception."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor import outlook
from monitor.model.reading import LEVEL_QUANTITIES, Quantity, Reading
from monitor.outlook import level
from tests.outlook.test_level import site as level_site
from tests.outlook.test_make import AT, forecast, levels, site

CALM = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@CALM
@given(
    air=st.lists(st.one_of(st.just(float("nan")), st.floats(-60, 45)), min_size=1, max_size=40),
    a=st.one_of(st.none(), st.floats(0, 19)),
    b=st.one_of(st.none(), st.floats(0, 19)),
    use=st.one_of(st.none(), st.floats(0, 40)),
    shift=st.integers(-30, 45),
    shut=st.booleans(),
    feed=st.sampled_from(["together", "changeover"]),
)
def test_any_outlook_is_json_without_nan(
    air: list[float], a: float | None, b: float | None, use: float | None, shift: int, shut: bool, feed: str
) -> None:
    where = site(feed=feed)
    where = replace(where, cylinders=(replace(where.cylinders[0], valve_open=not shut), where.cylinders[1]))
    rate = None if use is None else use / 86_400
    made = outlook.make(where, forecast(air), levels(a, b), AT + timedelta(hours=shift), use_kg_s=rate)
    told = json.loads(json.dumps(outlook.jsonable(made, where), allow_nan=False))
    first = max(AT + timedelta(hours=shift), AT - timedelta(hours=240))
    assert len(told["hours"]) == max(0, len(air) - int((first - AT) / timedelta(hours=1)))
    for hour in made.hours:
        if hour.air_k is None:
            assert hour.uncovered is None
            assert hour.hold_s is None
        assert sum(hour.charge_kg.values()) <= (a or 0.0) + (b or 0.0) + 1e-9


@CALM
@given(cooler=st.floats(0.5, 15), base=st.floats(-25, 10))
def test_colder_air_never_carries_more(cooler: float, base: float) -> None:
    warm = outlook.make(site(), forecast(np.full(24, base)), levels(9, 6), AT)
    cold = outlook.make(site(), forecast(np.full(24, base - cooler)), levels(9, 6), AT)
    for w, c in zip(warm.hours, cold.hours, strict=True):
        assert w.hold_s is not None
        assert c.hold_s is not None
        assert c.hold_s <= w.hold_s + 1.0
        assert (c.headroom_w or 0.0) <= (w.headroom_w or 0.0) + 1.0
        assert w.uncovered is not True or c.uncovered is True


@CALM
@given(
    data=st.lists(
        st.tuples(
            st.floats(-400, 10),
            st.sampled_from(sorted(LEVEL_QUANTITIES)),
            st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True), st.floats(0, 40)),
            st.sampled_from(["scale", "manual", "other"]),
            st.sampled_from(["A", "B", "nobody"]),
            st.booleans(),
        ),
        max_size=25,
    )
)
def test_any_readings_give_levels_within_the_cylinder(
    data: list[tuple[float, Quantity, float | None, str, str, bool]],
) -> None:
    at = datetime(2026, 1, 10, 12, tzinfo=UTC)
    readings = []
    for hours, quantity, value, source, subject, aged in data:
        time = at + timedelta(hours=hours)
        readings.append(Reading(time, time, subject, quantity, value, source, age_known=aged))
    where = level_site(2)
    for found, cylinder in zip(level.estimate(where, readings, at), where.cylinders, strict=True):
        assert 0.0 <= found.left_kg <= 1.1 * cylinder.full_kg
        assert np.isfinite(found.sd_kg)
        assert found.sd_kg > 0.0
        assert np.isfinite(found.burn_kg_s)
        assert found.burn_kg_s >= 0.0
