"""Life cycle of alerts after ANSI/ISA-18.2: what each round of judging changes, why, and whether people are told.

A delay counts time in which the condition was seen to hold, at most two hours a round, so that neither a long stop nor
a stepped clock makes a delay pass by itself. An alert that cannot be judged stays as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Literal

from monitor.alerts import kinds, shelf, when
from monitor.alerts.change import news
from monitor.alerts.settings import Limits
from monitor.alerts.step import Step, Words, forget_pending, is_active
from monitor.alerts.unseen import unseen
from monitor.model.alert import AlertState, Condition, Fact, Judgement, State
from monitor.model.units_out import duration

Verdict = Literal["holds", "clear", "band", "unknown"]

MOST_CREDIT_S = 7200.0
REFILL_SHARE = 0.10
PASSED_S = 3600.0  # what was told lies behind us: no need to wait for the forecast to make up its mind
RETURNED = "the condition is gone; it stays until someone acknowledges it"


def judge(
    conditions: Sequence[Condition],
    states: Mapping[str, AlertState],
    now: datetime,
    limits: Limits,
    words: Words,
    *,
    complete: bool = True,
) -> Judgement:
    """Return what this round changes. `complete`: an alert without a condition is watched no more, and ends."""
    by_key = {c.key: c for c in conditions}
    done: dict[str, Step] = {}

    def run(key: str, path: tuple[str, ...]) -> Step | None:
        if key in done:
            return done[key]
        condition, state = by_key.get(key), states.get(key)
        if condition is None and (state is None or not complete):
            return None if state is None else Step(state, now, words)
        holding = []
        if condition is not None:
            for other in _rests_on(condition):
                step = None if other in path else run(other, (*path, key))
                if step is not None and is_active(step.state) and step.state.state != "returned":
                    holding.append(other)
        if condition is None:
            assert state is not None
            step = _watched_no_more(Step(state, now, words))
        else:
            blank = AlertState(key, condition.kind, condition.subject, "normal", now)
            step = _one(Step(state or blank, now, words), condition, limits, holding)
        done[key] = step
        return step

    for key in sorted(by_key.keys() | states.keys()):
        run(key, ())
    steps = [done[k] for k in sorted(done)]
    return Judgement(
        tuple(s.state for s in steps if s.transitions or s.notices or s.state != states.get(s.state.key, s.state)),
        tuple(t for s in steps for t in s.transitions),
        tuple(n for s in steps for n in s.notices),
    )


def _rests_on(condition: Condition) -> Iterable[str]:
    text = condition.facts.get("rests_on")
    return text.split("\n") if isinstance(text, str) and text else ()


def _verdict(c: Condition) -> Verdict:
    if c.holds is None:
        return "unknown"
    if c.holds:
        return "holds"
    return "band" if c.facts.get("in_band") else "clear"


def _delay(value: float | str, limits: Limits) -> float:
    return limits[value] if isinstance(value, str) else value


def _credit(step: Step, name: str) -> float:
    """Return how long the thing called `name` was seen, this round included, and remember it."""
    extra = step.state.extra
    before = extra.get(f"{name}_s")
    last = when.parse(extra.get("judged_at"))
    passed = 0.0 if last is None else (step.now - last).total_seconds()
    total = (float(before) if isinstance(before, int | float) else 0.0) + min(max(passed, 0.0), MOST_CREDIT_S)
    if before is None:
        total = 0.0
    changes: dict[str, Fact] = {f"{name}_s": total, "judged_at": step.now.isoformat()}
    step.extra(**changes)
    return total


def _one(step: Step, c: Condition, limits: Limits, holding: list[str]) -> Step:
    """Judge one alert."""
    state = step.state
    if state.told_at is not None and state.told_at > step.now:  # the clock was set back
        step.state = state = replace(state, told_at=step.now)
    state = _put_back(step, c)
    if state.state == "out_of_service":
        return step
    verdict = _verdict(c)
    reason = c.reason
    if holding and is_active(state):
        verdict, reason = "unknown", f"held as it is by {', '.join(holding)}"
    if verdict == "clear" and is_active(state):
        blind = unseen(state.told_facts, c)
        if blind:
            verdict, reason = "unknown", blind
    if state.state == "shelved":
        if shelf.is_over(step):
            shelf.time_is_up(step, c, clear=verdict == "clear")
        elif worse := shelf.grown(step, c) if verdict == "holds" else "":
            shelf.bring_back(step, c, worse)
        else:
            _while_shelved(step, c, verdict, limits)
            return step
    if is_active(step.state):
        _active(step, c, verdict, reason, limits)
    elif holding:
        _held_back(step, c, verdict, holding)
    else:
        _inactive(step, c, verdict, limits)
    return step


def _put_back(step: Step, c: Condition) -> AlertState:
    """Undo that what nobody may put away was put away, as an earlier version let it be."""
    if not kinds.of(c.kind).stays:
        return step.state
    if step.state.state == "out_of_service":
        step.go("normal", "put back into service: gas is never out of service")
    elif step.state.state == "shelved":
        if c.holds:
            shelf.bring_back(step, c, "gas is never shelved")
        else:
            shelf.time_is_up(step, c, clear=c.holds is False)
    return step.state


def _held_back(step: Step, c: Condition, verdict: Verdict, holding: list[str]) -> None:
    if verdict == "holds" and step.state.state != "suppressed":
        forget_pending(step)
        step.go("suppressed", f"{c.reason}; held back by {', '.join(holding)}", c.facts)
    elif verdict == "clear" and step.state.state != "normal":
        forget_pending(step)
        step.go("normal", c.reason, c.facts)


def _inactive(step: Step, c: Condition, verdict: Verdict, limits: Limits) -> None:
    kind, state = kinds.of(c.kind), step.state
    if verdict == "unknown":
        if state.state == "pending":  # the clock of the delay stands still
            step.extra(judged_at=step.now.isoformat())
        return
    if verdict != "holds":
        if state.state != "normal":
            forget_pending(step)
            step.go("normal", f"no longer so before the delay was over: {c.reason}", c.facts)
        return
    given = c.facts.get("on_delay_s")
    delay = float(given) if isinstance(given, int | float) else _delay(kind.on_delay, limits)
    if kind.bypass:
        delay = 0.0
    if delay > 0:
        held = _credit(step, "held")
        if held < delay:
            if state.state != "pending":
                step.state = replace(step.state, pending_since=step.now)
                step.go("pending", f"{c.reason}; told when it has held for {duration(delay)}", c.facts)
            return
    _raise(step, c)


def _raise(step: Step, c: Condition) -> None:
    forget_pending(step)
    before = step.state.extra.get("count")
    count = (before if isinstance(before, int) else 0) + 1
    occurrence = f"{c.key}@{when.iso(step.now)}"
    last = step.state.raised
    if last is not None and step.now.replace(microsecond=0) <= last.replace(microsecond=0):
        occurrence += f"~{count}"  # the clock was set back: keep the name unique
    step.extra(count=count)
    step.state = replace(
        step.state, occurrence=occurrence, raised=step.now, sequence=0, acknowledged_by="", facts=dict(c.facts),
        told_at=None, told_rank=None, told_facts={},
    )  # fmt: skip
    step.go("unacknowledged", c.reason, c.facts)
    step.tell("raised", c, c.reason)


def _active(step: Step, c: Condition, verdict: Verdict, reason: str, limits: Limits) -> None:
    kind = kinds.of(c.kind)
    if verdict == "clear":
        if step.state.state == "returned":
            return
        if _cleared_long_enough(step, c, kind, limits):
            _end_or_return(step, c, kind)
        return
    if step.state.clearing_since is not None:
        step.extra(cleared_s=None, judged_at=None)
        step.state = replace(step.state, clearing_since=None)
    if verdict != "holds":
        if step.state.reason != reason and verdict == "unknown":
            step.state = replace(step.state, reason=reason)
        return
    if step.state.state == "returned":
        step.go("unacknowledged", f"it is back: {c.reason}", c.facts)
        step.tell("updated", c, f"it is back: {c.reason}")
        return
    if step.state.reason != reason:
        step.state = replace(step.state, reason=reason, facts=dict(c.facts))
    _update(step, c, kind, limits)


def _update(step: Step, c: Condition, kind: kinds.Kind, limits: Limits) -> None:
    """Tell worse news, or say again what nobody has acknowledged."""
    state = step.state
    worse, at_once = news(kind, state.told_rank, state.told_facts, c)
    since = timedelta(0) if state.told_at is None else step.now - state.told_at
    seen = state.state == "acknowledged"  # who has seen it hears of it again only when it is a step worse
    if worse and (at_once or (not seen and since >= timedelta(seconds=limits["update"]))):
        if seen:
            step.go("unacknowledged", f"worse than what was acknowledged: {worse}", c.facts)
            step.state = replace(step.state, acknowledged_by="")
        step.state = replace(step.state, facts=dict(c.facts))
        step.tell("updated", c, worse, calm=not at_once)
    elif state.state == "unacknowledged" and since >= timedelta(seconds=_repeat(kind, c, limits)):
        step.tell("updated", c, "still so, and nobody has acknowledged it", calm=not kind.insists)


def _repeat(kind: kinds.Kind, c: Condition, limits: Limits) -> float:
    interval = _delay(kind.repeat, limits)
    return interval if c.severity in {"Severe", "Extreme"} else max(interval, 3 * 86_400.0)


def _refilled(told: Mapping[str, Fact], now: Mapping[str, Fact]) -> bool:
    """Whether someone filled a cylinder since: that is no wavering of a forecast."""
    before, after = told.get("filled"), now.get("filled")
    return isinstance(before, int | float) and isinstance(after, int | float) and after - before >= REFILL_SHARE


def _cleared_long_enough(step: Step, c: Condition, kind: kinds.Kind, limits: Limits) -> bool:
    delay = _delay(kind.off_delay, limits)
    last = when.parse(step.state.told_facts.get("last_end"))
    if (last is not None and last <= step.now) or _refilled(step.state.told_facts, c.facts):
        delay = min(delay, PASSED_S)
    if delay <= 0:
        return True
    if step.state.clearing_since is None:
        step.state = replace(step.state, clearing_since=step.now)
    return _credit(step, "cleared") >= delay


def _end_or_return(step: Step, c: Condition, kind: kinds.Kind) -> None:
    if kind.latching and step.state.state == "unacknowledged":
        forget_pending(step)
        step.go("returned", f"{c.reason}: {RETURNED}", c.facts)
        step.tell("updated", c, RETURNED)
        return
    end_it(step, c, c.reason)


def end_it(step: Step, c: Condition, reason: str, after: State = "normal") -> None:
    """End the occurrence: people are told once."""
    forget_pending(step)
    step.go(after, reason, c.facts)
    step.tell("ended", c, reason)
    step.state = replace(
        step.state, occurrence="", told_at=None, told_rank=None, told_facts={}, sequence=0, acknowledged_by="",
        facts=dict(c.facts),
    )  # fmt: skip


def _while_shelved(step: Step, c: Condition, verdict: Verdict, limits: Limits) -> None:
    """Say nothing while shelved and no worse, but for one thing: that what was told is over."""
    kind = kinds.of(c.kind)
    if verdict != "clear":
        if step.state.clearing_since is not None:
            forget_pending(step)
        return
    one_shot = bool(step.state.extra.get("one_shot"))
    if not is_active(step.state):
        if one_shot:
            shelf.leave(step)
            step.go("normal", f"shelved until it was over: {c.reason}", c.facts)
        return
    if _cleared_long_enough(step, c, kind, limits):
        if one_shot:
            shelf.leave(step)
        end_it(step, c, c.reason, "normal" if one_shot else "shelved")


def _watched_no_more(step: Step) -> Step:
    state = step.state
    if state.state in {"normal", "out_of_service"} and not is_active(state):
        return step
    reason = "watched no more: it is not in the site file now, or can no longer be told"
    gone = Condition(state.kind, state.subject, False, state.severity, "Past", "Observed", 0.0, reason, state.facts)
    shelf.leave(step)
    if is_active(state):
        end_it(step, gone, reason)
    else:
        forget_pending(step)
        step.go("normal", reason)
    return step
