"""The whole service soaked: MQTT, Bluetooth, simulated sensors, forecasts, alerts and the page polled, at 200x.

A short form runs in every run (alone: it measures). The long form takes days of the service's clock:

    BOILOFF_SOAK_DAYS=30 python -m pytest tests/service/test_soak.py -m soak -s

At the 200x of BOILOFF_SOAK_SPEED thirty days take 3.6 hours.
"""

from __future__ import annotations

import json
import os
import statistics
import time
from pathlib import Path
from typing import Any

import pytest

from monitor.store import Store
from tests.service.soaking import Soak, soaking

SPEED = float(os.environ.get("BOILOFF_SOAK_SPEED", "200"))
DAYS = float(os.environ.get("BOILOFF_SOAK_DAYS", "30"))
SHORT_S = 40.0  # real seconds of the short form: 2.2 hours at 200x, so every interval is passed twice at least

# What the service may hold. Each bound is what is right for a small board, not what was measured plus a margin.
MOST_HANDLES = 64  # idle about 20; a page of several browsers and a pull a dozen more; 1,024 is the system's limit
MOST_THREADS = 40  # one a loop that can hang, one a channel, the page's pool: all bounded by count, not by time
MOST_RSS_MB = 200.0  # with the page in use: a fifth of a board with 1 GB
GROWN_MB = 20.0  # what is imported when first used (a notice alone loads some 10 MB) and caches that fill
SLOPE_MB_DAY = 1.0  # over a day or more: 30 MB in thirty days at the very most
STORE_MB_DAY = 6.0  # 144 outlooks and 24 forecasts whole a day; thinned after 14 and 90 days, so at most ~150 MB stand
# Deadlines, in seconds of the service's clock. At 200x a real second is 200 of them, so each has 2 real seconds on top.
SLACK_S = 2.0 * SPEED
ROUND_GAP_S = 600.0 + SLACK_S  # an outlook at least every ten minutes
FORECAST_GAP_S = 3600.0 + 2.0 * SLACK_S  # a pull an hour, and a moment to ask
LOOK_S = 5.0  # real seconds until a page is there, on a machine that does 200 days' work in one
EDGE = 3  # messages of a sensor that may be under way at the ends of the run (its interval is 3 real seconds)


@pytest.mark.timing  # a busy machine is not what is measured
def test_two_hours_pass_within_bounds(tmp_path: Path) -> None:
    with soaking(tmp_path, SPEED) as soak:
        time.sleep(SHORT_S)
    within_bounds(soak, tmp_path)


@pytest.mark.soak
@pytest.mark.timeout(0)
def test_days_pass_within_bounds(tmp_path: Path) -> None:
    with soaking(tmp_path, SPEED) as soak:
        while soak.days() < DAYS:
            time.sleep(1.0)
    within_bounds(soak, tmp_path)


def slope(samples: list[dict[str, Any]], what: str) -> float:
    """The middle of the slopes (a simulated day) between samples half the run apart: one leap does not tilt it."""
    half = len(samples) // 2
    return statistics.median(
        float(late[what] - early[what]) / float(late["day"] - early["day"])
        for early, late in zip(samples, samples[half:], strict=False)
    )


def within_bounds(soak: Soak, folder: Path) -> None:
    """Judge a soak; print what was measured first."""
    settled = soak.samples[len(soak.samples) // 4 :]  # imports, the first pages and the first forecast are behind
    last = soak.samples[-1]
    quarter = max(1, len(settled) // 4)
    grown = statistics.median(s["rss_mb"] for s in settled[-quarter:]) - statistics.median(
        s["rss_mb"] for s in settled[:quarter]
    )
    looks = sorted(soak.looks_s)
    told = {
        "days": round(last["day"], 3), "rss_mb": round(last["rss_mb"], 1), "grown_mb": round(grown, 2),
        "rss_mb_a_day": round(slope(settled, "rss_mb"), 3), "store_mb_a_day": round(slope(settled, "store_mb"), 3),
        "store_mb": round(last["store_mb"], 3),
        **{f"{what} first/most/last": [settled[0][what], max(s[what] for s in settled), last[what]]
           for what in ("handles", "threads")},
        **{what: last[what] for what in ("readings", "rounds", "forecasts", "notices", "failed", "widest", "sources")},
        "sent": soak.sent, "told": len(soak.hook.got), "pages": len(looks), "page median s": looks[len(looks) // 2],
        "page slowest s": looks[-1], "pages ill": soak.ill[:3],
    }  # fmt: skip
    print(json.dumps(told, indent=1))
    assert max(s["rss_mb"] for s in settled) <= MOST_RSS_MB
    assert grown <= GROWN_MB
    if last["day"] >= 1.0:
        assert slope(settled, "rss_mb") <= SLOPE_MB_DAY
        assert slope(settled, "store_mb") <= STORE_MB_DAY
    for what, most in (("handles", MOST_HANDLES), ("threads", MOST_THREADS)):
        assert max(s[what] for s in settled) <= most, what
        # a leak of one a day shows as a floor that rises: compare the least of the first and of the last part
        first, later = (min(s[what] for s in part) for part in (settled[:quarter], settled[-quarter:]))
        assert later - first <= 2, what
    _deadlines(soak, folder, last)


def _deadlines(soak: Soak, folder: Path, last: dict[str, Any]) -> None:
    assert not any(s["late"] for s in soak.samples), "a loop was late or died"
    assert last["failed"] == 0, "a round failed"
    assert last["widest"]["rounds"] <= ROUND_GAP_S
    assert last["widest"]["forecasts"] <= FORECAST_GAP_S
    assert soak.ill == []
    assert max(soak.looks_s) <= LOOK_S
    with Store.open(folder / "store.db", readonly=True) as store:
        kept: dict[str, int] = {}
        for reading in store.readings():
            kept[reading.source] = kept.get(reading.source, 0) + 1
        pending = [row for row in store.due(soak.clock.now(), 100) if row.channel == "hook"]
    for name, sent in soak.sent.items():
        assert kept[name] == sent, f"{name}: {sent} sent with QoS 1, {kept[name]} kept"
    every = last["day"] * 144.0
    for name in ("gauge", "radio scale", "radio battery"):
        assert kept[name] >= 0.95 * every - EDGE, name
    assert kept["second scale"] >= 0.9 * every - EDGE  # it loses one in twenty by itself
    assert pending == []
    assert len(soak.hook.got) >= 1  # the cold in the forecast was told
