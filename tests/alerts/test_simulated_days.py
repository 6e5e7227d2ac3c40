"""Many invented household winters: how often people are told, whether anything chatters, whether anything is missed.

The budget for a household is a choice, not a norm: 1-3 notices a week, about one urgent a month. A control room's
benchmarks (ANSI/ISA-18.2) are far above it. Chattering here: 3 or more raisings of one alert within 24 hours.
"""

from __future__ import annotations

import itertools
import os
import sys
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime, timedelta

import pytest

from tests.alerts.simulate import HOUR, Told, play, time_of

DAYS = 100


def raisings(told: Told) -> dict[str, list[datetime]]:
    found: dict[str, list[datetime]] = defaultdict(list)
    for t in told.transitions:
        if t.after == "unacknowledged" and t.before in {"normal", "pending", "suppressed"}:
            found[t.key].append(t.at)
    return found


def chatter(times: list[datetime], count: int = 3) -> int:
    """How often `count` of the times lie within 24 hours."""
    return sum(b - a <= timedelta(hours=24) for a, b in zip(times, times[count - 1 :], strict=False))


def standing(told: Told, *kinds: str) -> list[tuple[datetime, datetime]]:
    """When an alert of the kinds stood."""
    spans, begun = [], {}
    for n in told.notices:
        if n.key.split("/")[0] in kinds:
            if n.what == "raised":
                begun[n.key] = n.at
            elif n.what == "ended":
                spans.append((begun.pop(n.key), n.at))
    return spans + [(at, datetime.max.replace(tzinfo=at.tzinfo)) for at in begun.values()]


def covered(spans: list[tuple[datetime, datetime]], hour: int, within: int) -> bool:
    """Whether an alert stood at some time in the `within` hours from `hour`."""
    start, end = time_of(hour), time_of(hour + within)
    return any(a <= end and b >= start for a, b in spans)


def foreseeable(told: Told, hour: int) -> bool:
    """Whether the forecast's odds said so in two rounds running before `hour`: the rule had something to go by."""
    said = [h for h, start in told.foreseen.items() if h < hour and start <= hour + 3]
    return any(b - a == 1 for a, b in itertools.pairwise(said))


def measure(households: list[Told]) -> dict[str, float]:
    days = sum(t.days - 5 for t in households)
    notices = [n for t in households for n in t.notices]
    urgent = [n for n in notices if n.severity in {"Severe", "Extreme"} and n.what != "ended"]
    plain = [at for t in households for times in t.plain.values() for at in times]
    cold = [(t, h, seen) for t in households for h, seen in t.cold_events]
    cold_spans = {id(t): standing(t, "cold-shortfall") for t in households}
    told_before = [h for t, h, _ in cold if covered(cold_spans[id(t)], h, 0)]
    fair = [(t, h) for t, h, _ in cold if foreseeable(t, h)]
    return {
        "site-days": days,
        "notices a week": 7 * len(notices) / days,
        "urgent a month": 30 * len(urgent) / days,
        "plain rule a week": 7 * len(plain) / days,
        "chattering": sum(chatter(times) for t in households for times in raisings(t).values()),
        "plain chattering": sum(chatter(x, 4) for t in households for x in t.plain.values()),
        "true cold nights": len(cold),
        "told before they began": len(told_before) / max(1, len(cold)),
        "told urgently before": sum(_urgent_before(t, h) for t, h, _ in cold) / max(1, len(cold)),
        "foreseeable, and told": sum(covered(cold_spans[id(t)], h, 0) for t, h in fair) / max(1, len(fair)),
        "foreseeable": len(fair) / max(1, len(cold)),
        "low fuel, told within 12 h": _share(households, "low_events", 12, "low-fuel", "sensor-silent", "broker-down"),
        "silent, told within 2 h": _share(households, "silent_events", 2, "sensor-silent", "broker-down"),
        "stale, told within 2 h": _share(households, "stale_events", 2, "forecast-stale", "sources-failing"),
    }


def _urgent_before(told: Told, hour: int) -> bool:
    """Whether an urgent notice of the cold came before `hour`, in the alert that stood then."""
    last = [n for n in told.notices if n.key.startswith("cold-shortfall/") and n.at <= time_of(hour)]
    if not last or last[-1].what == "ended":
        return False
    return any(n.occurrence == last[-1].occurrence and n.severity in {"Severe", "Extreme"} for n in last)


def _share(households: list[Told], events: str, within: int, *kinds: str) -> float:
    every = [covered(standing(t, *kinds), h, within) for t in households for h in getattr(t, events)]
    return sum(every) / max(1, len(every))


def report(found: dict[str, float], households: list[Told]) -> None:
    by_kind = Counter(f"{n.key.split('/')[0]} {n.what}" for t in households for n in t.notices)
    lines = [f"{name:28s} {value:10.3f}" for name, value in found.items()]
    lines += [f"  {kind:36s} {count}" for kind, count in by_kind.most_common()]
    sys.stderr.write("\n" + "\n".join(lines) + "\n")


def check(found: dict[str, float]) -> None:
    assert found["chattering"] == 0
    assert found["plain chattering"] > 0
    assert found["notices a week"] <= 3.0
    assert found["urgent a month"] < 1.0
    assert found["told urgently before"] >= 0.98
    assert found["foreseeable, and told"] == 1.0
    assert found["low fuel, told within 12 h"] == 1.0
    assert found["silent, told within 2 h"] == 1.0
    assert found["stale, told within 2 h"] == 1.0


def test_a_few_winters() -> None:
    households = [play(seed, DAYS) for seed in range(4)]
    found = measure(households)
    report(found, households)
    check(found)


@pytest.mark.soak
@pytest.mark.timeout(900)
def test_ten_thousand_site_days() -> None:
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        households = list(pool.map(play, range(1000, 1106), [DAYS] * 106))
    found = measure(households)
    report(found, households)
    assert found["site-days"] >= 10_000
    check(found)


def test_the_measures_themselves() -> None:
    hours = [time_of(h) for h in (0, 5, 23, 60)]
    assert chatter(hours) == 1
    assert chatter(hours, 2) == 2
    assert covered([(time_of(0), time_of(3))], 2, 0)
    assert not covered([(time_of(0), time_of(3))], 4, 5)
    assert timedelta(hours=1) == HOUR
