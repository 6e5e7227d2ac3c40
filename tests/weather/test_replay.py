"""Forecasts over real winters with hidden errors: what the learner makes of them, against one who knew everything."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from monitor.outlook import air, verify
from tests.weather import replay


def _check(found: list[replay.ByLead], seasons: list[float]) -> None:
    print(replay.table(found, seasons))
    assert abs(float(np.mean(seasons))) < 0.3
    assert float(np.mean(np.abs(seasons))) < 0.3
    for row in found:
        assert 0.76 <= row.covered <= 0.84, row
        assert row.crps_k < row.raw_crps_k, row
        if row.lead <= 5:
            assert row.crps_k <= 1.10 * row.ideal_crps_k, row


def test_two_seeds_over_every_winter() -> None:
    _check(*replay.played(2))


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_many_seeds_over_every_winter() -> None:
    _check(*replay.played(20, first_seed=100))


def test_thermometer_and_season_are_as_unsure_as_they_must_be() -> None:
    """With no service at all: the night's minimum lies in the 10-90 % band on 72-95 % of real nights, at every lead."""
    seen: dict[tuple[bool, int], list[bool]] = {}
    for i, (truth, first, last) in enumerate(replay.winters()):
        world = replay.World(truth, first, last, i)
        for at in world.issues[::2]:
            past = world.yard.at(at - timedelta(hours=720), 720)
            times = [at - timedelta(hours=720 - k) for k in range(720)]
            made = air.from_season(times, past.tolist(), at, world.site)
            if made is None:
                continue
            for case in verify.nights(made, made, world.yard.at(made.start, made.hours), truth.timezone):
                key = (truth.name == "Illinois", min(case.lead, 10))
                seen.setdefault(key, []).append(bool(verify.inside(case.members_k, np.array(case.observed_k))))
    covered = {key: float(np.mean(hits)) for key, hits in seen.items()}
    print(covered)
    assert len(covered) == 20
    assert all(0.72 <= share <= 0.97 for share in covered.values()), covered


def test_the_world_makes_the_errors_it_says() -> None:
    """The errors' deviation by lead day is that of the table; of one night they go together, and neighbours half so."""
    rng = np.random.default_rng(5)
    error = np.concatenate([replay.errors(rng, 400) for _ in range(60)])
    np.testing.assert_allclose(error.std(axis=0), air.SIGMA_K, rtol=0.06)
    assert np.corrcoef(error[:, 0], error[:, 4])[0, 1] == pytest.approx(1.4 / 2.8, abs=0.08)


def test_the_same_seed_is_the_same_world() -> None:
    truth, first, last = replay.winters()[2]
    a, b = replay.World(truth, first, last, 7), replay.World(truth, first, last, 7)
    np.testing.assert_array_equal(a.forecast(3).air_k, b.forecast(3).air_k)
    assert a.hidden == b.hidden
