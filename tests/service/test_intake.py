"""Which readings call for a new outlook at once."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, cast

from monitor.model.reading import Quantity, Reading
from monitor.service.intake import Intake
from tests.alerts.scene import SITE

NOW = datetime(2026, 1, 5, 14, 0, tzinfo=UTC)


class Ear:
    """Stands for the writer and for what asks for a new outlook; keeps what it was told."""

    def __init__(self) -> None:
        self.at_once: list[bool] = []
        self.poked: list[bool] = []

    def submit_reading(self, reading: Reading, done: Any, *, at_once: bool) -> None:
        self.at_once.append(at_once)
        done()

    def poke(self, reason: str, *, matters: bool) -> None:
        self.poked.append(matters)


def send(*readings: tuple[str, Quantity, float, str]) -> list[bool]:
    ear = Ear()
    intake = Intake(SITE, cast("Any", ear), cast("Any", ear))
    for subject, quantity, value, source in readings:
        intake.reading(Reading(NOW, NOW, subject, quantity, value, source))
    assert ear.at_once == ear.poked
    return ear.at_once


def test_one_sensor_of_gas_does_not_cover_another_and_gas_always_matters() -> None:
    gas = Quantity.GAS_DETECTED
    assert send(("site", gas, 1.0, "kitchen"), ("site", gas, 1.0, "cellar")) == [True, True]
    assert send(("site", gas, 1.0, "kitchen"), ("site", gas, 1.0, "kitchen")) == [True, True]
    assert send(("site", gas, 0.0, "kitchen"), ("site", gas, 0.0, "kitchen")) == [True, False]


def test_two_sources_of_one_valve_are_kept_apart() -> None:
    valve = Quantity.VALVE
    told = send(("A", valve, 0.0, "hand"), ("A", valve, 1.0, "switch"), ("A", valve, 1.0, "hand"))
    assert told == [True, True, True]


def test_a_level_matters_when_it_moves_by_a_twentieth_on_its_own_source() -> None:
    q = Quantity.GROSS_WEIGHT
    told = send(("A", q, 25.0, "scale"), ("A", q, 24.9, "scale"), ("A", q, 20.0, "scale"), ("A", q, 20.1, "other"))
    assert told == [True, False, True, True]
