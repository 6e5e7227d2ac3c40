"""An all-clear needs eyes on the hours that were warned of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

from monitor.alerts import Known, conditions, judge
from monitor.alerts.unseen import GAP, NOT_REACHED
from monitor.model.alert import AlertState
from monitor.model.outlook import Outlook
from tests.alerts.scene import NOW, SITE, health, hours, outlook

H = timedelta(hours=1)
KEY = "cold-shortfall/site"
COLD = {81: 1800.0, 82: 1320.0}


class Rounds:
    """Hourly rounds of the cold rule, each with an outlook made by hand."""

    def __init__(self) -> None:
        self.states: dict[str, AlertState] = {}
        self.told: list[str] = []
        self.now = NOW
        self.body = ""

    def go(self, made: Outlook, after: timedelta = H) -> None:
        self.now += after
        every = conditions(made, made.levels, SITE, self.now, health(now=self.now), Known())
        cold = [c for c in every if c.key == KEY]
        judged = judge(cold, self.states, self.now, SITE, complete=False)
        self.states.update({s.key: s for s in judged.states})
        self.told += [n.what for n in judged.notices]
        self.body = judged.notices[-1].body if judged.notices else self.body

    def raised(self) -> Rounds:
        for _ in range(3):
            self.go(outlook(COLD))
        assert self.told == ["raised"]
        return self


def short(count: int, gaps: Sequence[int] = ()) -> Outlook:
    """An outlook from NOW on in which nothing is short, `count` hours long."""
    return replace(outlook(), hours=hours(count, gaps=gaps))


def test_a_shorter_forecast_does_not_end_what_it_does_not_reach() -> None:
    play = Rounds().raised()
    for _ in range(20):
        play.go(short(40))
    assert play.told == ["raised"]
    assert play.states[KEY].reason == NOT_REACHED
    for _ in range(13):
        play.go(short(96))
    assert play.told == ["raised", "ended"]


def test_it_must_reach_the_end_of_the_last_hour_that_was_told() -> None:
    for count, told in ((82, ["raised"]), (83, ["raised", "ended"])):
        play = Rounds().raised()
        for _ in range(14):
            play.go(short(count))
        assert play.told == told


def test_a_gap_over_the_night_that_was_told_does_not_end_it() -> None:
    for gaps in ((81, 82), (82,), (81,)):
        play = Rounds().raised()
        for _ in range(20):
            play.go(short(96, gaps))
        assert play.told == ["raised"]
        assert play.states[KEY].reason == GAP


def test_a_gap_elsewhere_lets_it_end_but_not_with_every_hour() -> None:
    play = Rounds().raised()
    for _ in range(14):
        play.go(short(96, (60, 83)))
    assert play.told == ["raised", "ended"]
    assert "every hour" not in play.body.lower()
    assert "2 of " in play.body


def test_every_hour_is_said_only_of_what_the_forecast_reaches() -> None:
    for count, whole in ((96, False), (150, True)):
        play = Rounds().raised()
        for _ in range(14):
            play.go(short(count))
        assert play.told == ["raised", "ended"]
        assert ("as far as the forecast reaches" in play.body) is not whole


def test_what_was_told_and_has_passed_ends_with_a_short_forecast() -> None:
    play = Rounds().raised()
    play.go(replace(outlook(), hours=hours(40, start=NOW + 90 * H)), after=90 * H)
    play.go(replace(outlook(), hours=hours(40, start=NOW + 90 * H)))
    assert play.told == ["raised", "ended"]


def test_the_shelf_tells_no_end_of_what_cannot_be_seen() -> None:
    play = Rounds().raised()
    play.states[KEY] = replace(
        play.states[KEY], state="shelved", shelved_until=play.now + 100 * H, extra={"shelf_s": 360_000.0}
    )
    for _ in range(20):
        play.go(short(40))
    assert play.told == ["raised"]
