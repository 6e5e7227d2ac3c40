"""Official warnings as the store keeps them, and in words beside the outlook."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.model.warning import OfficialWarning

KEY = "official warnings"  # under which the store keeps them
_TIMES = ("sent", "onset", "ends", "expires")
_RANK = {"Extreme": 0, "Severe": 1, "Moderate": 2, "Minor": 3}


def dump(warnings: Sequence[OfficialWarning]) -> str:
    """Return the warnings as text for the store."""
    return json.dumps([asdict(w) for w in warnings], default=lambda t: t.astimezone(UTC).isoformat())


def load(text: str | None, now: datetime) -> tuple[OfficialWarning, ...]:
    """Return the warnings in `text` that are not over at `now`; none for text that cannot be read."""
    try:
        rows = json.loads(text or "[]")
        found = [_read(row) for row in rows]
    except (ValueError, TypeError, AttributeError):
        return ()
    return tuple(w for w in found if w.in_force(now))


def _read(row: dict[str, Any]) -> OfficialWarning:
    fields: dict[str, Any] = {k: datetime.fromisoformat(v) if k in _TIMES and v else v for k, v in row.items()}
    return OfficialWarning(**fields)


def words(warnings: Sequence[OfficialWarning], timezone: str) -> str:
    """Return one line for people: each event once, the gravest first, with its end; "" for none."""
    zone = ZoneInfo(timezone)
    parts: dict[str, str] = {}
    for warning in sorted(warnings, key=lambda w: (_RANK[w.severity], w.onset or w.sent)):
        until = f" until {warning.ends.astimezone(zone):%a %d %b %H:%M}" if warning.ends else ""
        parts.setdefault(warning.event, f"{warning.event}{until} ({warning.sender or warning.credit})")
    return "; ".join(parts.values())
