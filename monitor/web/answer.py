"""The answer in the first second: covered through the cold? how long does the fuel last? can I trust what I see?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from monitor.alerts.eyes import silence_s
from monitor.alerts.settings import Limits
from monitor.model.health import SourceHealth
from monitor.model.site import Site
from monitor.model.units_out import duration, show
from monitor.web import words

ZERO_C_K = 273.15
OUTLOOK_OLD = timedelta(minutes=75)  # it is made at least once an hour


@dataclass(frozen=True, slots=True)
class Answer:
    """Three sentences, and which of the three states the page is in."""

    state: Literal["covered", "short", "blind"]
    covered: str
    fuel: str
    trust: str


def _moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def answer(payload: Mapping[str, Any] | None, health: Mapping[str, SourceHealth], site: Site, now: datetime) -> Answer:
    """Put the outlook's JSON form into three sentences. Blind = what it rests on is missing or too old."""
    made = _answer(payload, health, site, now)
    return Answer(made.state, words.whole(made.covered), words.whole(made.fuel), words.whole(made.trust))


def _answer(payload: Mapping[str, Any] | None, health: Mapping[str, SourceHealth], site: Site, now: datetime) -> Answer:
    zone = ZoneInfo(site.timezone)
    troubles = trouble(payload, health, site, now)
    trust = "Every input is fresh." if not troubles else "Not everything can be trusted: " + "; ".join(troubles) + "."
    if payload is None:
        return Answer("blind", "Not known: there is no outlook yet.", "Fuel: not known.", trust)
    if not payload["hours"]:
        return Answer("blind", "Not known: no forecast has come in.", _fuel(payload, site, zone), trust)
    short = [s for s in payload["uncovered"] if datetime.fromisoformat(s["to"]) > now]
    judged = [h for h in payload["hours"] if h["uncovered"] is not None]
    if short:
        return Answer("short", _short_sentence(short, site, zone), _fuel(payload, site, zone), trust)
    issued = _moment(payload.get("forecast_issued"))
    if not judged or issued is None or (now - issued).total_seconds() > Limits(site.settings)["forecast_age"]:
        return Answer("blind", "Not known: the forecast is missing or old.", _fuel(payload, site, zone), trust)
    made_at = _moment(payload.get("at"))
    if made_at is not None and now - made_at > OUTLOOK_OLD:
        age = words.age((now - made_at).total_seconds())
        return Answer(
            "blind", f"Not known: the outlook is {age} old; the service makes none.", _fuel(payload, site, zone), trust
        )
    end = datetime.fromisoformat(judged[-1]["time"]) + timedelta(hours=1)
    gap = next(
        (h for h in payload["hours"] if h["uncovered"] is None and datetime.fromisoformat(h["time"]) < end), None
    )
    if gap is not None:
        when = words.day_clock(datetime.fromisoformat(gap["time"]), zone)
        sentence = f"Not known for every hour: nothing can be said about {when}, and other hours may be missing too."
        return Answer("blind", sentence, _fuel(payload, site, zone), trust)
    sentence = f"Covered: every burner can burn as long as stated, through {words.day_clock(end, zone)}."
    return Answer("covered", sentence, _fuel(payload, site, zone), trust)


def _short_sentence(short: Sequence[Mapping[str, Any]], site: Site, zone: ZoneInfo) -> str:
    first = short[0]
    when = words.span(datetime.fromisoformat(first["from"]), datetime.fromisoformat(first["to"]), zone)
    air = show(first["worst_air_c"] + ZERO_C_K, "temperature", site.units)
    if first["why"] == "continuous":
        lack = f"the heater lacks {show(-first['worst_headroom_w'], 'power', site.units)} at worst"
    else:
        hold = duration(first["worst_hold_s"])
        lack = f"all burners together hold {hold} of the {duration(first['needed_hold_s'])} stated"
    rest = len(short) - 1
    more = f" {rest} more stretch{'es follow' if rest > 1 else ' follows'}." if rest else ""
    return f"Short {when}: {lack}, at {air}.{more}"


def _fuel(payload: Mapping[str, Any], site: Site, zone: ZoneInfo) -> str:
    known = [level for level in payload.get("levels", ()) if level["left_kg"] is not None]
    if not known:
        return "Fuel: no cylinder has been read yet."
    left = show(sum(level["left_kg"] for level in known), "mass", site.units)
    supply = next((f for f in payload.get("fuel", ()) if f["subject"] == "supply"), None)
    dry = (supply or {}).get("dry") or payload["run_out"]
    usable = (supply or {}).get("usable")
    if dry is None or dry["p50"] is None:
        return f"Fuel: {left} left; too little history to say how long it lasts."
    if usable is not None and usable["p50"] is not None:
        return (
            f"Fuel: {left} left, enough for every burner in the cold until {_about(usable, zone)}; {_dry(dry, zone)}."
        )
    return f"Fuel: {left} left, until {_about(dry, zone)}."


def _about(ends: Mapping[str, str | None], zone: ZoneInfo) -> str:
    middle = words.day(datetime.fromisoformat(str(ends["p50"])), zone)
    early = "" if ends["p10"] is None else words.day(datetime.fromisoformat(ends["p10"]), zone)
    return f"about {middle}" + (f" (one time in ten before {early})" if early and early != middle else "")


def _dry(ends: Mapping[str, str | None], zone: ZoneInfo) -> str:
    return f"the last of it is burnt about {words.day(datetime.fromisoformat(str(ends['p50'])), zone)}"


def trouble(
    payload: Mapping[str, Any] | None, health: Mapping[str, SourceHealth], site: Site, now: datetime
) -> list[str]:
    """Return in words what is silent, failing or too old, by the limits that the alerts go by."""
    out, limits = [], Limits(site.settings)
    specs = {s.name: s for s in site.sensors}
    for source in sorted(health.values(), key=lambda s: s.since):
        name = words.called(source.name, source.kind)
        if source.error:
            out.append(f"{name} fails since {words.age((now - source.since).total_seconds())}")
        elif source.ok_at is None:
            out.append(f"{name} was never heard")
        elif source.interval_s and (now - source.ok_at).total_seconds() > (
            silence_s(specs[source.name], limits) if source.name in specs else limits["silent"] * source.interval_s
        ):
            out.append(f"{name} is silent for {words.age((now - source.ok_at).total_seconds())}")
    if payload is not None:
        issued = _moment(payload.get("forecast_issued"))
        if issued is not None and (now - issued).total_seconds() > limits["forecast_age"]:
            out.append(f"the forecast is {words.age((now - issued).total_seconds())} old")
        out += _levels(payload, limits, now)
    return out


def _levels(payload: Mapping[str, Any], limits: Limits, now: datetime) -> list[str]:
    out = []
    for level in payload.get("levels", ()):
        read = _moment(level["reading_time"])
        if read is None:
            out.append(f"{level['cylinder']} was never read")
        elif (now - read).total_seconds() > limits["level_old"]:
            out.append(f"{level['cylinder']} was last read {words.age((now - read).total_seconds())} ago")
    return out
