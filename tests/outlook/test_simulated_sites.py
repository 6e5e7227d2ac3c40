"""The level filter on invented sites whose truth is known: honest intervals, smaller errors, refills and faults seen.

Seeds here are none that the filter was tried on while it was written. The plain last reading is converted with the
liquid's temperature too, so that the comparison is about noise, not about gas laws.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from monitor.model.reading import Quantity, Reading
from monitor.outlook import level
from monitor.outlook.sensor_faults import faults
from monitor.outlook.tracker import Event
from tests.reference.simulated_sites import WAYS, Simulated, Way, simulate

Z90 = 1.6449


@dataclass
class Score:
    """What one site came to."""

    inside: list[bool]
    error: list[float]
    plain: list[float]
    white_kg: float  # true white noise of its readings
    offset_kg: float  # what does not average out, by its true mean
    delays: list[int]  # readings from each refill until it was noticed
    missed: int
    false: int


def _run(sim: Simulated) -> tuple[Score, list[Event]]:
    times = [sim.time(k) for k in range(len(sim.air_k))]
    seen = level.observations(sim.site, sim.readings, (times, list(sim.air_k)))
    filter_ = level.tracker(sim.site)
    start = level.days(times[0])
    count = len(sim.site.cylinders)
    last = np.full(count, np.nan)
    score = Score([], [], [], 0.0, 0.0, [], 0, 0)
    full = filter_.feed.full_kg
    noise: list[float] = []
    events: list[Event] = []  # as they were told at the time, those taken back later too
    j = 0
    for k in range(len(times)):
        while j < len(seen) and seen[j].time_d <= start + k / 24 + 1e-9:
            told = filter_.add(seen[j])
            events += [told] if told is not None else []
            last[seen[j].cylinder] = seen[j].kg
            noise.append(seen[j].kg - sim.left_kg[k, seen[j].cylinder])
            j += 1
        filter_.advance(start + k / 24)
        for i in np.flatnonzero(np.isfinite(last)):
            left, sd = filter_.level(int(i))
            truth = sim.left_kg[k, i]
            score.inside.append(max(left - Z90 * sd, 0.0) <= truth <= left + Z90 * sd)
            score.error.append(abs(left - truth))
            score.plain.append(abs(min(max(last[i], 0.0), 1.1 * full[i]) - truth))
    score.white_kg = float(np.median(np.abs(np.diff(noise)))) / 0.954 if len(noise) > 50 else 0.0
    score.offset_kg = abs(float(np.median(noise)))
    _match(score, sim, events, [(o.cylinder, round((o.time_d - start) * 24)) for o in seen], start)
    return score, events


def _match(score: Score, sim: Simulated, events: list[Event], when: list[tuple[int, int]], start: float) -> None:
    """Pair refills with events."""
    left = [e for e in events if e.kind == "refill"]
    for hour, cylinder, _ in sim.refills:
        after = [h for c, h in when if c == cylinder and h >= hour]
        mine = [e for e in left if e.cylinder == cylinder and hour <= round((e.time_d - start) * 24) < hour + 216]
        if mine:
            noticed = round((mine[0].noticed_d - start) * 24)
            score.delays.append(sum(1 for h in after if h <= noticed))
            left.remove(mine[0])
        elif len(after) >= 2:
            score.missed += 1
    score.false = len(left)


def _scores(first_seed: int, each: int, days: int) -> dict[Way, list[Score]]:
    return {way: [_run(simulate(first_seed + s, way, days))[0] for s in range(each)] for way in WAYS}


def _check(scores: dict[Way, list[Score]]) -> None:
    everything = [s for part in scores.values() for s in part]
    inside = np.concatenate([s.inside for s in everything])
    assert 0.87 <= inside.mean() <= 0.93, f"90 % interval holds {inside.mean():.3f}"
    for way, part in scores.items():
        held = np.concatenate([s.inside for s in part]).mean()
        assert 0.83 <= held <= 0.97, f"{way}: 90 % interval holds {held:.3f}"
    number = {"noisy": 0, "good": 0}
    ratios = {"noisy": [0.0, 0.0], "good": [0.0, 0.0]}
    for s in everything:
        # no filter can take out what does not average out: noisy is a sensor whose noise is what is wrong with it
        kind = "noisy" if s.white_kg > 2.0 * s.offset_kg and s.white_kg > 0.1 else "good"
        number[kind] += 1
        ratios[kind][0] += float(np.mean(s.error))
        ratios[kind][1] += float(np.mean(s.plain))
    noisy, good = (ratios[k][0] / ratios[k][1] for k in ("noisy", "good"))
    print(
        number, f"coverage {inside.mean():.3f}; error over the plain last reading's: noisy {noisy:.2f}, good {good:.2f}"
    )
    assert noisy <= 0.5, f"noisy sensors: {noisy:.2f} of the plain last reading's error"
    assert good <= 1.0, f"good sensors: {good:.2f} of the plain last reading's error"
    delays = [d for s in everything for d in s.delays]
    late = sum(d > 2 for d in delays)
    missed = sum(s.missed for s in everything)
    print(f"{len(delays)} refills, {late} noticed after the second reading, {missed} missed")
    # a spike or a lost reading among the first two takes one more
    assert late <= 0.05 * len(delays)
    assert missed <= 0.02 * (len(delays) + missed) + 1
    assert sum(s.false for s in everything) <= 1


@pytest.mark.timeout(600)
def test_two_hundred_sites() -> None:
    _check(_scores(50_000, 50, 40))


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_two_hundred_sites_for_a_year() -> None:
    _check(_scores(60_000, 50, 365))


def _false_refills(first_seed: int, each: int) -> int:
    found = 0
    for way in WAYS:
        for seed in range(first_seed, first_seed + each):
            _, events = _run(simulate(seed, way, 365, refills=False))
            found += sum(e.kind == "refill" for e in events)
    return found


@pytest.mark.timeout(600)
def test_no_false_refill_in_eight_site_years() -> None:
    assert _false_refills(70_000, 2) == 0


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_at_most_one_false_refill_in_three_hundred_site_years() -> None:
    assert _false_refills(80_000, 75) <= 1


# -- sensors that go wrong ----------------------------------------------------------------------------------------


def _changed(sim: Simulated, source: str, from_hour: int, change: str, rng: np.random.Generator) -> list[Reading]:
    start = sim.time(from_hour)
    out, held = [], None
    for reading in sim.readings:
        if reading.source != source or reading.time < start or reading.value is None:
            out.append(reading)
            continue
        held = reading.value if held is None else held
        hours = (reading.time - start).total_seconds() / 3600.0
        if change == "stuck":
            out.append(replace(reading, value=held))
        elif change == "drift":
            out.append(replace(reading, value=reading.value + 0.04 * hours))
        elif change == "slow drift":
            out.append(replace(reading, value=reading.value - 0.004 * hours))
        elif change == "lost" and rng.random() < 0.3:
            out.append(reading)
        elif change == "noise":
            out.append(replace(reading, value=max(reading.value + rng.normal(0, 3.0), 0.0)))
    return out


def _named(sim: Simulated, readings: list[Reading]) -> dict[str, str]:
    times = [sim.time(k) for k in range(len(sim.air_k))]
    filter_ = level.track(sim.site, readings, times[-1], (times, list(sim.air_k)))
    return {f.sensor: f.kind for f in faults(filter_)}


SCALE_SEEDS = range(90_000, 90_012)


def test_good_sensors_are_not_named() -> None:
    named = [_named(sim, sim.readings) for way in WAYS for seed in SCALE_SEEDS for sim in [simulate(seed, way, 40)]]
    assert sum(bool(n) for n in named) <= 1, named


@pytest.mark.parametrize(
    ("change", "kinds"),
    [("stuck", {"stuck"}), ("drift", {"drifting"}), ("lost", {"dying"}), ("noise", {"dying"})],
)
def test_bad_sensors_are_named(change: str, kinds: set[str]) -> None:
    hits = 0
    for seed in SCALE_SEEDS:
        sim = simulate(seed, "scale", 40)
        named = _named(sim, _changed(sim, "scale A", 26 * 24, change, np.random.default_rng(seed)))
        hits += named.get("scale A") in kinds
        assert set(named) <= {"scale A"}, named
    assert hits >= 11, f"{hits} of 12"


def test_a_slow_drift_is_named_where_somebody_weighs_by_hand_each_week() -> None:
    hits = 0
    for seed in SCALE_SEEDS:
        sim = simulate(seed, "scale", 50)
        readings = _changed(sim, "scale A", 22 * 24, "slow drift", np.random.default_rng(seed))
        tare = sim.site.cylinders[0].tare_kg
        rng = np.random.default_rng(seed)
        for hour in range(90, len(sim.air_k), 168):
            value = float(sim.left_kg[hour, 0]) + tare + rng.normal(0, 0.15)
            time = sim.time(hour)
            readings.append(Reading(time, time, "A", Quantity.GROSS_WEIGHT, value, "manual"))
        named = _named(sim, readings)
        hits += named.get("scale A") == "drifting"
        assert set(named) <= {"scale A"}, named
    assert hits >= 11, f"{hits} of 12"
