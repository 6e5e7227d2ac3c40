"""What each page shows: plain values made from the store's facts, for the templates to place."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from monitor import physics
from monitor.alerts import kinds
from monitor.alerts.settings import Limits
from monitor.model import filled
from monitor.model.alert import Notice
from monitor.model.reading import LEVEL_QUANTITIES
from monitor.model.site import Basis, Cylinder, Site
from monitor.model.units_out import duration, show
from monitor.outlook.level import ago
from monitor.physics import shell
from monitor.web import section, words
from monitor.web.answer import ZERO_C_K, forecast_old, source_trouble
from monitor.web.gather import Facts

BASIS_WORDS: dict[Basis, str] = {
    "chart": "“chart”: a light breeze everywhere and liquid boiled down to 0 psig, as trade charts have it",
    "floor": "“floor”: the chart's breeze, but liquid no colder than the regulator's lowest inlet pressure allows",
    "weather": "“weather”: wind, sky and air of the forecast, liquid no colder than the regulator allows",
}


@dataclass(frozen=True, slots=True)
class CylinderView:
    """One cylinder as the page shows it."""

    name: str
    open: bool
    section: section.Section
    label: str
    left: str
    carries: str
    needs: str
    basis: str
    filled: str = ""  # what a fill without a weight makes of the level
    known: bool = True


@dataclass(frozen=True, slots=True)
class AlertView:
    """One standing alert in words."""

    key: str
    headline: str
    body: str
    state: str
    severity: str
    since: str
    reason: str
    can_acknowledge: bool
    can_stop: bool = True  # shelve, or take out of service
    name: str = ""

    @property
    def kind(self) -> str:
        """Name of its kind in `alerts.kinds`."""
        return self.key.partition("/")[0]


@dataclass(frozen=True, slots=True)
class InputRow:
    """One input with its age."""

    name: str
    age: str
    words: str
    trouble: bool


def _hour_now(payload: Mapping[str, Any], now: datetime) -> Mapping[str, Any] | None:
    """The hour of the outlook that holds `now`."""
    for hour in payload["hours"]:
        start = datetime.fromisoformat(hour["time"])
        if start <= now < start + timedelta(hours=1):
            return dict(hour)
    first = next(iter(payload["hours"]), None)
    if first is not None and timedelta(0) < datetime.fromisoformat(first["time"]) - now < timedelta(hours=1):
        return dict(first)
    return None


def _coldest(payload: Mapping[str, Any]) -> Mapping[str, Any] | None:
    known = [h for h in payload["hours"] if h["air_c"] is not None and h["may_burn"]]
    return min(known, key=lambda h: h["air_c"], default=None)


_AGO = re.compile(r"\d+ (?:min|h|days) ago")


def _told(level: Mapping[str, Any], now: datetime) -> str:
    """Where a level comes from, with the reading's age as of now: the outlook that told it may be some minutes old."""
    read = level.get("reading_time")
    if read is None:
        return str(level["basis"])
    return _AGO.sub(f"{ago((now - datetime.fromisoformat(read)).total_seconds())} ago", str(level["basis"]), count=1)


def cylinders(facts: Facts, site: Site) -> list[CylinderView]:
    """Return each cylinder: what is left, what it carries now, what it needs in the coldest hour ahead."""
    payload = facts.payload or {"hours": [], "levels": []}
    hour, coldest = _hour_now(payload, facts.now), _coldest(payload)
    levels = {level["cylinder"]: level for level in payload.get("levels", ())}
    needed = coldest["level_needed"][site.supply.basis] if coldest is not None else None
    out = []
    for index, c in enumerate(site.cylinders):
        level = levels.get(c.name)
        left = level["left_kg"] if level is not None else None
        liquid_k = ZERO_C_K + (hour["liquid_c"] if hour is not None and hour["liquid_c"] is not None else 0.0)
        picture = section.draw(
            shell.of(c).diameter_m,
            shell.of(c).straight_m,
            float(shell.height_of_mass_m(c, left or 0.0, liquid_k)),
            None
            if needed is None or not c.valve_open
            else float(shell.height_of_mass_m(c, needed * c.full_kg, liquid_k)),
        )
        share = "" if left is None else f" ({words.percent(left / c.full_kg)} of full)"
        words_left = "level not known" if left is None else f"{show(left, 'mass', site.units)} left{share}"
        out.append(
            CylinderView(
                name=c.name,
                open=c.valve_open,
                section=picture,
                label=f"Cylinder {c.name}: {words_left}",
                left=words.whole(words_left),
                carries=words.whole(_alone(site, index, left, hour)),
                needs=words.whole(_needs(c, left, needed, coldest, site)),
                basis=words.whole(_told(level, facts.now)) if level is not None else "no reading yet",
                filled=_filled(level, facts, c.name, site),
                known=left is not None,
            )
        )
    return out


def _alone(site: Site, index: int, left: float | None, hour: Mapping[str, Any] | None) -> str:
    """What one cylinder by itself carries in this hour, on the site's basis with calm air where wind is unknown."""
    if left is None:
        return "what it can carry is not known until its level is"
    if hour is None or hour["air_c"] is None:
        return "what it can carry now is not known: no forecast for this hour"
    plant = physics.Plant.of(replace(site, cylinders=(site.cylinders[index],))).only(np.array([0]))
    watts = physics.sustained_w(plant, [left], physics.Air(hour["air_c"] + ZERO_C_K), site.supply.basis)
    return f"by itself carries {show(float(watts), 'power', site.units)} now, without end"


def _needs(c: Cylinder, left: float | None, needed: float | None, coldest: Mapping[str, Any] | None, site: Site) -> str:
    if coldest is None or left is None or not c.valve_open:
        return ""
    air = show(coldest["air_c"] + ZERO_C_K, "temperature", site.units)
    if needed is None:
        return f"at {air}, the coldest ahead, not even full ones carry every burner without end"
    has = words.percent(left / c.full_kg)
    return f"every burner without end at {air}, the coldest ahead, needs {words.percent(needed)} in each; it has {has}"


def _filled(level: Mapping[str, Any] | None, facts: Facts, name: str, site: Site) -> str:
    """What to say of a fill that was not weighed: known to the outlook, or entered since it was made."""
    known, reading = ((level or {}).get(key) for key in ("filled_unweighed", "reading_time"))
    reads = [
        r.time for r in facts.newest if r.subject == name and r.quantity in LEVEL_QUANTITIES and r.value is not None
    ]
    reads += [datetime.fromisoformat(reading)] if reading else []
    at = datetime.fromisoformat(known) if known else filled.unweighed(facts.entries, facts.now).get(name)
    if at is None or (reads and max(reads) >= at):
        return ""
    level_is = "half-way between what was in it before and full" if known else "from before"
    local = at.astimezone(ZoneInfo(site.timezone))
    shown = f"the level shown is {level_is}" if reads else "it counts as empty"
    return f"Filled {local.day} {local:%b}, not weighed since: {shown}."


def filled_since(facts: Facts, site: Site) -> list[str]:
    """Return a sentence for each cylinder that was filled, not weighed, since its level was read."""
    levels = {level["cylinder"]: level for level in (facts.payload or {}).get("levels", ())}
    each = ((c.name, _filled(levels.get(c.name), facts, c.name, site)) for c in site.cylinders)
    return [f"{name}: {text[0].lower()}{text[1:]}" for name, text in each if text]


def alert_views(facts: Facts, site: Site) -> list[AlertView]:
    """Return the standing alerts with the words of their last notice."""
    zone = ZoneInfo(site.timezone)
    said: dict[str, Notice] = {}
    for notice in reversed(list(facts.notices)):
        said[notice.occurrence] = notice
    out = []
    for state in facts.standing():
        last, title = said.get(state.occurrence), kinds.of(state.kind).title
        out.append(
            AlertView(
                key=state.key,
                headline=words.whole(last.headline if last is not None else f"{title}: {state.subject}"),
                body=words.whole(last.body.removeprefix(last.headline + ".").strip()) if last is not None else "",
                state=state.state.replace("_", " "),
                severity=state.severity,
                since=words.day_clock(state.since, zone),
                reason=state.reason,
                can_acknowledge=state.state in {"unacknowledged", "returned"},
                can_stop=not kinds.of(state.kind).stays,
                name=named(state.key),
            )
        )
    return out


def named(key: str) -> str:
    """Return what an alert is called, from its key: its kind's title and what it is about."""
    kind, _, subject = key.partition("/")
    title = kinds.of(kind).title
    return title if subject in {"site", ""} else f"{title}: {subject}"


def stopped(facts: Facts, site: Site) -> list[dict[str, str]]:
    """Return the alerts that a person took out of service, and the kinds that the site file leaves out."""
    zone = ZoneInfo(site.timezone)
    out = [
        {"key": a.key, "name": f"{kinds.of(a.kind).title}: {a.subject}",
         "words": f"{a.reason}, since {words.day_clock(a.since, zone)}"}
        for a in facts.alerts.values()
        if a.state == "out_of_service"
    ]  # fmt: skip
    by_file = Limits(site.settings).many("out_of_service")
    out += [{"key": "", "name": kinds.of(k).title, "words": "switched off in the site file"}
            for k in by_file if not kinds.of(k).stays]  # fmt: skip
    return out


SEEN = frozenset({"sensor", "forecast", "broker", "radio"})  # kinds that are inputs; the rest only where they fail


def inputs(facts: Facts, site: Site, *, all_kinds: bool = True) -> list[InputRow]:
    """Return each source, sensor and channel with its age and what is wrong with it."""
    out = []
    for source in sorted(facts.health.values(), key=lambda s: (s.kind, s.name)):
        if not all_kinds and source.kind not in SEEN and not source.error:
            continue
        age = "never heard" if source.ok_at is None else words.ago((facts.now - source.ok_at).total_seconds())
        since = words.day_clock(source.since, ZoneInfo(site.timezone))
        wrong = source_trouble(source, site, facts.now)
        text = f"{source.error} (since {since})" if source.error else wrong
        out.append(InputRow(words.called(source.name, source.kind), age, text, bool(wrong)))
    payload = facts.payload
    if payload is not None and payload.get("forecast_issued"):
        issued = datetime.fromisoformat(payload["forecast_issued"])
        old = forecast_old(issued, site, facts.now)
        origin = f" ({payload['forecast_source']})" if payload.get("forecast_source") else ""
        told = f"issued {words.ago((facts.now - issued).total_seconds())}"
        out.insert(0, InputRow(f"forecast in use{origin}", told, "too old to go by" if old else "", old))
    return out


def hour_text(hour: Mapping[str, Any], site: Site) -> str:
    """One hour of the outlook as a line for the reader under the finger."""
    zone, units = ZoneInfo(site.timezone), site.units
    at = words.day_clock(datetime.fromisoformat(hour["time"]), zone)
    if hour["air_c"] is None:
        return f"{at}: no forecast for this hour"
    air = _between(hour.get("air_band_c"), lambda c: show(c + ZERO_C_K, "temperature", units))
    parts = [f"air {show(hour['air_c'] + ZERO_C_K, 'temperature', units)}{air}"]
    sustained = hour["sustained_w"]
    if sustained.get("weather") is not None:
        each = ", ".join(f"{basis} {show(sustained[basis], 'power', units)}" for basis in ("weather", "floor", "chart"))
        likely = _between(hour.get("capacity_band_w"), lambda w: show(w, "power", units))
        parts.append(f"carried without end: {each}{likely and f'; on “{site.supply.basis}”{likely}'}")
    if hour["hold_s"] is not None:
        parts.append(f"all burners hold {_hold(hour['hold_s'])}{_between(hour.get('hold_band_s'), _hold)}")
    if hour.get("charge_kg"):
        parts.append("left: " + ", ".join(f"{n} {show(kg, 'mass', units)}" for n, kg in hour["charge_kg"].items()))
    if hour["uncovered"]:
        parts.append("uncovered")
    if hour["probability_uncovered"] is not None:
        parts.append(f"odds of a shortfall {words.percent(hour['probability_uncovered'])}")
    return f"{at}: " + "; ".join(parts)


def _between(band: Mapping[str, float] | None, say: Callable[[float], str]) -> str:
    """The 10 and 90 % of the odds in brackets, "" where there are none or they read the same."""
    if band is None:
        return ""
    low, high = say(band["p10"]), say(band["p90"])
    return "" if low == high else f" ({low} to {high})"


def run_out_text(payload: Mapping[str, Any] | None, site: Site) -> str:
    """When the fuel ends, early, in the middle and late; "" where nothing can be said."""
    supply = next((f for f in (payload or {}).get("fuel", ()) if f["subject"] == "supply"), None)
    ends = (supply or {}).get("dry") or (payload or {}).get("run_out")
    if not ends:
        return ""
    zone = ZoneInfo(site.timezone)
    early, middle, late = (
        None if ends[p] is None else words.day(datetime.fromisoformat(ends[p]), zone) for p in ("p10", "p50", "p90")
    )
    first = f"; one time in ten before {early}" if early else ""
    last = f", one in ten after {late}" if late else ", how late at the latest cannot be said" if early else ""
    return f"The fuel ends {f'about {middle}' if middle else 'later than can be said'}{first}{last}."


def _hold(seconds: float) -> str:
    return "24 h or more" if seconds >= 86_400 else duration(seconds)


def valve_words(site: Site) -> str:
    """What to check about the valves when the flame drops."""
    shut = [c.name for c in site.cylinders if not c.valve_open]
    if shut:
        names = " and ".join(shut)
        return f"By the site file the valve of {names} is shut. Opening it slowly, by hand, adds its wall and its gas."
    return "All valves should be open. Check that each really is: a valve only cracked open starves the regulator."


def left_words(facts: Facts, site: Site) -> str:
    """What each cylinder holds, in one sentence."""
    levels = [level for level in (facts.payload or {}).get("levels", ()) if level["left_kg"] is not None]
    if not levels:
        return "None has been read; weigh or look at the gauge."
    each: Sequence[str] = [
        f"{level['cylinder']} holds {show(level['left_kg'], 'mass', site.units)} ({level['basis']})" for level in levels
    ]
    return "; ".join(each) + "."
