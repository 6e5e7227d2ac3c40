"""Fuel that falls while nothing may burn: who is told which cylinder it is, and that it is told once."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from monitor.alerts import Known, conditions, judge, operate
from monitor.alerts.settings import HOUR
from monitor.model.alert import AlertState, Notice
from monitor.model.site import Site
from tests.alerts.play import words
from tests.alerts.scene import CYLINDER, NOW, SITE, health, level, outlook

H = timedelta(hours=1)
FULL = (level("A", 0.6), level("B", 0.6))
THREE = replace(SITE, cylinders=(*SITE.cylinders, replace(CYLINDER, name="C")))


class House:
    """Rounds an hour apart on draws in kg/h with their standard deviation; "site" is the sum of the open ones."""

    def __init__(self, site: Site = SITE) -> None:
        self.site = site
        self.now = NOW
        self.states: dict[str, AlertState] = {}

    def hours(self, count: int, **draws: tuple[float, float]) -> list[Notice]:
        told: list[Notice] = []
        for _ in range(count):
            self.now += H
            open_ = [c.name for c in self.site.cylinders if c.valve_open and c.name in draws]
            rates = {n: r / HOUR for n, (r, _) in draws.items()}
            sds = {n: s / HOUR for n, (_, s) in draws.items()}
            rates["site"] = sum(rates[n] for n in open_)
            sds["site"] = sum(sds[n] ** 2 for n in open_) ** 0.5
            known = Known(unexpected_kg_s=rates, unexpected_sd_kg_s=sds)
            look = outlook(now=self.now), FULL, self.site, self.now, health(now=self.now)
            found = [c for c in conditions(*look, known) if c.kind == "unexpected-draw"]
            judgement = judge(found, self.states, self.now, self.site)
            self.states.update({s.key: s for s in judgement.states})
            told += judgement.notices
        return told


def test_one_that_leaks_is_named_and_said_once() -> None:
    told = House().hours(6, A=(0.05, 0.004), B=(0.001, 0.004))
    assert [n.key for n in told] == ["unexpected-draw/A"]
    assert told[0].headline.startswith("A loses")
    assert told[0].severity == "Severe"


def test_what_both_give_is_the_house_s_and_says_what_each_gives() -> None:
    told = House().hours(6, A=(0.03, 0.004), B=(0.03, 0.004))
    assert [n.key for n in told] == ["unexpected-draw/site"]
    assert "Each: A " in told[0].body


@pytest.mark.parametrize("other", [(0.04, 0.02), (0.02, 0.01)])
def test_one_is_named_where_the_other_surely_loses_less(other: tuple[float, float]) -> None:
    told = House().hours(6, A=(0.05, 0.004), B=other)
    assert [n.key for n in told] == [f"unexpected-draw/{'site' if other[0] == 0.04 else 'A'}"]


def test_once_it_is_known_which_it_is_told_though_the_house_s_stands() -> None:
    house = House()
    first = house.hours(6, A=(0.035, 0.009), B=(0.012, 0.004))  # sure together, not which
    assert [n.key for n in first] == ["unexpected-draw/site"]
    then = house.hours(6, A=(0.045, 0.004), B=(0.001, 0.004))
    assert [n.key for n in then] == ["unexpected-draw/A"]
    assert {k: s.state for k, s in house.states.items() if s.occurrence} == {
        "unexpected-draw/site": "unacknowledged", "unexpected-draw/A": "unacknowledged",
    }  # fmt: skip


def test_a_second_one_that_leaks_is_told_beside_the_first() -> None:
    house = House()
    assert [n.key for n in house.hours(6, A=(0.05, 0.004), B=(0.001, 0.004))] == ["unexpected-draw/A"]
    told = house.hours(6, A=(0.05, 0.004), B=(0.06, 0.004))
    assert [n.key for n in told] == ["unexpected-draw/site"]


def test_one_of_three_is_named() -> None:
    told = House(THREE).hours(6, A=(0.0, 0.004), B=(0.002, 0.004), C=(0.04, 0.005))
    assert [n.key for n in told] == ["unexpected-draw/C"]


def test_a_shelf_on_the_house_s_does_not_hide_one_that_leaks() -> None:
    house = House()
    house.hours(6, A=(0.03, 0.004), B=(0.03, 0.004))
    key = "unexpected-draw/site"
    done = operate.shelve(house.states[key], house.now, house.now + 48 * H, "Kim", words)
    house.states.update({s.key: s for s in done.states})
    told = house.hours(6, A=(0.055, 0.004), B=(0.001, 0.004))
    assert [n.key for n in told] == ["unexpected-draw/A"]
