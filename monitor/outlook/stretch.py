"""Runs of uncovered hours."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from monitor.model.outlook import HourOutlook, Stretch

HOUR = timedelta(hours=1)


def runs(flags: Sequence[bool]) -> list[tuple[int, int]]:
    """Half-open index ranges in which `flags` is true without a break."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(flags, dtype=np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def stretches(
    hours: Sequence[HourOutlook],
    short_of_hold: Sequence[bool],
    stated_s: Sequence[float],
    by_member: NDArray[np.bool_] | None = None,
) -> tuple[Stretch, ...]:
    """Join uncovered hours that follow each other.

    `short_of_hold` says where the hold time is what is missing, `stated_s` the burn that was to be held;
    `by_member` (members, hours) gives the odds that the stretch has at least one uncovered hour.
    The worst time is the hour with the least headroom. A gap ends a stretch.
    """
    found = []
    for a, b in runs([h.uncovered is True for h in hours]):
        part = hours[a:b]
        headroom = [h.headroom_w if h.headroom_w is not None else np.inf for h in part]
        worst = part[int(np.argmin(headroom))]
        asked = [h for h, stated in zip(part, stated_s[a:b], strict=True) if stated > 0.0] or part
        odds = None if by_member is None else float(by_member[:, a:b].any(axis=1).mean())
        found.append(
            Stretch(
                start=part[0].time,
                end=part[-1].time + HOUR,
                worst_time=worst.time,
                worst_headroom_w=float(min(headroom)),
                worst_hold_s=min((h.hold_s for h in asked if h.hold_s is not None), default=0.0),
                worst_air_k=min((h.air_k for h in part if h.air_k is not None), default=float("nan")),
                needed_hold_s=max(stated_s[a:b], default=0.0),
                probability=odds,
                why="hold" if any(short_of_hold[a:b]) else "continuous",
            )
        )
    return tuple(found)
