"""What is told past the store, by hours that are given: each trouble once, its end once, and gas never kept back."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from monitor.service import outage
from monitor.service.clock import RealClock
from monitor.service.core import Core
from monitor.service.intake import Intake
from monitor.service.remake import Remake
from monitor.site import load
from tests.service import harness
from tests.service.test_faults_store import GAS

BROKER = '\n[broker]\nhost = "127.0.0.1"\n'
FULL = "the disk is full"


@dataclass
class Told:
    """Stands in for the ways out: notes (topic, what, severity); `no_memory` refuses."""

    got: list[tuple[str, str, str]] = field(default_factory=list)
    bodies: list[str] = field(default_factory=list)
    no_memory: bool = False

    def tell(self, site: Site, topic: str, what: str, said: tuple[str, str], severity: str = "Severe") -> bool:
        if not self.no_memory:
            self.got.append((topic, what, severity))
            self.bodies.append(said[1])
        return not self.no_memory


class House:
    """An `Outage` whose uptime the test moves on, looked at every 5 s."""

    def __init__(self, tmp_path: Path, patch: pytest.MonkeyPatch) -> None:
        self.now_s, self.told, self.gas = 1000.0, Told(), dict[str, Reading]()
        site = load(harness.write_site(tmp_path, harness.SITE, GAS, BROKER))
        board = SimpleNamespace(get=lambda _: SimpleNamespace(error="MemoryError: "))
        self.core: Any = SimpleNamespace(
            site=site, clock=RealClock(), direct=self.told, board=board, failing_s=None, doubt=""
        )  # fmt: skip
        self.outage = outage.Outage(cast("Core", self.core), self.gas)
        patch.setattr(outage, "uptime_s", lambda: self.now_s)

    def smells(self, value: float) -> None:
        at = self.core.clock.now()
        self.gas["nose"] = Reading(at, at, "site", Quantity.GAS_DETECTED, value, "nose")

    def passes(self, seconds: float, error: str = "") -> list[tuple[str, str, str]]:
        """Let so much time pass; return what was told in it."""
        before = len(self.told.got)
        for _ in range(round(seconds / 5.0)):
            self.outage.look(error, 0)
            self.now_s += 5.0
        return self.told.got[before:]


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> House:
    return House(tmp_path, monkeypatch)


OUT, OVER = ("store", "raised", "Severe"), ("store", "ended", "Moderate")
BLIND, SEES = ("outlook", "raised", "Severe"), ("outlook", "ended", "Moderate")
TIMELESS, TIMED = ("clock", "raised", "Severe"), ("clock", "ended", "Moderate")
SMELT = ("gas-detected/nose", "raised", "Extreme")


def test_a_store_that_is_out_is_told_after_its_patience_then_once_a_day(house: House) -> None:
    assert house.passes(outage.PATIENCE_S, FULL) == []
    assert house.passes(3600.0, FULL) == [OUT]
    assert house.passes(2 * outage.AGAIN_S, FULL) == [OUT, OUT]
    assert house.passes(outage.SETTLED_S) == []
    assert house.passes(3600.0) == [OVER]


def test_rounds_that_fail_because_the_store_is_out_are_not_told_once_more_when_it_is_back(house: House) -> None:
    house.core.failing_s = house.now_s
    assert house.passes(4 * outage.BLIND_S, FULL) == [OUT]
    assert house.passes(300.0) == [OVER], "the next round may be five minutes away"
    house.core.failing_s = None
    assert house.passes(3600.0) == []


def test_rounds_that_fail_are_told_once_a_day_and_seldom_where_it_comes_and_goes(house: House) -> None:
    house.core.failing_s = house.now_s
    assert house.passes(outage.BLIND_S) == []
    assert house.passes(outage.AGAIN_S + 5.0) == [BLIND, BLIND]
    house.core.failing_s = None
    assert house.passes(3600.0) == [SEES]
    for _ in range(6):
        house.core.failing_s = house.now_s
        assert house.passes(1200.0) == []
        house.core.failing_s = None
        assert house.passes(1200.0) == []


def test_gas_is_told_while_rounds_fail_as_the_notice_of_that_says(house: House) -> None:
    house.smells(1.0)
    assert house.passes(600.0) == [], "its alert tells it"
    house.core.failing_s = house.now_s
    assert house.passes(outage.GAS_BLIND_S) == [], "one round that failed is made good within seconds"
    assert house.passes(outage.BLIND_S) == [SMELT, BLIND]
    assert "only gas that a gas sensor reports is told" in house.told.bodies[-1]
    assert "Get everyone out" in house.told.bodies[-2]


def test_gas_is_told_at_once_each_hour_and_anew_where_it_comes_back(house: House) -> None:
    house.smells(1.0)
    assert house.passes(5.0, FULL) == [SMELT]
    for _ in range(5):  # a store that comes and goes
        assert house.passes(5.0) == []
        assert house.passes(5.0, FULL) == []
    assert SMELT in house.passes(outage.GAS_S, FULL)
    house.smells(0.0)
    assert house.passes(30.0, FULL) == []
    house.smells(1.0)
    assert house.passes(5.0, FULL) == [SMELT]


def test_what_memory_refused_is_told_as_soon_as_there_is_some(house: House) -> None:
    house.told.no_memory = True
    house.smells(1.0)
    assert house.passes(600.0, FULL) == []
    house.told.no_memory = False
    assert house.passes(600.0, FULL) == [SMELT, OUT]


def test_a_sensor_that_does_not_know_takes_no_gas_back(house: House) -> None:
    took: Any = SimpleNamespace(submit_reading=lambda *_, **__: True)
    intake = Intake(house.core.site, took, cast("Remake", SimpleNamespace()))
    at = house.core.clock.now()
    for value in (1.0, None):
        intake.reading(Reading(at, at, "site", Quantity.GAS_DETECTED, value, "nose"))
    assert intake.gas["nose"].value == 1.0
    house.gas.update(intake.gas)
    assert house.passes(5.0, FULL) == [SMELT]
    intake.reading(Reading(at, at, "site", Quantity.GAS_DETECTED, 0.0, "nose"))
    assert intake.gas["nose"].value == 0.0


def test_an_end_that_could_not_be_sent_is_sent_later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    house = House(tmp_path, monkeypatch)
    assert house.passes(600.0, FULL) == [("store", "raised", "Severe")]
    house.told.no_memory = True
    assert house.passes(600.0) == []
    house.told.no_memory = False
    assert house.passes(600.0) == [("store", "ended", "Moderate")]
    assert house.passes(3600.0) == []


def test_a_clock_that_cannot_be_believed_is_told_once_a_day_and_gas_at_once(house: House) -> None:
    house.core.doubt = "the clock says 1970-01-01 00:02 UTC, before this program existed: it has not been set"
    assert house.passes(outage.BLIND_S) == [], "a board without a clock waits a few minutes for its time server"
    assert house.passes(outage.AGAIN_S / 2) == [TIMELESS]
    assert house.core.doubt in house.told.bodies[-1]
    house.smells(1.0)
    assert house.passes(5.0) == [SMELT]
    assert "Get everyone out" in house.told.bodies[-1]
    assert outage.WRONG_TIME in house.told.bodies[-1]
    assert house.passes(outage.AGAIN_S).count(TIMELESS) == 1
    house.core.doubt = ""
    assert house.passes(3600.0) == [TIMED]
