"""The main job over real winters: nights truly uncovered, told a day ahead, beside simpler ways of warning."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model.site import Basis
from tests.weather import main_job, replay


def play(name: str, basis: Basis, which: list[int], seeds: range) -> list[main_job.Winter]:
    found = []
    for seed in seeds:
        for i in which:
            truth, first, last = replay.winters()[i]
            world = replay.World(truth, first, last, 1000 * seed + i)
            found.append(main_job.winter(world, main_job.ARRANGEMENTS[name], basis))
    print(main_job.table(f"{name}, {basis}", found))
    return found


def test_one_winter_of_two_cylinders() -> None:
    """Illinois 2017-18, with the coldest hour of the series."""
    played = play("two 40-lb", "weather", [2], range(1, 2))
    found = main_job.ways(played)
    ours, chart = found["ours"], found["chart basis, raw forecast"]
    assert ours.uncovered >= 5
    assert ours.ahead == ours.uncovered
    assert ours.false_episodes <= 3.0
    assert ours.false_episodes <= found["temperature, warns as often"].false_episodes
    assert ours.ahead > chart.ahead
    assert main_job.brier_skill(played)[0] > 0.5


def test_the_oracle_agrees_away_from_the_line() -> None:
    """A sample of hours that the replay leaves to the product's own hold time."""
    from monitor import physics
    from monitor.model.forecast import Forecast
    from monitor.outlook import hours

    truth, first, last = replay.winters()[2]
    world = replay.World(truth, first, last, 1)
    site = main_job.site_for(world, main_job.ARRANGEMENTS["two 40-lb"], "weather")
    start = world.issues[58]
    plain = Forecast("truth", start, start, start, world.yard.at(start, 96)[None, :])
    view = hours.ahead(plain, start)
    share = np.full(96, 0.3)
    plant = physics.Plant.of(site)
    conditions = physics.Air(view.air_k, view.wind_m_s, view.sky, view.dewpoint_k)
    charge = share[:, None] * np.array([c.full_kg for c in site.cylinders])
    rest = np.asarray(physics.rest_k(plant, charge, conditions))
    limit = main_job.HOLD_LIMIT_S
    ours = physics.hold(plant, charge, conditions, rest, site.demand_w, "weather", limit).hold_s
    assert (ours[0:94:5] < limit).sum() >= 8  # else there would be little to compare
    for k in range(0, 94, 5):
        other = main_job.oracle_hold_s(site, view, share, rest, k)
        assert ours[k] == pytest.approx(other, rel=0.005), k


@pytest.mark.soak
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("basis", ["weather", "floor"])
@pytest.mark.parametrize("name", list(main_job.ARRANGEMENTS))
def test_every_winter(name: str, basis: Basis) -> None:
    played = play(name, basis, list(range(len(replay.winters()))), range(1, 3))
    found = main_job.ways(played)
    ours = found["ours"]
    assert ours.ahead >= 0.97 * ours.uncovered
    assert ours.false_episodes <= 2.0
    assert ours.false_episodes <= found["temperature, warns as often"].false_episodes
    assert ours.ahead >= found["temperature, as few false"].ahead
    assert ours.ahead >= found["chart basis, raw forecast"].ahead
