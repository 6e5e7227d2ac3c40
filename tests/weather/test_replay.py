"""Forecasts over real winters with hidden errors: what the learner makes of them, against one who knew everything."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.outlook import air, cases, learn, verify
from tests.weather import replay

Series = NDArray[np.float64]


def _check(found: list[replay.ByLead], seasons: list[float]) -> None:
    print(replay.table(found, seasons))
    assert abs(float(np.mean(seasons))) < 0.3
    assert float(np.mean(np.abs(seasons))) < 0.3
    for row in found:
        assert 0.76 <= row.covered <= 0.84, row
        assert row.crps_k < row.raw_crps_k, row
        if row.lead <= 5:
            assert row.crps_k <= 1.10 * row.ideal_crps_k, row


def test_one_seed_over_every_winter() -> None:
    _check(*replay.played(1))


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


def test_an_ensemble_is_made_as_unsure_as_it_is_and_its_spread_is_used() -> None:
    """Raw members cover as little as real ensembles do (27-39 %); ours cover what they say, and beat the mean alone."""
    said: dict[str, list[tuple[Series, float]]] = {"ours": [], "mean alone": [], "raw": []}
    for i in (0, 2):
        truth, first, last = replay.winters()[i]
        world = replay.EnsembleWorld(truth, first, last, 1000 + i)
        known: dict[str, list[learn.Cases]] = {"ours": [], "mean alone": []}
        for k, at in enumerate(world.issues):
            raw = world.forecast(k)
            forms = {"ours": raw, "mean alone": replace(raw, air_k=raw.air_k.mean(axis=0)[None, :])}
            for way, forecast in forms.items():
                if k >= 32 and k % 4 == 0:
                    found = learn.Cases.joined(known[way])
                    learnt = learn.fit(found, int(at.timestamp() // 3600), world.first_day + k)
                    made = air.prepare(forecast, world.site, learnt=learnt)
                    seen = world.yard.at(forecast.start, forecast.hours)
                    for case in verify.nights(made, forecast, seen, truth.timezone):
                        if case.lead <= 5:
                            said[way].append((case.members_k, case.observed_k))
                            if way == "ours":
                                said["raw"].append((case.raw_k, case.observed_k))
                known[way].append(cases.pair(forecast, world.yard, world.site))
    scored = {}
    for way, rows in said.items():
        members, came = np.array([m for m, _ in rows]), np.array([o for _, o in rows])
        scored[way] = (float(verify.crps(members, came).mean()), float(verify.inside(members, came).mean()))
    print(scored)
    assert scored["raw"][1] < 0.42
    assert 0.74 <= scored["ours"][1] <= 0.86
    assert scored["ours"][0] < scored["mean alone"][0] < scored["raw"][0]


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
