"""Large sites are worked out in blocks: what comes out is what comes out of everything at once.

Each case has its own steps, each cylinder its own wall: bit for bit the same here, 1e-12 is allowed.
Blends and check valves end Newton's turns for all cases of a block together: 1e-9 there.
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor import physics
from monitor.model.site import BASES, Basis, Gas
from monitor.physics import capacity, phases, quick, shell
from tests.physics.sites import cylinder, site

HOURS = 30
AIR = physics.Air(
    np.array([[268.0], [255.0], [247.0]]) + 6.0 * np.sin(np.arange(HOURS) * np.pi / 12.0),
    np.linspace(0.0, 6.0, HOURS),
    0.5,
    np.full(HOURS, 250.0),
)
PARTS = [("100", 0.9), ("20", 0.05), ("40", 0.4), ("20", 0.6), ("40", 0.4)]
PARTS += [("20", 1.0), ("100", 0.0), ("30", 0.3), ("20", 0.1), ("20", 0.8)]


def plant_and_charge(gas: Gas, **supply: object) -> tuple[physics.Plant, np.ndarray]:
    """Ten cylinders of four makes, one of them empty, a charge that falls over the hours."""
    made = [cylinder(size, f"C{k}", gas=gas, side="reserve" if k > 3 else "service") for k, (size, _) in
            enumerate(PARTS)]  # fmt: skip
    plant = physics.Plant.of(site(*made, **supply))  # type: ignore[arg-type]
    falls = np.linspace(1.0, 0.7, HOURS)[:, None]
    return plant, np.array([share for _, share in PARTS]) * plant.full_kg * falls


@pytest.mark.parametrize(
    ("gas", "supply", "within"),
    [
        (Gas(), {}, 1e-12),
        (Gas(), {"basis": "weather"}, 1e-12),
        (Gas(), {"feed": "changeover"}, 1e-12),
        (Gas(), {"check_valves": True}, 1e-9),
        (Gas(0.6, 0.25, 0.1, 0.05), {"basis": "floor"}, 1e-9),
    ],
)
def test_holds_in_blocks_are_those_of_all_cases_at_once(
    gas: Gas, supply: dict[str, object], within: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant, charge = plant_and_charge(gas, **supply)
    rest = physics.rest_k(plant, charge, AIR)
    whole = physics.hold(plant, charge, AIR, rest, 40_000.0)
    assert len(set(whole.hold_s.ravel().tolist())) > 20  # they differ, so a block in the wrong place would show
    monkeypatch.setattr(phases, "BLOCK", 10 * 11)  # 90 cases: blocks of 11 and a rest of two
    parted = physics.hold(plant, charge, AIR, rest, 40_000.0)
    np.testing.assert_array_equal(parted.ends, whole.ends)
    for name in ("hold_s", "liquid_k", "left_kg"):
        np.testing.assert_allclose(getattr(parted, name), getattr(whole, name), rtol=within, atol=within, err_msg=name)


@pytest.mark.parametrize("basis", BASES)
def test_capacity_is_the_sum_of_each_cylinders(basis: Basis, monkeypatch: pytest.MonkeyPatch) -> None:
    plant, charge = plant_and_charge(Gas())
    whole = physics.sustained_w(plant, charge, AIR, basis)
    each = [physics.sustained_w(plant.only(np.array([i])), charge, AIR, basis) for i in range(plant.size)]
    np.testing.assert_allclose(whole, np.sum(each, axis=0), rtol=1e-12)
    monkeypatch.setattr(capacity, "AT_ONCE", HOURS + 1)  # one cylinder at a time
    np.testing.assert_array_equal(physics.sustained_w(plant, charge, AIR, basis), whole)


@pytest.mark.parametrize("size", ["20", "100"])
def test_walls_of_many_levels_are_those_of_each_alone(size: str) -> None:
    made = shell.of(cylinder(size))
    volume = np.concatenate([np.linspace(-0.1, 1.1, 2 * shell._MANY) * made.volume_m3, [np.nan, 0.0, made.volume_m3]])
    once = shell.effective_at_volume(made, volume)
    small = np.concatenate([shell.effective_at_volume(made, part) for part in np.array_split(volume, 40)])
    np.testing.assert_allclose(once, small, rtol=1e-14)
    assert np.isnan(once).sum() == 1


def test_one_table_serves_all_cylinders_of_a_make() -> None:
    plant, charge = plant_and_charge(Gas())
    assert plant.area_table.shape[0] == 4
    volume = charge.T / 530.0
    each = quick.Walls(plant.area_table[plant.kind], plant.volume_m3)
    np.testing.assert_array_equal(plant.walls(np.arange(plant.size)).area(volume), each.area(volume))
