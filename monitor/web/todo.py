"""What to do next, and by when: in the gravest alert's own words, else from the outlook and the plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alerts.kinds import GAS
from monitor.model.site import Site
from monitor.web import words
from monitor.web.answer import Answer, fuel_ends
from monitor.web.pages import AlertView

_ORDER = ("Extreme", "Severe", "Moderate", "Minor")
_OF_COLD, _OF_FUEL = "cold-shortfall", ("run-out", "low-fuel")
_LESS = "Burn less at once in those hours: fewer burners, shorter, with pauses; or cook before."


@dataclass(frozen=True, slots=True)
class Todo:
    """One thing to do. `by` is "" where there is no time to keep; `link` is (address, its words) or None."""

    by: str
    text: str
    link: tuple[str, str] | None = None


def todo(
    payload: Mapping[str, Any] | None, alerts: Sequence[AlertView], told: Answer, going: datetime | None, site: Site,
    now: datetime,
) -> Todo:  # fmt: skip
    """Return the next thing to do. `going`: when the household said that it will go for gas."""
    zone = ZoneInfo(site.timezone)
    planned = "" if going is None else f"{words.day(going, zone)}, {words.clock(going, zone)}"
    trip = ("/trip", f"You plan to go for gas on {planned}" if planned else "When to refill, and what to take")
    for alert in sorted(alerts, key=lambda a: (a.kind not in GAS, _ORDER.index(a.severity))):
        text, kind = _first_of(alert.body), alert.kind
        if text and (alert.state != "shelved" or kind in GAS):
            by = _before_cold(payload, now, zone) if kind == _OF_COLD else ""
            by = _before_end(payload, now, zone) if kind in _OF_FUEL else by
            return Todo(by, text, trip if kind in (_OF_COLD, *_OF_FUEL) else None)
    if told.state == "short":
        return Todo(_before_cold(payload, now, zone), _LESS, trip)
    if payload is None or not any(level["reading_time"] for level in payload.get("levels", ())):
        return Todo("", "Weigh each cylinder, with what is in it, and enter the weight.", ("/enter", "Enter a reading"))
    if told.state == "blind":
        return Todo("", "Find out why the forecast is missing or old.", ("/inputs", "Look at the inputs"))
    if going is not None:
        return Todo("", "Go for gas as you planned.", trip)
    by = _before_end(payload, now, zone)
    return Todo(by, "Refill.", trip) if by else Todo("", "Nothing needs doing now.", trip)


def _first_of(body: str) -> str:
    """The first thing to do in a notice's own words, "" where it says none."""
    lines = body.splitlines()
    after = lines[lines.index("What to do:") + 1 :] if "What to do:" in lines else []
    return after[0][2:] if after and after[0].startswith("- ") else ""


def _before_cold(payload: Mapping[str, Any] | None, now: datetime, zone: ZoneInfo) -> str:
    starts = [datetime.fromisoformat(s["from"]) for s in (payload or {}).get("uncovered", ())
              if datetime.fromisoformat(s["to"]) > now]  # fmt: skip
    return "" if not starts else ("now" if starts[0] <= now else f"before {words.day_clock(starts[0], zone)}")


def _before_end(payload: Mapping[str, Any] | None, now: datetime, zone: ZoneInfo) -> str:
    """Before the early date on which the fuel no longer does: nine times in ten it is later."""
    dry, usable = fuel_ends(payload) if payload is not None else (None, None)
    early = (usable or {}).get("p10") or (dry or {}).get("p10")
    if early is None:
        return ""
    end = datetime.fromisoformat(early)
    return "now" if end <= now else f"before {words.day(end, zone)}"
