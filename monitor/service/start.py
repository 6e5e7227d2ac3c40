"""What the service remembers about itself: when it started, whether it ended in order; and is the clock sane?"""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import monitor

if TYPE_CHECKING:
    from monitor.store import Store

KEY = "service"  # under which the store keeps it
NEXT_PULL = "next_pull"
# This program did not exist before: a clock that says so has not been set.
RELEASED = datetime(2025, 1, 1, tzinfo=UTC)
# A clock set back by less than this goes on; the facts in the store are younger than now by as much at most.
_MARGIN = timedelta(hours=1)
_FUTURE = timedelta(days=20 * 365)
# Uptime after which a clock that may be right is believed against a fact from later: the fact's clock was ahead.
HOLD_S = 3600.0
PASSED_OVER = "clock_passed_over"  # under which the store keeps the fact that it was believed against


def read(store: Store) -> dict[str, Any]:
    """Return what was kept, {} where nothing was or it cannot be read."""
    try:
        kept = json.loads(store.get(KEY) or "{}")
    except ValueError:
        return {}
    return kept if isinstance(kept, dict) else {}


def begin(store: Store, now: datetime, site_path: str) -> tuple[int, bool]:
    """Note a start; return the starts within the last day, this one counted, and whether the run before ended badly."""
    kept = read(store)
    day_ago = now - timedelta(days=1)
    starts = [s for s in kept.get("starts", []) if day_ago < datetime.fromisoformat(s) <= now]
    unclean = bool(kept) and not kept.get("ended")
    starts.append(now.isoformat())
    store.put(
        KEY,
        json.dumps(
            {
                "version": monitor.__version__,
                "pid": os.getpid(),
                "started": now.isoformat(),
                "starts": starts[-50:],
                "site_file": site_path,
                "ended": None,
            }
        ),
    )
    return len(starts), unclean


def end(store: Store, now: datetime) -> None:
    """Note that the service ended in order."""
    store.put(KEY, json.dumps({**read(store), "ended": now.isoformat()}))


def unset(now: datetime) -> str:
    """Return in words why the clock cannot have been set at all, "" where it may be right."""
    if now < RELEASED:
        return f"the clock says {now:%Y-%m-%d %H:%M} UTC, before this program existed: it has not been set"
    if now > RELEASED + _FUTURE:
        return f"the clock says {now:%Y-%m-%d %H:%M} UTC, decades ahead: it has not been set"
    return ""


def clock_trouble(now: datetime, newest_fact: datetime | None) -> str:
    """Return in words why the clock cannot be believed, "" where nothing speaks against it."""
    if never := unset(now):
        return never
    if newest_fact is not None and now < newest_fact - _MARGIN:
        return (
            f"the clock says {now:%Y-%m-%d %H:%M} UTC, but a fact in the store came in at "
            f"{newest_fact:%Y-%m-%d %H:%M} UTC"
        )
    return ""


def newest_fact(store: Store) -> datetime | None:
    """Return when the newest reading or forecast in the store came in; None where the clock was believed against it."""
    times: list[datetime] = [r.received for r in store.latest_readings()]
    forecast = store.latest_forecast()
    if forecast is not None:
        times.append(forecast.received)
    newest = max(times, default=None)
    return None if newest is not None and store.get(PASSED_OVER) == newest.isoformat() else newest


def pass_over(store: Store, fact: datetime) -> None:
    """Note that the clock was believed against the fact that came in at `fact`: it was kept by a clock ahead."""
    store.put(PASSED_OVER, fact.isoformat())
