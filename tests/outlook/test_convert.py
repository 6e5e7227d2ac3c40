"""Each level quantity to propane left, against CoolProp and a numerically integrated solid."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model.reading import LEVEL_QUANTITIES, Quantity
from monitor.model.site import Cylinder
from monitor.outlook import convert
from tests.reference import simulated_sites as reference

WATER, OUTSIDE, TARE = reference.SIZES[40]
A = Cylinder("A", WATER, TARE, OUTSIDE, 0.42 * WATER)


def told(quantity: Quantity, left_kg: float, liquid_k: float) -> float:
    """What an ideal sensor tells, by the reference solid and CoolProp."""
    solid, height, volume, _ = reference.shape(40)
    filled = left_kg / float(reference.density(liquid_k))
    level = float(np.interp(filled, volume, height))
    return {
        Quantity.GROSS_WEIGHT: left_kg + TARE,
        Quantity.PROPANE_LEFT: left_kg,
        Quantity.SHARE_OF_FULL: left_kg / (0.42 * WATER),
        Quantity.GAUGE_PERCENT: filled / solid.volume,
        Quantity.LIQUID_HEIGHT: level,
        Quantity.HEIGHT_FROM_TOP: solid.tall - level,
        Quantity.ECHO_TIME: 2.0 * level / float(reference.sound(liquid_k)),
        Quantity.LIQUID_VOLUME: filled,
    }[quantity]


@pytest.mark.parametrize("quantity", sorted(LEVEL_QUANTITIES))
@pytest.mark.parametrize("liquid_k", [248.15, 283.15, 308.15])
@pytest.mark.parametrize("left_kg", [0.6, 4.0, 9.0, 18.0])
def test_every_level_quantity_gives_the_propane_back(quantity: Quantity, left_kg: float, liquid_k: float) -> None:
    value = told(quantity, left_kg, liquid_k)
    found = convert.to_kg(A, quantity, np.array([value]), np.array([liquid_k]))
    # sound speed is good to 0.2 %, the reference's grid of heights to 0.1 %
    assert found[0] == pytest.approx(left_kg, rel=0.004, abs=0.01)


def test_a_quantity_that_is_no_level_is_refused() -> None:
    with pytest.raises(ValueError, match="battery"):
        convert.to_kg(A, Quantity.BATTERY, np.array([0.5]), np.array([280.0]))


def test_a_hose_on_the_scale_is_taken_off() -> None:
    with_hose = Cylinder("A", WATER, TARE, OUTSIDE, 18.0, marks={"hose_kg": 0.4})
    found = convert.to_kg(with_hose, Quantity.GROSS_WEIGHT, np.array([TARE + 5.0]), np.array([280.0]))
    assert found[0] == pytest.approx(4.6)


@pytest.mark.parametrize("quantity", sorted(LEVEL_QUANTITIES))
def test_a_stated_noise_goes_through_the_slope(quantity: Quantity) -> None:
    """Twice the noise in the sensor's own unit is twice the noise in kg."""
    value = told(quantity, 9.0, 283.15)
    small, large = (convert.noise_kg(A, quantity, value, 283.15, n * abs(value) * 1e-3) for n in (1, 2))
    assert large == pytest.approx(2.0 * small, rel=1e-3)
    assert convert.noise_kg(A, quantity, value, 283.15, None) > 0.0


def test_a_gauge_without_a_known_temperature_is_less_certain() -> None:
    known = convert.offset_kg(A, Quantity.GAUGE_PERCENT, temperature_known=True)
    unknown = convert.offset_kg(A, Quantity.GAUGE_PERCENT, temperature_known=False)
    assert unknown > known
    assert convert.offset_kg(A, Quantity.GROSS_WEIGHT, temperature_known=False) == convert.offset_kg(
        A, Quantity.GROSS_WEIGHT, temperature_known=True
    )
