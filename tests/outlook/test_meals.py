"""Draws found in invented series whose draws are known.

The draws are ours; what is asserted follows from them and from the noise put in: the heating value is that of
NFPA 58's table of properties (commercial propane, gross), the rest is arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.outlook.meals import Found, Meal, meals

Series = NDArray[np.float64]
J_KG = 21_548 * 2_326.0
DAY_S = 86_400.0
WEEKS = 2
GRID = [(sd, every) for sd in (5, 20, 50, 150) for every in (1, 5, 15)]


@dataclass
class Tally:
    """What was found of what was there, over some weeks."""

    least_kg: float = 0.0
    there: int = 0
    found: int = 0
    large: int = 0  # clearly above what the sensor can tell
    large_found: int = 0
    false: int = 0
    mass: list[float] = field(default_factory=list)
    mass_z: list[float] = field(default_factory=list)
    start_s: list[float] = field(default_factory=list)
    start_z: list[float] = field(default_factory=list)


def times(rng: np.random.Generator, every_min: float, days: float = 7.0) -> Series:
    n = int(days * DAY_S / (60.0 * every_min))
    return np.asarray(np.arange(n) * 60.0 * every_min + rng.uniform(-5.0, 5.0, n), dtype=np.float64)


def burnt(time: Series, start: float, end: float, watts: float) -> Series:
    return np.asarray(watts / J_KG * (np.clip(time, start, end) - start), dtype=np.float64)


def household(rng: np.random.Generator, sd: float, every: float) -> tuple[Series, Series, list[tuple[float, ...]]]:
    """A week of three meals a day, 2-20 kW, 10-90 min, on a scale that drifts 30 g up and down in a day."""
    time = times(rng, every)
    kg = 15.0 + 0.03 * np.sin(2.0 * np.pi * time / DAY_S + rng.uniform(0.0, 6.3)) + rng.normal(0.0, sd, time.size)
    there: list[tuple[float, ...]] = []
    for day in range(7):
        for hour in (7, 12, 18):
            start = (day * 24 + hour + rng.uniform(-0.5, 0.5)) * 3600.0
            end = start + 60.0 * rng.uniform(10.0, 90.0)
            watts = float(np.exp(rng.uniform(np.log(2e3), np.log(2e4))))
            kg -= burnt(time, start, end, watts)
            there.append((start, end, watts * (end - start) / J_KG))
    return time, kg, there


def tally(sd_g: float, every: float) -> Tally:
    out = Tally()
    for seed in range(WEEKS):
        time, kg, there = household(np.random.default_rng(seed), sd_g / 1000.0, every)
        got = meals(time, kg, sd_g / 1000.0, least_kg=1.0)
        assert got.fine_enough
        out.least_kg = got.least_kg
        used: set[int] = set()
        for start, end, mass in there:
            large = mass >= 1.5 * got.least_kg
            out.there += 1
            out.large += large
            hit = [i for i, m in enumerate(got.meals) if m.start_s < end + 900.0 and m.end_s > start - 900.0]
            used.update(hit[:1])
            if hit:
                m = got.meals[hit[0]]
                out.found += 1
                out.large_found += large
                out.mass.append(m.kg - mass)
                out.mass_z.append((m.kg - mass) / m.sd_kg)
                out.start_s.append(m.start_s - start)
                out.start_z.append((m.start_s - start) / m.start_sd_s)
        out.false += len(got.meals) - len(used)
    return out


@pytest.mark.parametrize(("sd_g", "every"), GRID)
def test_what_is_found_and_how_well(sd_g: float, every: float) -> None:
    t = tally(sd_g, every)
    print(  # a table with -s
        f"{sd_g:4.0f} g {every:3.0f} min: least {t.least_kg:.3f} kg, found {t.found}/{t.there}, of the large "
        f"{t.large_found}/{t.large}, false a week {t.false / WEEKS:.2f}, mass rms {1000 * np.std(t.mass):.0f} g, "
        f"start median {np.median(np.abs(t.start_s)) / 60:.1f} min"
    )
    assert t.large_found == t.large > 5  # 1.5 x 5.5 sd: a miss would be a fluctuation of 2.75 sd
    assert t.false <= 1
    # Errors are as large as said: the 5-95 % band of a chi-square of 15 (the least found) is 0.7 to 1.3 of its root.
    assert 0.5 < np.sqrt(np.mean(np.square(t.mass_z))) < 1.5
    assert 0.4 < np.median(np.abs(t.start_z)) / 0.6745 < 1.7
    # Two rests, each just long enough that its mean is known to 5 g (1 to 4 hours), give this, were all else known.
    rest_min = np.clip(every * (sd_g / 5.0) ** 2, 60.0, 240.0)
    bound = sd_g / 1000.0 * np.sqrt(2.0 * every / rest_min)
    assert 0.5 * bound < np.std(t.mass) < 4.0 * bound + 0.003


@pytest.mark.parametrize("every", [1, 5, 15])
@pytest.mark.parametrize("sd_g", [5, 50])
def test_noise_and_drift_alone_are_no_draw(sd_g: float, every: float) -> None:
    """Four weeks in which nothing burns: 60 g up and down by day, and a creep either way."""
    found = 0
    for seed, creep in enumerate((-0.1, -0.05, 0.05, 0.1)):
        rng = np.random.default_rng(100 + seed)
        time = times(rng, every)
        kg = 9.0 + 0.06 * np.sin(2.0 * np.pi * time / DAY_S) + creep * time / DAY_S
        got = meals(time, kg + rng.normal(0.0, sd_g / 1000.0, time.size), sd_g / 1000.0, least_kg=1.0)
        assert got.fine_enough
        found += len(got.meals)
    assert found <= 1


def one(found: Found) -> Meal:
    assert len(found.meals) == 1, found
    return found.meals[0]


@pytest.mark.parametrize("minutes", [0.5, 12.0, 35.0])
@pytest.mark.parametrize("every", [1, 5])
def test_a_refill_is_no_draw_and_hides_none_before_or_after(minutes: float, every: float) -> None:
    rng = np.random.default_rng(5)
    time = times(rng, every, 1.0)
    kg = 4.0 + 9.0 * np.clip((time - 40_000.0) / (60.0 * minutes), 0.0, 1.0) + rng.normal(0.0, 0.02, time.size)
    assert meals(time, kg, 0.02).meals == ()
    kg -= burnt(time, 25_000.0, 28_000.0, 10e3) + burnt(time, 60_000.0, 63_000.0, 10e3)
    got = meals(time, kg, 0.02).meals
    assert [round(m.kg, 1) for m in got] == [0.6, 0.6]
    assert [m.rate_w for m in got] == pytest.approx([10e3, 10e3], rel=0.1)


def test_a_cylinder_lifted_off_and_put_back_is_no_draw() -> None:
    rng = np.random.default_rng(6)
    time = times(rng, 5, 1.0)
    kg = np.where((time > 30_000.0) & (time < 34_000.0), -10.0, 8.0) + rng.normal(0.0, 0.02, time.size)
    assert meals(time, kg, 0.02).meals == ()


@pytest.mark.parametrize("knock_kg", [-3.0, 2.0])
def test_a_knock_is_no_draw_and_cuts_none(knock_kg: float) -> None:
    rng = np.random.default_rng(12)
    time = times(rng, 5, 1.0)
    kg = 8.0 - burnt(time, 60_000.0, 64_000.0, 9e3) + rng.normal(0.0, 0.02, time.size)
    kg[[100, int(62_000.0 / 300.0)]] += knock_kg
    m = one(meals(time, kg, 0.02))
    assert abs(m.kg - 4000.0 * 9e3 / J_KG) < 4.0 * m.sd_kg


def test_a_long_burn_is_told_as_one() -> None:
    rng = np.random.default_rng(13)
    time = times(rng, 5, 2.0)
    kg = 15.0 - burnt(time, 40_000.0, 76_000.0, 2e3) + rng.normal(0.0, 0.02, time.size)
    m = one(meals(time, kg, 0.02))
    assert abs(m.end_s - m.start_s - 36_000.0) < 3600.0
    assert abs(m.kg - 36_000.0 * 2e3 / J_KG) < 4.0 * m.sd_kg


def test_what_left_in_a_gap_is_no_draw_and_the_next_one_is() -> None:
    rng = np.random.default_rng(7)
    time = times(rng, 5, 1.0)
    kg = 8.0 - burnt(time, 30_000.0, 34_000.0, 9e3) - burnt(time, 60_000.0, 64_000.0, 9e3)
    kg += rng.normal(0.0, 0.02, time.size)
    heard = (time < 29_000.0) | (time > 35_000.0)
    m = one(meals(time[heard], kg[heard], 0.02))
    assert abs(m.start_s - 60_000.0) < 300.0
    assert abs(m.kg - 4000.0 * 9e3 / J_KG) < 4.0 * m.sd_kg


def test_order_and_missing_readings_do_not_matter() -> None:
    rng = np.random.default_rng(8)
    time = times(rng, 5, 1.0)
    kg = 8.0 - burnt(time, 60_000.0, 64_000.0, 9e3) + rng.normal(0.0, 0.02, time.size)
    plain = meals(time, kg, 0.02)
    one(plain)
    mixed = rng.permutation(time.size)
    with_holes = np.append(kg[mixed], np.nan), np.append(time[mixed], 70_000.5)
    assert meals(with_holes[1], with_holes[0], 0.02) == plain


def test_a_draw_that_goes_on_is_left_out() -> None:
    rng = np.random.default_rng(9)
    time = times(rng, 5, 1.0)
    kg = 8.0 - burnt(time, 84_000.0, 90_000.0, 9e3) + rng.normal(0.0, 0.02, time.size)
    assert meals(time, kg, 0.02).meals == ()


def test_too_coarse_says_so_with_the_figures() -> None:
    rng = np.random.default_rng(10)
    time = times(rng, 15)
    got = meals(time, 8.0 - burnt(time, 60_000.0, 64_000.0, 9e3) + rng.normal(0.0, 0.15, time.size), 0.15)
    assert not got.fine_enough
    assert got.meals == ()
    assert "15 min" in got.reason
    assert "0.25 kg is wanted" in got.reason
    seldom = times(rng, 60)
    assert "too seldom" in meals(seldom, seldom * 0.0 + 8.0, 0.005).reason
    assert "too few" in meals(time[:5], time[:5] * 0.0, 0.005).reason


def test_a_scale_noisier_than_it_is_said_to_be_is_judged_by_its_readings() -> None:
    rng = np.random.default_rng(11)
    time = times(rng, 5)
    got = meals(time, 8.0 + rng.normal(0.0, 0.1, time.size), 0.005, least_kg=1.0)
    assert got.meals == ()
    assert got.least_kg > 0.1


def test_bad_arguments() -> None:
    with pytest.raises(ValueError, match="one length"):
        meals(np.zeros(3), np.zeros(4), 0.1)
    with pytest.raises(ValueError, match="positive"):
        meals(np.zeros(3), np.zeros(3), 0.0)
