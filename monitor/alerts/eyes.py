"""Rules about our own eyes and hands: what is silent, old, wrong or failing. They keep a blind outlook from reading as
all clear."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta

from monitor.alerts import when
from monitor.alerts.known import Known, found
from monitor.alerts.say import percent
from monitor.alerts.settings import Limits
from monitor.model.alert import Condition, Fact
from monitor.model.forecast import NO_SERVICE
from monitor.model.health import SourceHealth
from monitor.model.outlook import Outlook
from monitor.model.reading import Level, Quantity
from monitor.model.site import SensorSpec, Site
from monitor.model.units_out import duration

Health = Mapping[str, SourceHealth]
SITE = "site"
SHORTEST_SILENCE_S = 3600.0  # a level or the air hardly moves in an hour
GAS_SILENCE_S = 900.0
LEAK_CHECK_AHEAD_S = 14 * 86_400.0
BATTERY_BAND = 0.10  # a cold battery reads low at night


def of_kind(health: Health, kind: str) -> list[SourceHealth]:
    """Return the entries of one kind, by name."""
    return sorted((h for h in health.values() if h.kind == kind), key=lambda h: h.name)


def _silent_for(entry: SourceHealth, now: datetime) -> float:
    return (now - (entry.ok_at or entry.since)).total_seconds()


def silence_s(spec: SensorSpec, limits: Limits) -> float:
    """Return for how long a sensor may say nothing before it counts as silent, here and wherever it is shown."""
    least = GAS_SILENCE_S if spec.quantity == Quantity.GAS_DETECTED.value else SHORTEST_SILENCE_S
    return max(limits["silent"] * spec.interval_s, least)


def sensor_silent(site: Site, health: Health, now: datetime, limits: Limits) -> Iterator[Condition]:
    """A sensor that was not heard for several of its intervals."""
    entries = {h.name: h for h in of_kind(health, "sensor")}
    for spec in site.sensors:
        entry = entries.get(spec.name)
        allowed = silence_s(spec, limits)
        rests = ["broker-down/broker"] if spec.way == "mqtt" else []
        facts: dict[str, Fact] = {"interval_s": spec.interval_s, "subject": spec.subject, "quantity": spec.quantity}
        if entry is None:
            facts["on_delay_s"] = allowed
            yield found(
                "sensor-silent", spec.name, True, "never heard since the service began to listen", facts, rests_on=rests
            )
            continue
        age = _silent_for(entry, now)
        facts |= {
            "silent_s": age,
            "error": entry.error,
            "heard": None if entry.ok_at is None else when.iso(entry.ok_at),
        }
        yield found(
            "sensor-silent", spec.name, age > allowed,
            f"not heard for {duration(age)}" if age > allowed else f"heard {duration(age)} ago", facts, rests_on=rests,
        )  # fmt: skip


def level_old(levels: Sequence[Level], site: Site, now: datetime, limits: Limits) -> Iterator[Condition]:
    """A cylinder whose level nobody and nothing has read for long."""
    by_name = {level.cylinder: level for level in levels}
    for cylinder in site.cylinders:
        level = by_name.get(cylinder.name)
        sensors = [f"sensor-silent/{s.name}" for s in site.sensors if s.subject == cylinder.name]
        if level is None or level.reading_time is None:
            facts: dict[str, Fact] = {"on_delay_s": 3600.0}
            yield found("level-old", cylinder.name, True, "its level was never read", facts, rests_on=sensors)
            continue
        age = (now - level.reading_time).total_seconds()
        holds = age > limits["level_old"]
        facts = {"age_s": age, "left_kg": level.left_kg, "sd_kg": level.sd_kg, "basis": level.basis}
        reason = f"last read {duration(age)} ago"
        yield found("level-old", cylinder.name, holds, reason, facts, severity="Minor", rests_on=sensors)


def forecast_stale(outlook: Outlook | None, health: Health, now: datetime, limits: Limits) -> Condition:
    """A forecast that is missing or old. Every source failing is told first and holds it back while it is young."""
    kind = "forecast-stale"
    none = outlook is None or outlook.forecast_source == NO_SERVICE
    issued = None if outlook is None or none else outlook.forecast_issued
    errors = "; ".join(f"{h.name}: {h.error}" for h in of_kind(health, "forecast") if h.error)
    if issued is None:
        facts: dict[str, Fact] = {"error": errors or None, "on_delay_s": 1800.0}
        return found(kind, SITE, True, "no forecast is at hand", facts, severity="Severe", urgency="Expected", rank=3.0)
    age = (now - issued).total_seconds()
    dead = age > limits["forecast_dead"]
    severe = dead and (outlook is None or _cold_in_sight(outlook, now, limits))
    facts = {"age_s": age, "error": errors or None, "source": outlook.forecast_source if outlook else None}
    facts["issued"] = when.iso(issued)
    return found(
        kind, SITE, age > limits["forecast_age"], f"issued {duration(age)} ago", facts,
        severity="Severe" if severe else "Moderate" if dead else "Minor", urgency="Expected" if dead else "Future",
        rank=3.0 if severe else 2.0 if dead else 1.0, rests_on=() if dead else ("sources-failing/site",),
    )  # fmt: skip


def _cold_in_sight(outlook: Outlook, now: datetime, limits: Limits) -> bool:
    """Whether the last that was seen had an hour ahead that may turn out short, or reaches ahead no more.

    Blind on the eve of a cold snap cannot wait for the morning; blind in mild weather can.
    """
    ahead = [h for h in outlook.hours if h.time >= now]
    odds = [
        h.probability_uncovered if h.probability_uncovered is not None else float(bool(h.uncovered))
        for h in ahead
        if h.may_burn
    ]
    return not ahead or ahead[-1].time < now + timedelta(days=1) or any(p >= limits["probability_clear"] for p in odds)


def sources_failing(site: Site, health: Health) -> Condition:
    """Every forecast source of the site file failing at once; one that was taken out of it counts no more."""
    kind, named = "sources-failing", {w.kind for w in site.weather}
    entries = [h for h in of_kind(health, "forecast") if h.name in named]
    if not entries:
        return found(kind, SITE, None, "no forecast source was tried yet")
    holds = all(h.error for h in entries)
    facts: dict[str, Fact] = {f"error.{h.name}": h.error for h in entries if h.error}
    facts["since"] = when.iso(max(h.since for h in entries))
    permanent = holds and all(h.permanent for h in entries)
    return found(
        kind, SITE, holds, f"{sum(bool(h.error) for h in entries)} of {len(entries)} sources fail", facts,
        urgency="Expected" if permanent else "Future",
    )  # fmt: skip


def broker_down(site: Site, health: Health) -> Iterator[Condition]:
    """The broker that the MQTT sensors speak through."""
    if site.broker is None:
        return
    entries = of_kind(health, "broker")
    if not entries:
        yield found("broker-down", "broker", None, "not tried yet")
        return
    entry = entries[0]
    facts: dict[str, Fact] = {"error": entry.error or None, "since": when.iso(entry.since)}
    yield found("broker-down", "broker", bool(entry.error), entry.error or "connected", facts, urgency="Expected")


def sensor_faults(site: Site, known: Known, now: datetime) -> Iterator[Condition]:
    """Sensors whose readings had to be set aside, or that repeat one number while gas is used."""
    for spec in site.sensors:
        silent = [f"sensor-silent/{spec.name}"]
        count = known.set_aside.get(spec.name, 0)
        expected = max(1.0, 86_400.0 / spec.interval_s)
        holds = count >= 3 and count > 0.2 * expected
        facts: dict[str, Fact] = {"count": count, "why": known.set_aside_reason.get(spec.name), "subject": spec.subject}
        yield found(
            "sensor-implausible", spec.name, holds, f"{count} readings set aside in a day", facts, rests_on=silent
        )
        since = known.stuck_since.get(spec.name)
        facts = {"since": None if since is None else when.iso(since), "subject": spec.subject}
        if since is not None:
            facts["stuck_s"] = (now - since).total_seconds()
        reason = "repeats one number while gas is used" if since else "moves as it should"
        yield found("sensor-stuck", spec.name, since is not None, reason, facts, rests_on=silent)


def battery_low(known: Known, limits: Limits) -> Iterator[Condition]:
    """Senders that tell their battery's charge."""
    for reading in known.readings:
        if reading.quantity is not Quantity.BATTERY or reading.value is None:
            continue
        facts: dict[str, Fact] = {"battery": reading.value, "subject": reading.subject}
        holds = reading.value <= limits["battery"]
        band = not holds and reading.value < limits["battery"] + BATTERY_BAND
        reason = f"battery at {percent(reading.value)}"
        yield found("battery-low", reading.source, holds, reason, facts, severity="Minor", band=band)


def air_disagrees(known: Known, limits: Limits) -> Condition:
    """The site's thermometer against the forecast for the same hours."""
    gap, limit = known.air_gap_k, limits["thermometer"]
    if gap is None:
        return found("air-disagrees", SITE, None, "no thermometer beside the forecast")
    holds = abs(gap) > limit
    facts: dict[str, Fact] = {"gap_k": gap}
    reason = f"thermometer and forecast are {abs(gap):.1f} K apart"
    return found("air-disagrees", SITE, holds, reason, facts, severity="Minor", band=not holds and abs(gap) > limit / 2)


def dates_due(site: Site, known: Known, now: datetime, limits: Limits) -> Iterator[Condition]:
    """Dates in the record: requalification of each cylinder, and the leak check."""
    for cylinder in site.cylinders:
        due = known.requalify_by.get(cylinder.name)
        if due is None:
            yield found("requalification", cylinder.name, None, "no date is in the record")
            continue
        left = (due - now).total_seconds()
        facts: dict[str, Fact] = {"due": when.iso(due), "left_s": left}
        yield found(
            "requalification", cylinder.name, left < limits["requalification"],
            f"due in {duration(left)}" if left > 0 else f"due {duration(left)} ago", facts,
            severity="Moderate" if left <= 0 else "Minor", rank=2.0 if left <= 0 else 1.0,
        )  # fmt: skip
    if known.leak_checked is None:
        open_ = known.leak_found is not None
        yield found(
            "leak-check", SITE, None, "the last one found a leak" if open_ else "no leak check is in the record"
        )
        return
    due = known.leak_checked + timedelta(seconds=limits["leak_check"])
    left = (due - now).total_seconds()
    facts = {"due": when.iso(due), "left_s": left, "last": when.iso(known.leak_checked)}
    reason = f"last done {duration((now - known.leak_checked).total_seconds())} ago"
    yield found("leak-check", SITE, left < LEAK_CHECK_AHEAD_S, reason, facts, severity="Minor")


def leak_found(known: Known) -> Condition:
    """A leak in the record that no check since has found mended. Its own kind: no reminder's shelf hides it."""
    since = known.leak_found
    facts: dict[str, Fact] = {"leak": None if since is None else when.iso(since)}
    reason = (
        "no leak is open in the record" if since is None else "a leak was found, and no check since says it is tight"
    )
    return found("leak-found", SITE, since is not None, reason, facts, severity="Severe", urgency="Immediate")


def delivery_failing(health: Health, now: datetime) -> Iterator[Condition]:
    """Ways out that fail: at once where the refusal is for good, else when the channel's worker says it gave up."""
    for entry in of_kind(health, "channel"):
        facts: dict[str, Fact] = {
            "error": entry.error or None,
            "since": when.iso(entry.since),
            "for_good": entry.permanent,
        }
        facts["failing_s"] = (now - entry.since).total_seconds() if entry.error else None
        holds = bool(entry.error) and (entry.permanent or (entry.value or 0.0) > 0)
        yield found(
            "delivery-failing", entry.name, holds, entry.error or "delivers", facts, severity="Severe",
            urgency="Expected", band=bool(entry.error) and not holds,
        )  # fmt: skip


PARTS = ("radio", "store", "site", "service")  # a loop that hangs starts the service anew, and that is told


def part_failing(health: Health, now: datetime) -> Iterator[Condition]:
    """Parts of the service itself: the radio, the store, the site file."""
    for kind in PARTS:
        for entry in of_kind(health, kind):
            if entry.name == "service":  # restarts and unclean ends are told by themselves
                continue
            facts: dict[str, Fact] = {"error": entry.error or None, "since": when.iso(entry.since)}
            facts["failing_s"] = (now - entry.since).total_seconds() if entry.error else None
            # The name of a source of another kind may be the same: the subject tells them apart.
            subject = entry.name if entry.name.startswith(kind) or kind == "service" else f"{kind} {entry.name}"
            yield found("part-failing", subject, bool(entry.error), entry.error or "works", facts, urgency="Expected")


def machine(health: Health, now: datetime, limits: Limits) -> Iterator[Condition]:
    """Disk, clock, restarts and an end without notice, as the service measured them."""
    for entry in of_kind(health, "disk"):
        if entry.value is None:
            yield found("disk-filling", entry.name, None, "free space is not known")
            continue
        facts: dict[str, Fact] = {"free": entry.value}
        limit = limits["disk_free"]
        yield found(
            "disk-filling", entry.name, entry.value < limit or bool(entry.error),
            entry.error or f"{100 * entry.value:.1f} % of the disk is free", facts,
            band=limit <= entry.value < 1.5 * limit,
            severity="Severe" if entry.value < limit / 10 or entry.error else "Moderate",
            rank=2.0 if entry.value < limit / 10 or entry.error else 1.0,
        )  # fmt: skip
    for entry in of_kind(health, "clock"):
        step = abs(entry.value or 0.0)
        age = None if entry.failed_at is None else (now - entry.failed_at).total_seconds()
        recent = bool(entry.error) and step > limits["clock"] and (age is None or abs(age) < 6 * 3600)
        facts = {"step_s": entry.value, "error": entry.error or None}
        yield found("clock-wrong", entry.name, recent, entry.error or "runs true", facts, severity="Minor")
    for entry in (h for h in of_kind(health, "service") if h.name == "service"):
        count = entry.value or 0.0
        facts = {"count": count, "error": entry.error or None}
        holds = count >= limits["restarts"]
        yield found("restarting", entry.name, holds, f"{count:.0f} starts in a day", facts, urgency="Expected")
        fresh = entry.failed_at is not None and (now - entry.failed_at).total_seconds() < 3600 and bool(entry.error)
        yield found("unclean-end", entry.name, fresh, entry.error or "ended in order", facts, severity="Minor")
