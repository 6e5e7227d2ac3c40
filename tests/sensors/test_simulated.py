"""Simulated sensors of every kind: true to their world through the real decoding, the same for the same seed."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

import pytest

from monitor.model.reading import Quantity, Reading
from monitor.sensors import payload
from monitor.sensors.simulated import Household, Sender, SimulatedSource, true_value
from monitor.service.clock import FastClock, SteppedClock
from tests.sensors.scene import AT, Caught, site, spec
from tests.sensors.test_decode import EACH
from tests.support.broker import wait_for


def air_k(at: datetime) -> float:
    return 268.15 + 8.0 * math.sin(at.timestamp() / 86_400 * 2 * math.pi)


WORLD = Household(
    AT, {"A": 10.0, "B": 15.0}, {"A": 1.2, "B": 0.5}, air_k, refills=((AT + timedelta(days=3), "A", 18.0),)
)


def test_the_world_burns_at_meals_and_is_refilled() -> None:
    assert WORLD.left_kg("A", AT) == pytest.approx(10.0)
    assert WORLD.left_kg("A", AT + timedelta(days=1)) == pytest.approx(8.8)
    assert WORLD.left_kg("A", AT + timedelta(hours=6)) == pytest.approx(WORLD.left_kg("A", AT + timedelta(hours=4)))
    assert WORLD.left_kg("A", AT + timedelta(days=3)) == 18.0
    assert WORLD.left_kg("A", AT + timedelta(days=60)) == 0.0


@pytest.mark.parametrize(("quantity", "unit", "_sent", "_si"), EACH)
@pytest.mark.parametrize("subject", ["A", "B"])
def test_every_quantity_both_ways(quantity: str, unit: str, _sent: float, _si: float, subject: str) -> None:
    more: dict[str, Any] = {"pointer": "/a/b", "time_pointer": "/t"} if subject == "A" else {}
    one = spec(quantity, unit=unit, subject=subject, way="simulated", scale=0.5, offset=2.0, **more)
    where = site(one)
    for hours in (0, 30, 100):
        at = AT + timedelta(hours=hours)
        data = Sender(one, where, WORLD).send(at)
        assert data is not None
        found = payload.readings(one, where, data, at)[0]
        assert isinstance(found, Reading), found
        assert found.value == pytest.approx(true_value(one, where, WORLD, at), rel=1e-6, abs=1e-6)
        assert found.time == at


def test_noise_drop_outs_spikes_drift_and_step_follow_the_seed() -> None:
    options = {"drop_outs": 0.1, "spikes": 0.02, "drift": 0.05, "step": 0.1}
    one = spec(way="simulated", noise=0.2, options=options)
    where = site(one)
    times = [AT + timedelta(minutes=10 * k) for k in range(2000)]
    first, second = ([s.send(at) for at in times] for s in (Sender(one, where, WORLD), Sender(one, where, WORLD)))
    assert first == second
    assert first != [Sender(one, where, WORLD, seed=1).send(at) for at in times]
    assert 0.07 < first.count(None) / len(first) < 0.13
    off = [
        float(data) - true_value(one, where, WORLD, at) - 0.05 * (at - AT) / timedelta(days=1)
        for data, at in zip(first, times, strict=True)
        if data is not None
    ]
    calm = sorted(abs(x) for x in off)[: int(0.95 * len(off))]
    assert 0.1 < (sum(x * x for x in calm) / len(calm)) ** 0.5 < 0.25
    assert 0.01 < sum(abs(x) > 2.0 for x in off) / len(off) < 0.04
    assert all(round(float(d) * 10) == pytest.approx(float(d) * 10) for d in first if d is not None)


def test_the_source_keeps_its_intervals_and_sets_aside_what_a_spike_makes_impossible() -> None:
    fast = spec(name="fast", way="simulated", interval_s=600.0)
    wild = spec(name="wild", way="simulated", interval_s=3600.0, options={"spikes": 1.0}, noise=2.0)
    caught = Caught()
    clock = SteppedClock(AT)
    source = SimulatedSource(site(fast, wild), WORLD, caught.reading, caught.set_aside, caught.tell, clock, seed=3)
    for _ in range(24 * 6):
        source.round(clock.now())
        clock.set(clock.now() + timedelta(minutes=10))
    fasts = [r for r in caught.readings if r.source == "fast"]
    assert [r.time for r in fasts] == [AT + timedelta(minutes=10 * k) for k in range(144)]
    assert len(caught.values("wild")) + len(caught.aside) == 24
    assert caught.aside
    assert all("heavier than full" in a.reason or "far below" in a.reason for a in caught.aside)


def test_the_source_runs_on_a_fast_clock_and_stops_at_once() -> None:
    one = spec("air_temperature", way="simulated", subject="site", interval_s=60.0)
    caught = Caught()
    clock = FastClock(AT, 3600.0)
    source = SimulatedSource(site(one), WORLD, caught.reading, caught.set_aside, caught.tell, clock)
    source.start()
    wait_for(lambda: len(caught.readings) > 20)
    source.stop()
    count = len(caught.readings)
    assert {r.quantity for r in caught.readings} == {Quantity.AIR_TEMPERATURE}
    assert caught.readings[1].time - caught.readings[0].time == timedelta(minutes=1)
    assert len(caught.readings) == count
