"""The shelf: how long an alert stays there, and what brings it back before its time.

Shelving says "I know". It holds for what was known then: ANSI/ISA-18.2 gives it an end, and what has become markedly
worse meanwhile is another thing than the one that somebody chose not to hear of.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

from monitor.alerts import kinds
from monitor.alerts.step import SEVERITIES, Step, is_active, known_state
from monitor.model.alert import Condition, Fact, Severity

LONGEST_SHELF = timedelta(days=14)


def is_over(step: Step) -> bool:
    """Whether the shelf's time is up. A clock set back does not lengthen it beyond what was asked."""
    until, asked = step.state.shelved_until, step.state.extra.get("shelf_s")
    if until is None:
        return True
    if isinstance(asked, int | float) and until - step.now > timedelta(seconds=float(asked)):
        step.state = replace(step.state, shelved_until=step.now + timedelta(seconds=float(asked)))
        return False
    return step.now >= until


def leave(step: Step) -> None:
    """Drop the shelf's end, and how it was when it was shelved."""
    step.state = replace(step.state, shelved_until=None)
    step.extra(one_shot=None, **dict.fromkeys(k for k in step.state.extra if k.startswith("shelf_")))


def remember(step: Step, kind: kinds.Kind, severity: Severity, facts: Mapping[str, Fact]) -> None:
    """Keep how bad it is, as what the shelf was asked for."""
    kept: dict[str, Fact] = {f"shelf_{name}": facts.get(name) for name, _ in kind.off_shelf}
    step.extra(shelf_severity=severity, **kept)


def grown(step: Step, c: Condition) -> str:
    """Return why it is markedly worse than when it was shelved, "" where it is not.

    One that begins on the shelf is measured by how it began.
    """
    extra, kind = step.state.extra, kinds.of(c.kind)
    before = extra.get("shelf_severity")
    if before not in SEVERITIES:
        remember(step, kind, c.severity, c.facts)
        return ""
    if SEVERITIES.index(c.severity) > SEVERITIES.index(before):
        return f"more severe than when it was shelved: {c.reason}"
    for name, times in kind.off_shelf:
        a, b = extra.get(f"shelf_{name}"), c.facts.get(name)
        if isinstance(a, int | float) and isinstance(b, int | float) and a > 0 and b >= times * a:
            return f"{b / a:.1f} times what it was when it was shelved: {c.reason}"
    return ""


def bring_back(step: Step, c: Condition, why: str) -> None:
    """Take it off the shelf before its time, and tell it at once where it was told before."""
    leave(step)
    if not is_active(step.state):
        step.go("normal", f"off the shelf, {why}", c.facts)
        return
    step.go("unacknowledged", f"off the shelf, {why}", c.facts)
    step.state = replace(step.state, acknowledged_by="", facts=dict(c.facts))
    step.tell("updated", c, why)


def time_is_up(step: Step, c: Condition, *, clear: bool) -> None:
    """Take it off the shelf at its end; say so where it still stands and nobody has acknowledged it."""
    leave(step)
    if not is_active(step.state):
        step.go("normal", "the shelf's time is up", c.facts)
        return
    after = known_state(step.state)
    step.go(after, "the shelf's time is up, and it was not over", c.facts)
    if not clear and after == "unacknowledged":
        step.tell("updated", c, "its time on the shelf is up, and it still stands")
