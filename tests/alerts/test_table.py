"""Every transition of the life cycle with every reason it may have, as a table; a long random walk finds no other."""

from __future__ import annotations

import re
from collections import defaultdict
from datetime import timedelta
from random import Random
from typing import get_args

from monitor.alerts import operate
from monitor.model.alert import State
from monitor.model.errors import BadInput
from tests.alerts.play import Play, cond, words

SEEN = "it holds"
GONE = "it is gone"
OVER = f"{GONE}$"
BY = r"(acknowledged|shelved|taken off the shelf|taken out of service|put back into service) by Kim"
NO_MORE = "watched no more: it is not in the site file now, or can no longer be told"

# (state before, state after): the reasons, as patterns
TABLE: dict[tuple[State, State], list[str]] = {
    ("normal", "pending"): [rf"{SEEN}; told when it has held for \d+ (min|h)"],
    ("normal", "unacknowledged"): [rf"{SEEN}$"],
    ("normal", "suppressed"): [rf"{SEEN}; held back by forecast-stale/x"],
    ("normal", "shelved"): [rf"{BY}( until it is over)?$"],
    ("normal", "out_of_service"): [rf"{BY}: away"],
    ("pending", "normal"): ["no longer so before the delay was over: it is gone", GONE, NO_MORE],
    ("pending", "unacknowledged"): [rf"{SEEN}$"],
    ("pending", "suppressed"): [rf"{SEEN}; held back by forecast-stale/x"],
    ("pending", "shelved"): [rf"{BY}( until it is over)?$"],
    ("pending", "out_of_service"): [rf"{BY}: away"],
    ("suppressed", "normal"): [OVER, "no longer so before the delay was over: it is gone", NO_MORE],
    ("suppressed", "pending"): [rf"{SEEN}; told when it has held for \d+ (min|h)"],
    ("suppressed", "unacknowledged"): [rf"{SEEN}$"],
    ("suppressed", "shelved"): [rf"{BY}( until it is over)?$"],
    ("suppressed", "out_of_service"): [rf"{BY}: away"],
    ("unacknowledged", "acknowledged"): [BY],
    ("unacknowledged", "normal"): [OVER, NO_MORE],
    ("unacknowledged", "returned"): ["it is gone: the condition is gone; it stays until someone acknowledges it"],
    ("unacknowledged", "shelved"): [rf"{BY}( until it is over)?$"],
    ("unacknowledged", "out_of_service"): [rf"{BY}: away"],
    ("acknowledged", "unacknowledged"): ["worse than what was acknowledged: nearer, surer or worse than"],
    ("acknowledged", "normal"): [OVER, NO_MORE],
    ("acknowledged", "shelved"): [rf"{BY}( until it is over)?$"],
    ("acknowledged", "out_of_service"): [rf"{BY}: away"],
    ("returned", "unacknowledged"): [f"it is back: {SEEN}"],
    ("returned", "normal"): ["over, and acknowledged by Kim", NO_MORE],
    ("returned", "shelved"): [rf"{BY}( until it is over)?$"],
    ("returned", "out_of_service"): [rf"{BY}: away"],
    ("shelved", "unacknowledged"): ["the shelf's time is up, and it was not over", BY],
    ("shelved", "acknowledged"): ["the shelf's time is up, and it was not over", BY],
    ("shelved", "normal"): ["the shelf's time is up$", OVER, "shelved until it was over", BY, NO_MORE],
    ("shelved", "shelved"): [OVER, rf"{BY}( until it is over)?$"],
    ("shelved", "out_of_service"): [rf"{BY}: away"],
    ("out_of_service", "normal"): [BY],
}
KINDS = ("forecast-stale", "low-fuel", "overfilled", "requalification")


def _hand(play: Play, chance: Random) -> None:
    state = chance.choice(list(play.states.values()))
    until = play.now + timedelta(hours=chance.choice([1, 5, 40]))
    what = chance.choice([0, 0, 0, 1, 1, 2, 3, 4])
    if what == 0:
        play.take(operate.acknowledge(state, play.now, "Kim", words))
    elif what == 1:
        play.take(operate.shelve(state, play.now, until, "Kim", words, one_shot=chance.random() < 0.4))
    elif what == 2:
        play.take(operate.unshelve(state, play.now, "Kim", words))
    elif what == 3:
        play.take(operate.out_of_service(state, play.now, "Kim", "away", words))
    else:
        play.take(operate.into_service(state, play.now, "Kim", words))


def walk(steps: int) -> dict[tuple[State, State], set[str]]:
    """Return each transition of a long random walk with its reasons."""
    play, chance = Play(), Random(3)
    seen: dict[tuple[State, State], set[str]] = defaultdict(set)
    mood = dict.fromkeys(KINDS, 0.5)
    for _ in range(steps):
        mood = {k: chance.choice([0.0, 0.5, 1.0]) if chance.random() < 0.1 else m for k, m in mood.items()}
        try:
            if play.states and chance.random() < 0.3:
                _hand(play, chance)
            else:
                rests = {"requalification": ("forecast-stale/x",), "low-fuel": ("forecast-stale/x",)}
                conditions = [
                    cond(
                        kind,
                        holds=chance.random() < mood[kind],
                        rank=chance.choice([1.0, 1.0, 2.0]),
                        rests_on=rests.get(kind, ()),
                    )
                    for kind in KINDS
                    if chance.random() > 0.01
                ]
                play.round(*conditions, after=timedelta(minutes=chance.choice([1, 30, 100])))
        except BadInput:
            continue
        for t in play.last.transitions:
            seen[t.before, t.after].add(t.reason)
    return seen


def test_every_transition_and_every_reason_is_in_the_table() -> None:
    seen = walk(12_000)
    assert set(seen) == set(TABLE), (set(seen) - set(TABLE), set(TABLE) - set(seen))
    for pair, reasons in seen.items():
        for reason in reasons:
            assert any(re.match(pattern, reason) for pattern in TABLE[pair]), (pair, reason)
        for pattern in TABLE[pair]:
            assert any(re.match(pattern, reason) for reason in reasons), (pair, pattern)


def test_a_state_of_the_model_is_a_state_of_the_table() -> None:
    states = {s for pair in TABLE for s in pair}
    assert states == set(get_args(State))
