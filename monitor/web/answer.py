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
from monitor.outlook.bands import NIGHT_FROM, NIGHT_TO
from monitor.web import words

ZERO_C_K = 273.15
OUTLOOK_OLD = timedelta(minutes=75)  # it is made at least once an hour
DAWN = 6  # local hour from which "tonight" is the night to come
SLIGHT = 0.01  # odds below it are not told one by one
DOUBT = 0.1  # odds from which a night is no longer called covered without a word
MOST_NAMED = 4  # cylinders whose levels' ages are told one by one


@dataclass(frozen=True, slots=True)
class Answer:
    """What the first screen says, and which of the three states it is in.

    `covered` is the heading; `detail` says by how much and how sure; `fuel` how long it lasts; `trust` how old it is.
    """

    state: Literal["covered", "short", "blind"]
    covered: str
    detail: str
    fuel: str
    trust: str


def _moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def answer(payload: Mapping[str, Any] | None, health: Mapping[str, SourceHealth], site: Site, now: datetime) -> Answer:
    """Put the outlook's JSON form into sentences. Blind = what it rests on is missing or too old."""
    zone = ZoneInfo(site.timezone)
    state, covered, detail = _covered(payload, site, now, zone)
    fuel = "Fuel: not known." if payload is None else _fuel(payload, site, zone)
    return Answer(state, *(words.whole(text) for text in (covered, detail, fuel, trust(payload, health, site, now))))


def _covered(
    payload: Mapping[str, Any] | None, site: Site, now: datetime, zone: ZoneInfo
) -> tuple[Literal["covered", "short", "blind"], str, str]:
    """State, heading and detail."""
    if payload is None:
        return "blind", "Not known: there is no outlook yet.", "It takes a forecast, and a level of each cylinder."
    if not payload["hours"]:
        return "blind", "Not known: no forecast has come in.", ""
    stale = _stale(payload, site, now)
    short = [s for s in payload["uncovered"] if datetime.fromisoformat(s["to"]) > now]
    if short:
        tonight = "" if stale else _tonight(payload, short[0], now, zone)
        old = " It rests on old data." if stale else ""
        return "short", tonight + _when(short[0], now, zone), _short_detail(short, site) + old
    if stale:
        return "blind", stale, ""
    judged = [h for h in payload["hours"] if h["uncovered"] is not None]
    end = datetime.fromisoformat(judged[-1]["time"]) + timedelta(hours=1)
    gap = next(
        (h for h in payload["hours"] if h["uncovered"] is None and datetime.fromisoformat(h["time"]) < end), None
    )
    if gap is not None:
        when = words.day_clock(datetime.fromisoformat(gap["time"]), zone)
        sentence = f"Not known for every hour: nothing can be said about {when}, and other hours may be missing too."
        return "blind", sentence, ""
    until = f"{words.day(end, zone)} {words.clock(end, zone)}"
    nights = "tonight and the nights after" if end > tonight_ends(now, zone) else "as far as can be seen"
    likely = "Covered" if (_worst(payload, now) or (0.0, now))[0] < DOUBT else "Likely covered"
    heading = f"{likely} {nights}, until {until}."
    return "covered", heading, "Every burner can burn as long as stated. " + _odds(payload, now, zone)


def _stale(payload: Mapping[str, Any], site: Site, now: datetime) -> str:
    """Why the outlook is too old to say that anything is covered, "" where it is not."""
    issued, made = _moment(payload.get("forecast_issued")), _moment(payload.get("at"))
    judged = any(h["uncovered"] is not None for h in payload["hours"])
    if issued is None or forecast_old(issued, site, now):
        return "Not known: the forecast is missing or old."
    if not judged and all(level["left_kg"] is None for level in payload.get("levels", ())):
        return "Not known: no cylinder has been read."
    if not judged:
        return "Not known: no hour ahead could be judged."
    if made is not None and now - made > OUTLOOK_OLD:
        return f"Not known: the outlook is {words.age((now - made).total_seconds())} old; the service makes none."
    return ""


def tonight_ends(now: datetime, zone: ZoneInfo) -> datetime:
    """When the night ends that a person at `now` would call this one: before six in the morning, the one that goes."""
    local = now.astimezone(zone)
    day = local.date() + timedelta(days=0 if local.hour < DAWN else 1)
    return datetime(day.year, day.month, day.day, NIGHT_TO, tzinfo=zone)


def _tonight(payload: Mapping[str, Any], first: Mapping[str, Any], now: datetime, zone: ZoneInfo) -> str:
    """What can be said of the coming night, where the first stretch comes later."""
    end = tonight_ends(now, zone)
    if datetime.fromisoformat(first["from"]) < end:
        return ""
    hours = [h for h in payload["hours"] if now - timedelta(hours=1) < datetime.fromisoformat(h["time"]) < end]
    if not hours or any(h["uncovered"] is None for h in hours):
        return "Tonight is not known. "
    odds = (_worst(payload, now, end) or (0.0, now))[0]
    return "Covered tonight. " if odds < DOUBT else f"Tonight may be short (odds {words.percent(odds)}). "


def _when(first: Mapping[str, Any], now: datetime, zone: ZoneInfo) -> str:
    start, end = datetime.fromisoformat(first["from"]), datetime.fromisoformat(first["to"])
    if start <= now:
        same = start.astimezone(zone).date() == end.astimezone(zone).date()
        return f"Short now, until {words.clock(end, zone) if same else words.day_clock(end, zone)}."
    local, spanned = start.astimezone(zone), words.span(start, end, zone)
    if start >= tonight_ends(now, zone):
        return f"Short {spanned}."
    by_day = NIGHT_TO <= local.hour < NIGHT_FROM
    return f"Short {'by day' if by_day else 'tonight'}, {spanned}."


def _short_detail(short: Sequence[Mapping[str, Any]], site: Site) -> str:
    first, rest = short[0], len(short) - 1
    air = show(first["worst_air_c"] + ZERO_C_K, "temperature", site.units)
    if first["why"] == "continuous":
        lack = f"At {air} what burns without end lacks {show(-first['worst_headroom_w'], 'power', site.units)}."
    else:
        hold, stated = duration(first["worst_hold_s"]), duration(first["needed_hold_s"])
        lack = f"At {air} all burners together hold for {hold}, not the {stated} that you stated."
    odds = "" if first.get("probability") is None else f" Odds of it: {words.percent(first['probability'])}."
    more = f" {rest} more such time{'s follow' if rest > 1 else ' follows'}." if rest else ""
    return lack + odds + more


def _odds(payload: Mapping[str, Any], now: datetime, zone: ZoneInfo) -> str:
    """The greatest odds of a shortfall among the nights ahead, "" where no odds are told."""
    worst = _worst(payload, now)
    if worst is None:
        return ""
    if worst[0] < SLIGHT:
        return "The odds of a shortfall are under 1 % in each night."
    night = words.day(worst[1], zone)
    return f"The greatest odds of a shortfall are {words.percent(worst[0])}, in the night of {night}."


def _worst(payload: Mapping[str, Any], now: datetime, before: datetime | None = None) -> tuple[float, datetime] | None:
    """Odds and beginning of the night most likely short, of those that are not over and begin before `before`."""
    nights = [
        (float(n["probability_uncovered"]), start)
        for n in payload.get("nights", ())
        for start in (datetime.fromisoformat(n["from"]),)
        if datetime.fromisoformat(n["to"]) > now and (before is None or start < before)
    ]
    return max(nights, default=None)


def _fuel(payload: Mapping[str, Any], site: Site, zone: ZoneInfo) -> str:
    known = [level for level in payload.get("levels", ()) if level["left_kg"] is not None]
    if not known:
        return "Fuel: no cylinder has been read yet."
    left = show(sum(level["left_kg"] for level in known), "mass", site.units)
    dry, usable = fuel_ends(payload)
    if dry is None:
        return f"Fuel: {left} left; too little history to say how long it lasts."
    if dry["p50"] is None:
        soonest = _moment(dry["p10"])
        odds = "" if soonest is None else f"; 1 chance in 10 that it ends by {words.day(soonest, zone)}"
        return f"Fuel: {left} left, for longer than can be said{odds}."
    burnt = f"all burnt about {words.day(datetime.fromisoformat(str(dry['p50'])), zone)}"
    if usable is None or usable["p50"] is None:
        return f"Fuel: {left} left, until {_about(dry, zone)}."
    at = _moment(payload.get("at"))
    if at is not None and datetime.fromisoformat(usable["p50"]) <= at:
        return f"Fuel: {left} left, no longer enough for every burner in the cold to be expected; {burnt}."
    return f"Fuel: {left} left, enough for every burner in the cold until {_about(usable, zone)}; {burnt}."


def fuel_ends(payload: Mapping[str, Any]) -> tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]:
    """When the last is burnt, and when it no longer carries every burner in the cold; None where not known."""
    supply = next((f for f in payload.get("fuel", ()) if f["subject"] == "supply"), None) or {}
    return supply.get("dry") or payload["run_out"], supply.get("usable")


def _about(ends: Mapping[str, str | None], zone: ZoneInfo) -> str:
    middle = words.day(datetime.fromisoformat(str(ends["p50"])), zone)
    early = "" if ends["p10"] is None else words.day(datetime.fromisoformat(ends["p10"]), zone)
    return f"about {middle}" + (f" (one time in ten before {early})" if early and early != middle else "")


def trust(payload: Mapping[str, Any] | None, health: Mapping[str, SourceHealth], site: Site, now: datetime) -> str:
    """Whether what it rests on is fresh, and how old levels and forecast are."""
    troubles, ages = trouble(payload, health, site, now), _ages(payload, now)
    if troubles:
        return f"Not everything can be trusted: {'; '.join(troubles)}.{ages and f' Ages: {ages}.'}"
    if not ages and not any(source.ok_at for source in health.values()):
        return "Nothing has come in yet: no level, no forecast."
    return f"Every input is fresh{ages and f': {ages}'}."


def _ages(payload: Mapping[str, Any] | None, now: datetime) -> str:
    levels = [(level["cylinder"], read) for level in (payload or {}).get("levels", ())
              if (read := _moment(level["reading_time"])) is not None]  # fmt: skip
    by_age: dict[str, list[str]] = {}
    for name, read in levels:
        by_age.setdefault(words.ago((now - read).total_seconds()), []).append(name)
    parts = [f"{', '.join(names)} read {age}" for age, names in by_age.items()]
    if len(levels) > MOST_NAMED:
        parts = [f"the oldest level read {words.ago((now - min(read for _, read in levels)).total_seconds())}"]
    issued = _moment((payload or {}).get("forecast_issued"))
    if issued is not None:
        parts.append(f"forecast issued {words.ago((now - issued).total_seconds())}")
    return ", ".join(parts)


def trouble(
    payload: Mapping[str, Any] | None, health: Mapping[str, SourceHealth], site: Site, now: datetime
) -> list[str]:
    """Return in words what is silent, failing or too old, by the limits that the alerts go by."""
    limits = Limits(site.settings)
    by_age = sorted(health.values(), key=lambda s: s.since)
    wrong = [(words.called(source.name, source.kind), source_trouble(source, site, now)) for source in by_age]
    out = [f"{name} {what}" for name, what in wrong if what]
    if payload is not None:
        issued = _moment(payload.get("forecast_issued"))
        if issued is not None and forecast_old(issued, site, now):
            out.append(f"the forecast is {words.age((now - issued).total_seconds())} old")
        out += _levels(payload, limits, now)
    return out


def forecast_old(issued: datetime, site: Site, now: datetime) -> bool:
    """Whether a forecast is older than the alerts allow."""
    return (now - issued).total_seconds() > Limits(site.settings)["forecast_age"]


def source_trouble(source: SourceHealth, site: Site, now: datetime) -> str:
    """Return what is wrong with one input, as the end of a sentence, "" where nothing is."""
    if source.error:
        return f"fails since {words.age((now - source.since).total_seconds())}"
    if source.ok_at is None:
        return "was never heard"
    limits, spec = Limits(site.settings), next((s for s in site.sensors if s.name == source.name), None)
    allowed = silence_s(spec, limits) if spec is not None else limits["silent"] * (source.interval_s or 0.0)
    passed = (now - source.ok_at).total_seconds()
    return f"is silent for {words.age(passed)}" if source.interval_s and passed > allowed else ""


def _levels(payload: Mapping[str, Any], limits: Limits, now: datetime) -> list[str]:
    out = []
    for level in payload.get("levels", ()):
        read = _moment(level["reading_time"])
        if read is None:
            out.append(f"{level['cylinder']} was never read (weigh it and enter it)")
        elif (now - read).total_seconds() > limits["level_old"]:
            out.append(f"{level['cylinder']} was last read {words.age((now - read).total_seconds())} ago")
    return out
