"""Shelving: nothing is said until its end, but for the end of what was told."""

from __future__ import annotations

from datetime import timedelta

import pytest

from monitor.alerts import operate
from monitor.model.alert import AlertState
from monitor.model.errors import BadInput
from tests.alerts.play import KEY, NO_DELAY, H, Play, cond, raised, words
from tests.alerts.scene import NOW


def test_shelved_says_nothing_until_its_end() -> None:
    play = raised()
    play.take(operate.shelve(play.states[KEY], play.now, play.now + 8 * H, "Kim", words))
    assert play.reasons() == [("unacknowledged", "shelved", "shelved by Kim")]
    for _ in range(7):
        play.round(cond(NO_DELAY, rank=5.0), after=H)
    assert play.told == ["raised"]
    play.round(cond(NO_DELAY), after=H)
    assert play.reasons() == [("shelved", "unacknowledged", "the shelf's time is up, and it was not over")]
    assert play.told == ["raised", "updated"]
    assert play.states[KEY].shelved_until is None


def test_the_end_is_told_even_from_the_shelf_and_once() -> None:
    play = raised()
    play.take(operate.shelve(play.states[KEY], play.now, play.now + 24 * H, "Kim", words))
    play.round(cond(NO_DELAY, holds=False))
    assert play.reasons() == [("shelved", "shelved", "it is gone")]
    assert play.told == ["raised", "ended"]
    play.round(cond(NO_DELAY))
    play.round(cond(NO_DELAY, holds=False))
    assert play.told == ["raised", "ended"]
    play.round(cond(NO_DELAY), after=24 * H)
    assert play.told == ["raised", "ended", "raised"]


def test_one_shot_shelf_ends_with_the_condition() -> None:
    for told in (True, False):
        play = raised() if told else Play()
        blank = AlertState(KEY, NO_DELAY, "x", "normal", NOW)
        state = play.states.get(KEY, blank)
        play.take(operate.shelve(state, play.now, play.now + 24 * H, "Kim", words, one_shot=True))
        play.round(cond(NO_DELAY))
        assert play.state(KEY) == "shelved"
        play.round(cond(NO_DELAY, holds=False))
        assert play.state(KEY) == "normal"
        play.round(cond(NO_DELAY))
        assert play.told == (["raised", "ended", "raised"] if told else ["raised"])


def test_a_shelf_does_not_grow_when_the_clock_is_set_back() -> None:
    play = raised()
    play.take(operate.shelve(play.states[KEY], play.now, play.now + 2 * H, "Kim", words))
    play.round(cond(NO_DELAY), after=-1000 * H)
    play.round(cond(NO_DELAY), after=H)
    assert play.state(KEY) == "shelved"
    play.round(cond(NO_DELAY), after=H)
    assert play.state(KEY) == "unacknowledged"


def test_off_the_shelf_by_hand() -> None:
    play = raised()
    play.take(operate.shelve(play.states[KEY], play.now, play.now + 2 * H, "Kim", words))
    play.take(operate.unshelve(play.states[KEY], play.now, "Kim", words))
    assert play.reasons() == [("shelved", "unacknowledged", "taken off the shelf by Kim")]
    with pytest.raises(BadInput, match="a shelved alert"):
        operate.unshelve(play.states[KEY], play.now, "Kim", words)


@pytest.mark.parametrize("until", [timedelta(0), -H, timedelta(days=15)])
def test_a_shelf_has_an_end_within_reason(until: timedelta) -> None:
    play = raised()
    with pytest.raises(BadInput, match="within 14 days"):
        operate.shelve(play.states[KEY], play.now, play.now + until, "Kim", words)


def test_an_acknowledgement_is_remembered_on_the_shelf() -> None:
    for by_hand in (True, False):
        play = raised()
        play.take(operate.acknowledge(play.states[KEY], play.now, "Kim", words))
        play.take(operate.shelve(play.states[KEY], play.now, play.now + 2 * H, "Kim", words))
        if by_hand:
            play.take(operate.unshelve(play.states[KEY], play.now, "Kim", words))
        else:
            play.round(cond(NO_DELAY), after=3 * H)
        assert play.state(KEY) == "acknowledged"
        assert play.told == ["raised"]
