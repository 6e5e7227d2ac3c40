"""Each transition of the life cycle, with its reason, one by one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.alerts import operate
from monitor.model.alert import Condition, Fact, Judgement, State
from monitor.model.errors import BadInput
from tests.alerts.play import DELAYED, KEY, LATCHED, NO_DELAY, H, M, Play, cond, raised, words
from tests.alerts.scene import NOW


def test_normal_to_unacknowledged_at_once() -> None:
    play = Play()
    judgement = play.round(cond(NO_DELAY))
    assert play.reasons() == [("normal", "unacknowledged", "it holds")]
    (notice,) = judgement.notices
    assert notice.what == "raised"
    assert notice.occurrence == f"{KEY}@2026-01-05T14:01Z"
    assert notice.id == f"{KEY}@2026-01-05T14:01Z#1"
    assert play.round(cond(NO_DELAY)) == Judgement((), (), ())


def test_on_delay_counts_time_in_which_it_held() -> None:
    play = Play()
    play.round(cond(DELAYED))
    assert play.reasons() == [("normal", "pending", "it holds; told when it has held for 10 min")]
    play.round(cond(DELAYED), after=9 * M)
    assert play.state("low-fuel/x") == "pending"
    play.round(cond(DELAYED), after=M)
    assert play.reasons() == [("pending", "unacknowledged", "it holds")]
    assert play.told == ["raised"]


def test_pending_that_goes_away_is_never_told() -> None:
    play = Play()
    play.round(cond(DELAYED))
    play.round(cond(DELAYED, holds=False))
    assert play.reasons() == [("pending", "normal", "no longer so before the delay was over: it is gone")]
    play.round(cond(DELAYED))
    play.round(cond(DELAYED), after=9 * M)
    assert play.state("low-fuel/x") == "pending"
    assert play.told == []


def test_not_knowing_neither_raises_nor_ends_nor_lets_a_delay_pass() -> None:
    play = Play()
    play.round(cond(DELAYED))
    for _ in range(5):
        play.round(cond(DELAYED, holds=None), after=30 * M)
    assert play.state("low-fuel/x") == "pending"
    play.round(cond(DELAYED), after=M)
    assert play.state("low-fuel/x") == "pending"
    play = raised()
    for _ in range(50):
        play.round(cond(NO_DELAY, holds=None), after=H)
    assert play.state(KEY) == "unacknowledged"
    assert play.states[KEY].reason == "cannot be judged"
    assert play.told == ["raised"]


def test_a_long_stop_does_not_make_a_delay_pass() -> None:
    play = Play()
    play.round(cond("cold-shortfall"))
    play.round(cond("cold-shortfall"), after=30 * M)
    assert play.state("cold-shortfall/x") == "pending"
    play = Play()
    play.round(cond("run-out"))  # 3 h
    play.round(cond("run-out"), after=48 * H)
    assert play.state("run-out/x") == "pending"
    play.round(cond("run-out"), after=H)
    assert play.state("run-out/x") == "unacknowledged"


def test_deadband_keeps_what_is_and_raises_nothing() -> None:
    play = Play()
    play.round(cond(NO_DELAY, holds=False, band=True))
    assert play.state(KEY) == "normal"
    play = raised()
    play.round(cond(NO_DELAY, holds=False, band=True), after=9 * H)
    assert play.state(KEY) == "unacknowledged"
    play.round(cond(NO_DELAY, holds=False))
    assert play.reasons() == [("unacknowledged", "normal", "it is gone")]
    assert play.told == ["raised", "ended"]


def test_off_delay_restarts_when_it_comes_back() -> None:
    play = raised(DELAYED)
    key = "low-fuel/x"
    play.round(cond(DELAYED, holds=False), after=M)
    play.round(cond(DELAYED, holds=False), after=50 * M)
    play.round(cond(DELAYED), after=M)
    play.round(cond(DELAYED, holds=False), after=M)
    play.round(cond(DELAYED, holds=False), after=59 * M)
    assert play.state(key) == "unacknowledged"
    play.round(cond(DELAYED, holds=False), after=M)
    assert play.state(key) == "normal"
    assert play.told == ["raised", "ended"]
    assert play.states[key].occurrence == ""


def test_worse_news_is_told_at_once_and_the_same_is_not() -> None:
    play = raised()
    for _ in range(100):
        play.round(cond(NO_DELAY), after=10 * M)
    assert play.told == ["raised"]
    judgement = play.round(cond(NO_DELAY, rank=2.0, reason="older still"))
    assert [n.body for n in judgement.notices] == ["nearer, surer or worse than when it was told: older still"]
    assert judgement.notices[0].id == f"{KEY}@2026-01-05T14:01Z#2"
    play.round(cond(NO_DELAY, rank=1.0))
    play.round(cond(NO_DELAY, rank=2.0))
    assert play.told == ["raised", "updated"]


def test_an_earlier_start_is_news_and_a_changed_amount_waits() -> None:
    kind = "cold-shortfall"
    play = raised(kind, start="2026-01-08T10:00Z", nights=1, hold_missing=0.1)
    play.round(cond(kind, facts={"start": "2026-01-08T00:00Z", "nights": 1, "hold_missing": 0.1}), after=H)
    assert play.told == ["raised"]
    early: dict[str, Fact] = {"start": "2026-01-07T21:00Z", "nights": 1, "hold_missing": 0.1}
    play.round(cond(kind, facts=early), after=H)
    assert play.told == ["raised"]
    play.round(cond(kind, facts=early, urgency="Expected"), after=H)
    assert play.told == ["raised", "updated"]
    assert play.last.notices[0].body == "it begins earlier than was told"
    worse: dict[str, Fact] = {"start": "2026-01-07T21:00Z", "nights": 3, "hold_missing": 0.1}
    for _ in range(11):
        play.round(cond(kind, facts=worse), after=H)
    assert play.told == ["raised", "updated"]
    play.round(cond(kind, facts=worse), after=H)
    assert play.last.notices[0].body == "more nights are concerned than was told"


def test_a_severe_alert_that_nobody_acknowledged_is_said_again_each_day() -> None:
    play = Play()
    bad = cond("cold-shortfall", severity="Severe", facts={"on_delay_s": 0.0})
    said = [n.severity for _ in range(49) for n in play.round(bad, after=H).notices]
    assert play.told == ["raised", "updated", "updated"]
    assert said == ["Severe", "Moderate", "Moderate"], "a reminder wakes nobody"
    play.take(operate.acknowledge(play.states["cold-shortfall/x"], play.now, "Kim", words))
    assert play.reasons() == [("unacknowledged", "acknowledged", "acknowledged by Kim")]
    for _ in range(100):
        play.round(bad, after=H)
    assert play.told == ["raised", "updated", "updated"]


def test_an_acknowledgement_is_remembered_until_it_gets_worse() -> None:
    play = raised()
    play.take(operate.acknowledge(play.states[KEY], play.now, "Kim", words))
    play.round(cond(NO_DELAY, rank=2.0, reason="older still"))
    assert play.reasons() == [
        (
            "acknowledged",
            "unacknowledged",
            "worse than what was acknowledged: nearer, surer or worse than when it was told: older still",
        )
    ]
    assert play.told == ["raised", "updated"]
    with pytest.raises(BadInput, match="not yet acknowledged"):
        operate.acknowledge(replace(play.states[KEY], state="acknowledged"), play.now, "Kim", words)


def test_latching_stays_until_a_person_has_looked() -> None:
    key = f"{LATCHED}/x"
    play = raised(LATCHED)
    for _ in range(5):
        play.round(cond(LATCHED, holds=False), after=H)
    assert play.state(key) == "returned"
    assert play.told == ["raised", "updated"]
    for _ in range(5):
        play.round(cond(LATCHED, holds=False), after=24 * H)
    assert play.told == ["raised", "updated"]
    play.take(operate.acknowledge(play.states[key], play.now, "Kim", words))
    assert play.reasons() == [("returned", "normal", "over, and acknowledged by Kim")]
    assert play.told == ["raised", "updated", "ended"]


def test_latching_that_comes_back_is_told_again() -> None:
    play = raised(LATCHED)
    for _ in range(5):
        play.round(cond(LATCHED, holds=False), after=H)
    play.round(cond(LATCHED))
    assert play.reasons() == [("returned", "unacknowledged", "it is back: it holds")]
    assert play.told == ["raised", "updated", "updated"]


def test_latching_that_was_acknowledged_ends_by_itself() -> None:
    play = raised(LATCHED)
    play.take(operate.acknowledge(play.states[f"{LATCHED}/x"], play.now, "Kim", words))
    for _ in range(5):
        play.round(cond(LATCHED, holds=False), after=H)
    assert play.told == ["raised", "ended"]
    assert play.state(f"{LATCHED}/x") == "normal"


def test_suppressed_by_what_it_rests_on_and_told_when_that_ends() -> None:
    play = Play()
    silent, low = cond("sensor-silent", "s"), cond(NO_DELAY, rests_on=("sensor-silent/s",))
    play.round(silent, low)
    assert play.state(KEY) == "suppressed"
    assert ("normal", "suppressed", "it holds; held back by sensor-silent/s") in play.reasons()
    assert [n.key for n in play.last.notices] == ["sensor-silent/s"]
    play.round(cond("sensor-silent", "s", holds=False), low)
    assert play.state(KEY) == "unacknowledged"


def test_suppressed_that_goes_away_was_never_told() -> None:
    play = Play()
    silent = cond("sensor-silent", "s")
    play.round(silent, cond(NO_DELAY, rests_on=("sensor-silent/s",)))
    play.round(silent, cond(NO_DELAY, holds=False, rests_on=("sensor-silent/s",)))
    assert play.reasons() == [("suppressed", "normal", "it is gone")]


def test_an_active_alert_is_held_as_it_is_by_what_it_rests_on() -> None:
    play = raised()
    silent = cond("sensor-silent", "s")
    play.round(silent, cond(NO_DELAY, holds=False, rests_on=("sensor-silent/s",)), after=9 * H)
    assert play.state(KEY) == "unacknowledged"
    assert play.states[KEY].reason == "held as it is by sensor-silent/s"


def test_what_is_suppressed_holds_back_nothing_and_circles_do_no_harm() -> None:
    play = Play()
    play.round(
        cond("broker-down", "b", facts={"on_delay_s": 0.0}),
        cond("sensor-silent", "s", rests_on=("broker-down/b",)),
        cond(NO_DELAY, rests_on=("sensor-silent/s",)),
    )
    assert play.state("sensor-silent/s") == "suppressed"
    assert play.state(KEY) == "unacknowledged"
    play = Play()
    play.round(
        cond("sensor-silent", "s", rests_on=(KEY,)), cond(NO_DELAY, rests_on=("sensor-silent/s",)),
    )  # fmt: skip
    assert len(play.told) == 1


def test_out_of_service_and_back() -> None:
    play = raised()
    play.take(operate.out_of_service(play.states[KEY], play.now, "Kim", "away", words))
    assert play.reasons() == [("unacknowledged", "out_of_service", "taken out of service by Kim: away")]
    play.round(cond(NO_DELAY, rank=9.0), after=900 * H)
    assert play.told == ["raised", "ended"]
    play.take(operate.into_service(play.states[KEY], play.now, "Kim", words))
    assert play.reasons() == [("out_of_service", "normal", "put back into service by Kim")]
    play.round(cond(NO_DELAY))
    assert play.told == ["raised", "ended", "raised"]


def test_gas_passes_every_delay_and_cannot_be_put_away() -> None:
    play = Play()
    play.round(cond("gas-detected", "nose", facts={"on_delay_s": 999.0}, severity="Extreme"))
    (notice,) = play.last.notices
    assert notice.bypass
    state = play.states["gas-detected/nose"]
    with pytest.raises(BadInput, match="never shelved"):
        operate.shelve(state, play.now, play.now + H, "Kim", words)
    with pytest.raises(BadInput, match="out of service"):
        operate.out_of_service(state, play.now, "Kim", "", words)


def test_watched_no_more_ends() -> None:
    play = raised()
    play.round(complete=False)
    assert play.state(KEY) == "unacknowledged"
    play.round()
    assert play.state(KEY) == "normal"
    assert play.told == ["raised", "ended"]
    assert play.round() == Judgement((), (), ())


def test_set_back_clock_gives_no_second_notice_and_no_second_name() -> None:
    play = raised()
    play.round(cond(NO_DELAY), after=-5000 * H)
    play.round(cond(NO_DELAY), after=H)
    assert play.told == ["raised"]
    play.round(cond(NO_DELAY, holds=False), after=H)
    first = play.last.notices[0].occurrence
    play.now = NOW
    play.round(cond(NO_DELAY))
    second = play.last.notices[0].occurrence
    assert first != second
    assert second.endswith("~2")


def test_states_survive_a_restart() -> None:
    """The states are all there is: judging with a copy of them goes on as if nothing had happened."""
    play = raised()
    play.states = {k: replace(s, facts=dict(s.facts), extra=dict(s.extra)) for k, s in play.states.items()}
    assert play.round(cond(NO_DELAY)) == Judgement((), (), ())


def test_a_channel_that_heard_it_severe_hears_the_end() -> None:
    play = Play()
    play.round(cond(NO_DELAY, severity="Severe", rank=2.0))
    play.round(cond(NO_DELAY, holds=False, severity="Minor"))
    assert [n.severity for n in play.last.notices] == ["Severe"]
    assert [n.urgency for n in play.last.notices] == ["Past"]


def test_a_clock_set_back_does_not_silence_what_nobody_acknowledged() -> None:
    play = Play()
    bad = cond("cold-shortfall", severity="Severe", facts={"on_delay_s": 0.0})
    play.round(bad)
    play.round(bad, after=-9000 * H)
    for _ in range(25):
        play.round(bad, after=H)
    assert play.told == ["raised", "updated"]


@pytest.mark.parametrize(
    ("told", "now", "hours"),
    [
        ({}, {}, 12),
        ({"last_end": "2026-01-05T13:00Z"}, {}, 1),  # it lies behind us
        ({"last_end": "2026-01-25T13:00Z"}, {}, 12),
        ({"filled": 0.3}, {"filled": 0.35}, 12),
        ({"filled": 0.3}, {"filled": 0.65}, 1),  # someone filled a cylinder
    ],
)
def test_a_shortfall_ends_when_the_forecast_has_made_up_its_mind(
    told: dict[str, Fact], now: dict[str, Fact], hours: int
) -> None:
    play = raised("cold-shortfall", **told)
    gone = cond("cold-shortfall", holds=False, facts=now)
    play.round(gone)
    for _ in range(hours - 1):
        play.round(gone, after=H)
        assert play.state("cold-shortfall/x") == "unacknowledged"
    play.round(gone, after=H)
    assert play.state("cold-shortfall/x") == "normal"


def test_who_has_acknowledged_hears_of_a_step_not_of_an_amount() -> None:
    play = raised("cold-shortfall", nights=1)
    play.take(operate.acknowledge(play.states["cold-shortfall/x"], play.now, "Kim", words))
    for _ in range(30):
        play.round(cond("cold-shortfall", facts={"nights": 4}), after=H)
    assert play.told == ["raised"]
    play.round(cond("cold-shortfall", facts={"nights": 4}, rank=2.0))
    assert play.told == ["raised", "updated"]


def test_a_leak_found_cannot_be_put_away_and_what_says_so_says_how_it_ends() -> None:
    play = Play()
    play.round(cond("leak-found", severity="Severe"))
    state = play.states["leak-found/x"]
    with pytest.raises(BadInput, match=r"Gas is never shelved: close every cylinder valve.*--result tight"):
        operate.shelve(state, play.now, play.now + H, "Kim", words)
    with pytest.raises(BadInput, match=r"may be taken out of service.*licensed fitter.*record undo"):
        operate.out_of_service(state, play.now, "Kim", "", words)


@pytest.mark.parametrize("before", ["shelved", "out_of_service"])
def test_a_leak_put_away_by_an_earlier_version_is_told_at_the_next_round(before: State) -> None:
    play, leak = Play(), cond("leak-found", severity="Severe")
    play.round(leak)
    state = replace(play.states["leak-found/x"], state=before, shelved_until=play.now + 300 * H)
    play.states["leak-found/x"] = replace(state, occurrence="") if before == "out_of_service" else state
    play.round(leak, after=H)
    assert play.state("leak-found/x") == "unacknowledged"
    assert len(play.last.notices) == 1


def test_a_leak_found_is_said_as_urgently_each_day_whatever_is_done_to_the_reminder() -> None:
    play, leak, due = Play(), cond("leak-found", severity="Severe"), cond("leak-check", severity="Minor")
    play.round(due)
    play.take(operate.out_of_service(play.states["leak-check/x"], play.now, "Kim", "away", words))
    said = [n for _ in range(49) for n in play.round(leak, due, after=H).notices]
    assert [(n.key, n.severity) for n in said] == [("leak-found/x", "Severe")] * 3
    play.round(cond("leak-found", holds=False), due)
    assert play.state("leak-found/x") == "normal", "taken back, or tight"


def test_a_draw_that_rises_is_told_to_who_has_acknowledged_it() -> None:
    def draw(rate_kg_h: float) -> Condition:
        return cond("unexpected-draw", severity="Severe", facts={"rate_kg_s": rate_kg_h / 3600, "on_delay_s": 0.0})

    play = Play()
    play.round(draw(0.02))
    play.take(operate.acknowledge(play.states["unexpected-draw/x"], play.now, "Kim", words))
    assert not play.round(draw(0.03)).notices
    assert [(n.severity, n.body) for n in play.round(draw(0.045)).notices] == [
        ("Severe", "it falls faster than was told")
    ]
    assert play.state("unexpected-draw/x") == "unacknowledged"
