"""The rule of fuel that falls while nothing may burn, and of which cylinder it is that loses it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from monitor.alerts.known import Known, found
from monitor.alerts.settings import Limits
from monitor.model.alert import Condition, Fact
from monitor.model.site import Site

SITE = "site"
SURE_DRAW = 4.0  # standard deviations: every night of a year is looked at, and a false one sends people to the valve
APART = 2.0  # standard deviations by which the one cylinder named loses more than each other


def unexpected_draw(site: Site, known: Known, limits: Limits, silent: frozenset[str]) -> Iterator[Condition]:
    """Fuel that falls in hours in which nothing may burn: of each cylinder, and of those that feed together.

    It is said once, by whichever says more: where one cylinder alone is seen to lose fuel, its own alert speaks and
    holds the house's back; where it is not known which, the house's holds theirs back and tells what each loses.
    """
    kind, open_ = "unexpected-draw", [c.name for c in site.cylinders if c.valve_open]
    together = len(open_) > 1 and _falls(SITE, known, limits)
    alone = _loses_alone(open_, known, limits)
    if len(open_) > 1:
        rests = [f"{kind}/{alone}"] if alone else []
        yield _draw(kind, SITE, known, limits, open_, site, silent, rests)
    for cylinder in site.cylinders:
        held = together and cylinder.valve_open and cylinder.name != alone
        rests = [f"{kind}/{SITE}"] if held else []
        yield _draw(kind, cylinder.name, known, limits, [cylinder.name], site, silent, rests)


def _falls(subject: str, known: Known, limits: Limits) -> bool:
    """Whether a draw while nothing may burn is sure."""
    rate, sd = known.unexpected_kg_s.get(subject), known.unexpected_sd_kg_s.get(subject, 0.0)
    return rate is not None and rate > limits["leak_rate"] and rate > SURE_DRAW * sd


def _loses_alone(open_: Sequence[str], known: Known, limits: Limits) -> str:
    """Return the one open cylinder that surely falls, and each other surely less than it; "" where there is none.

    Behind a common joint each gives some of what is lost: then it is the house's, not one cylinder's.
    """
    falling = [name for name in open_ if _falls(name, known, limits)]
    if len(falling) != 1:
        return ""
    (one,) = falling
    rate, sd = known.unexpected_kg_s[one], known.unexpected_sd_kg_s.get(one, 0.0)
    for other in open_:
        if other == one:
            continue
        if other not in known.unexpected_kg_s:
            return ""
        apart = math.hypot(sd, known.unexpected_sd_kg_s.get(other, 0.0))
        if rate - known.unexpected_kg_s[other] <= APART * apart:
            return ""
    return one


def _draw(
    kind: str, subject: str, known: Known, limits: Limits, names: list[str], site: Site, silent: frozenset[str],
    rests: Sequence[str] = (),
) -> Condition:  # fmt: skip
    rate = known.unexpected_kg_s.get(subject)
    if rate is None:
        return found(kind, subject, None, "no quiet hours were seen yet")
    sd, limit = known.unexpected_sd_kg_s.get(subject, 0.0), limits["leak_rate"]
    holds = _falls(subject, known, limits)
    on = [f"sensor-silent/{s.name}" for s in site.sensors if s.subject in names and s.name in silent]
    facts: dict[str, Fact] = {"rate_kg_s": rate, "sd_kg_s": sd}
    if subject == SITE:
        facts |= {f"rate.{n}": known.unexpected_kg_s[n] for n in names if n in known.unexpected_kg_s}
    return found(
        kind, subject, holds, "falls while nothing may burn" if holds else "rests", facts, severity="Severe",
        urgency="Immediate", certainty="Possible", band=not holds and rate > limit / 2 and rate > SURE_DRAW / 2 * sd,
        rests_on=[*rests, *on],
    )  # fmt: skip
