"""Shelving: nothing is said until its end, but for the end of what was told, and what is markedly worse."""

from __future__ import annotations

from datetime import timedelta

import pytest

from monitor.alerts import operate
from monitor.model.alert import AlertState, Condition
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


def draw(rate_kg_h: float, *, holds: bool = True) -> Condition:
    return cond(
        "unexpected-draw", holds=holds, severity="Severe", facts={"rate_kg_s": rate_kg_h / 3600, "on_delay_s": 0.0}
    )


DRAW = "unexpected-draw/x"


def shelved_draw(*, acknowledged: bool) -> Play:
    play = Play()
    play.round(draw(0.02))
    if acknowledged:
        play.take(operate.acknowledge(play.states[DRAW], play.now, "Kim", words))
    play.take(operate.shelve(play.states[DRAW], play.now, play.now + 48 * H, "Kim", words))
    return play


@pytest.mark.parametrize("acknowledged", [True, False])
def test_a_shelved_draw_that_doubles_comes_back_as_urgent_as_at_first(acknowledged: bool) -> None:
    play = shelved_draw(acknowledged=acknowledged)
    for rate in (0.02, 0.03, 0.039):
        play.round(draw(rate), after=H)
        assert play.state(DRAW) == "shelved"
    (notice,) = play.round(draw(0.042), after=H).notices
    assert (notice.what, notice.severity) == ("updated", "Severe")
    assert "2.1 times what it was when it was shelved" in notice.body
    assert play.state(DRAW) == "unacknowledged"
    assert play.states[DRAW].shelved_until is None
    assert not [k for k in play.states[DRAW].extra if k.startswith("shelf_")]
    assert not play.round(draw(0.042), after=H).notices, "once"


def test_shelved_again_it_is_measured_by_what_was_told_last() -> None:
    play = shelved_draw(acknowledged=False)
    play.round(draw(0.045), after=H)
    play.take(operate.shelve(play.states[DRAW], play.now, play.now + 48 * H, "Kim", words))
    assert not play.round(draw(0.085), after=H).notices
    assert len(play.round(draw(0.091), after=H).notices) == 1


def test_a_draw_that_begins_on_the_shelf_is_measured_by_how_it_began() -> None:
    play = Play()
    play.take(operate.shelve(AlertState(DRAW, "unexpected-draw", "x", "normal", NOW), NOW, NOW + 48 * H, "Kim", words))
    play.round(draw(0.02), after=H)
    play.round(draw(0.035), after=H)
    assert play.told == []
    play.round(draw(0.05), after=H)
    assert play.told == ["raised"]


@pytest.mark.parametrize("kind", ["cold-shortfall", "low-fuel", "run-out", "forecast-stale", "disk-filling"])
def test_any_kind_comes_back_by_a_step_of_severity_and_by_nothing_less(kind: str) -> None:
    play = raised(kind)
    play.take(operate.shelve(play.states[f"{kind}/x"], play.now, play.now + 48 * H, "Kim", words))
    play.round(cond(kind, rank=9.0, facts={"nights": 9, "sooner_s": 9e6}), after=H)
    assert play.told == ["raised"]
    play.round(cond(kind, severity="Severe"), after=H)
    assert play.told == ["raised", "updated"]
    assert play.last.notices[0].severity == "Severe"
    assert play.state(f"{kind}/x") == "unacknowledged"
