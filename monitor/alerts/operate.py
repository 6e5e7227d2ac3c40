"""What a person does to an alert: acknowledge, shelve, take off the shelf, take out of service, put back."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from monitor.alerts import kinds, shelf
from monitor.alerts.life import end_it
from monitor.alerts.shelf import LONGEST_SHELF
from monitor.alerts.step import Step, Words, forget_pending, is_active, known_state
from monitor.model.alert import AlertState, Condition, Judgement
from monitor.model.errors import BadInput, Problem

# Instead of putting a leak away.
MENDED = (
    "close every cylinder valve, have a licensed fitter mend and test it, then enter the tight check: `boiloff record "
    "leak-check --result tight` (one entered by mistake: `boiloff record undo`)."
)


def _step(state: AlertState, now: datetime, words: Words) -> Step:
    return Step(state, now, words)


def _done(step: Step) -> Judgement:
    return Judgement((step.state,), tuple(step.transitions), tuple(step.notices))


def _as_condition(state: AlertState, reason: str) -> Condition:
    return Condition(state.kind, state.subject, False, state.severity, "Past", "Observed", 0.0, reason, state.facts)


def _refuse(state: AlertState, expected: str, hint: str = "") -> BadInput:
    return BadInput(Problem(state.key, state.state.replace("_", " "), expected, hint))


def acknowledge(state: AlertState, now: datetime, by: str, words: Words) -> Judgement:
    """Return the change when `by` has seen the alert. One that is over already ends for good.

    Raises BadInput where there is nothing to acknowledge.
    """
    step = _step(state, now, words)
    if state.state == "unacknowledged":
        step.go("acknowledged", f"acknowledged by {by}")
        step.state = replace(step.state, acknowledged_by=by)
    elif state.state == "returned":
        end_it(step, _as_condition(state, "over, and seen"), f"over, and acknowledged by {by}")
    else:
        raise _refuse(state, "an alert that was told and not yet acknowledged")
    return _done(step)


def shelve(
    state: AlertState, now: datetime, until: datetime, by: str, words: Words, *, one_shot: bool = False
) -> Judgement:
    """Return the change when `by` wants to hear no more of it until `until`, at most 14 days ahead, unless it gets
    markedly worse.

    `one_shot`: off the shelf as soon as it is over. Raises BadInput for an end in the past or too far, for gas, and
    for an alert out of service.
    """
    if kinds.of(state.kind).stays:
        instead = MENDED if state.kind == "leak-found" else "leave, and call from outside."
        raise _refuse(state, "an alert that may be shelved", f"Gas is never shelved: {instead}")
    if state.state == "out_of_service":
        raise _refuse(state, "an alert in service", "Put it back into service first.")
    if not now < until <= now + LONGEST_SHELF:
        expected = f"an end after now and within {LONGEST_SHELF.days} days"
        raise BadInput(Problem(f"{state.key} until", until.isoformat(), expected))
    step = _step(state, now, words)
    if not is_active(state):
        forget_pending(step)
    step.go("shelved", f"shelved by {by}" + (" until it is over" if one_shot else ""))
    shelf.leave(step)  # where it was shelved before: measured anew
    step.state = replace(step.state, shelved_until=until)
    step.extra(shelf_s=(until - now).total_seconds(), one_shot=True if one_shot else None)
    if is_active(state):
        shelf.remember(step, kinds.of(state.kind), state.severity, state.told_facts)
    return _done(step)


def unshelve(state: AlertState, now: datetime, by: str, words: Words) -> Judgement:
    """Return the change when `by` takes it off the shelf before its time. Raises BadInput where it is on none."""
    if state.state != "shelved":
        raise _refuse(state, "a shelved alert")
    step = _step(state, now, words)
    shelf.leave(step)
    step.go(known_state(state) if is_active(state) else "normal", f"taken off the shelf by {by}")
    return _done(step)


def out_of_service(state: AlertState, now: datetime, by: str, why: str, words: Words) -> Judgement:
    """Return the change when `by` stops this alert until it is put back; what was told ends.

    Raises BadInput for gas, and where it is out of service already.
    """
    if kinds.of(state.kind).stays:
        leak = state.kind == "leak-found"
        hint = f"It ends of itself once it is mended: {MENDED}" if leak else "Take the sensor out of the site file."
        raise _refuse(state, "an alert that may be taken out of service", hint)
    if state.state == "out_of_service":
        raise _refuse(state, "an alert in service")
    reason = f"taken out of service by {by}" + (f": {why}" if why else "")
    step = _step(state, now, words)
    shelf.leave(step)
    if is_active(state):
        end_it(step, _as_condition(state, reason), reason, "out_of_service")
    else:
        forget_pending(step)
        step.go("out_of_service", reason)
    return _done(step)


def into_service(state: AlertState, now: datetime, by: str, words: Words) -> Judgement:
    """Return the change when `by` puts it back. Raises BadInput where it is in service."""
    if state.state != "out_of_service":
        raise _refuse(state, "an alert out of service")
    step = _step(state, now, words)
    step.go("normal", f"put back into service by {by}")
    return _done(step)
