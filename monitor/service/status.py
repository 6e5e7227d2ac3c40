"""What `boiloff status` tells: the age of every input, what is wrong and since when, what stands, what was told.

Read from the store alone, whether the service runs or not. Loads neither pandas nor a web framework nor apprise.
"""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.alerts.eyes import silence_s
from monitor.alerts.settings import Limits
from monitor.model import filled
from monitor.model.health import SourceHealth
from monitor.model.reading import AHEAD, LEVEL_QUANTITIES, Quantity, Reading
from monitor.model.site import Site
from monitor.service import start
from monitor.service.lock import holder, word

if TYPE_CHECKING:
    from monitor.store import Store

OUTLOOK_OLD = timedelta(minutes=75)  # it is made each hour at least
_DISK_FULL = 256 << 10  # bytes left, below which a commit may fail at any moment
STANDING = frozenset({"pending", "unacknowledged", "acknowledged", "returned", "shelved", "suppressed"})


@dataclass(frozen=True, slots=True)
class Input:
    """One source of readings, or the newest entry by hand for one thing."""

    name: str
    way: str  # "mqtt", "ble", "simulated", "by hand"
    subject: str
    quantity: str
    reading: Reading | None
    age_s: float | None
    interval_s: float | None
    state: str  # "ok", "silent", "never heard", "failing", "old"


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that is wrong, in words; `since` None = not known."""

    what: str
    words: str
    since: datetime | None


@dataclass(frozen=True, slots=True)
class Status:
    """Everything that `boiloff status` shows."""

    at: datetime
    site: str
    store: str
    running_pid: int | None  # None = the service does not run
    started: datetime | None
    inputs: tuple[Input, ...]
    forecast: Mapping[str, Any] | None
    sources: tuple[SourceHealth, ...]
    next_pull: datetime | None
    outlook: Mapping[str, Any] | None
    troubles: tuple[Trouble, ...]
    alerts: tuple[Mapping[str, Any], ...]
    notices: tuple[Mapping[str, Any], ...]
    health: Mapping[str, SourceHealth] = field(default_factory=dict)


def look(site: Site, store: Store, path: Path, now: datetime) -> Status:
    """Return how things stand at `now`."""
    health = store.health()
    own = start.read(store)
    running = holder(path)
    newest = store.latest_readings(now + AHEAD)
    inputs = tuple(_inputs(site, newest, health, now))
    outlook = store.latest_outlook()
    forecast = _forecast(store, now)
    pull = _time(store.get(start.NEXT_PULL))
    troubles = (
        *_service_troubles(own, running, health),
        *_input_troubles(site, inputs, health, now),
        *_forecast_troubles(site, forecast, health, now),
        *_outlook_troubles(outlook, running, now),
        *_level_troubles(site, newest, filled.unweighed(store.entries(filled.KINDS), now)),
        *_fill_troubles(site, store, newest, now),
        *_set_aside(store, now),
        *_other_troubles(site, health),
        *_disk_troubles(path, health, now),
    )
    return Status(
        at=now,
        site=site.name,
        store=str(path),
        running_pid=running,
        started=_time(own.get("started")) if running is not None else None,
        inputs=inputs,
        forecast=forecast,
        sources=tuple(h for h in health.values() if h.kind == "forecast" and _in_file(site, h)),
        next_pull=pull if running is not None else None,
        outlook=outlook,
        troubles=tuple(troubles),
        alerts=tuple(_alerts(store)),
        notices=tuple(_notices(store)),
        health=health,
    )


def _time(text: object) -> datetime | None:
    try:
        return datetime.fromisoformat(str(text)).astimezone(UTC)
    except ValueError:
        return None


def _inputs(
    site: Site, newest: Sequence[Reading], health: Mapping[str, SourceHealth], now: datetime
) -> Iterator[Input]:
    named, limits = {s.name for s in site.sensors}, Limits(site.settings)
    for spec in site.sensors:
        own = [r for r in newest if r.source == spec.name and r.subject == spec.subject and r.quantity == spec.quantity]
        reading = max(own, key=lambda r: r.received, default=None)
        entry = health.get(spec.name)
        heard = max(
            (t for t in (reading.received if reading else None, entry.ok_at if entry else None) if t is not None),
            default=None,
        )
        age_s = (now - heard).total_seconds() if heard is not None else None
        state = "ok"
        if entry is not None and entry.error:
            state = "failing"
        elif age_s is None:
            state = "never heard"
        elif age_s > silence_s(spec, limits):
            state = "silent"
        yield Input(spec.name, spec.way, spec.subject, spec.quantity, reading, age_s, spec.interval_s, state)
    for reading in newest:
        if reading.source not in named:
            age_s = (now - reading.time).total_seconds()
            yield Input(
                reading.source, "by hand", reading.subject, reading.quantity, reading, age_s, None,
                "old" if age_s > limits["level_old"] and reading.quantity in LEVEL_QUANTITIES else "ok",
            )  # fmt: skip


def _forecast(store: Store, now: datetime) -> dict[str, Any] | None:
    forecast = store.latest_forecast(until=now + AHEAD)
    if forecast is None:
        return None
    return {
        "source": forecast.source,
        "issued": forecast.issued.isoformat(),
        "received": forecast.received.isoformat(),
        "ends": forecast.end.isoformat(),
        "age_s": (now - forecast.issued).total_seconds(),
        "members": int(forecast.air_k.shape[0]),
        "credit": forecast.credit,
    }


def _service_troubles(
    own: Mapping[str, Any], running: int | None, health: Mapping[str, SourceHealth]
) -> Iterator[Trouble]:
    if running is None:
        ended = _time(own.get("ended"))
        if not own:
            yield Trouble("service", "has never run on this store: `boiloff serve` starts it", None)
        elif ended is not None:
            yield Trouble("service", "is not running", ended)
        else:
            yield Trouble("service", "is not running, and ended without notice", None)
        return
    for entry in health.values():
        # what an earlier run wrote about its loops is history
        if entry.kind == "loop" and entry.error and entry.since >= (_time(own.get("started")) or entry.since):
            yield Trouble(entry.name, entry.error, entry.since)


def _input_troubles(
    site: Site, inputs: Sequence[Input], health: Mapping[str, SourceHealth], now: datetime
) -> Iterator[Trouble]:
    broker = health.get("broker")
    if broker is not None and broker.error and any(s.way == "mqtt" for s in site.sensors):
        yield Trouble("broker", broker.error, broker.since)
    for item in inputs:
        entry = health.get(item.name)
        if item.state == "failing" and entry is not None:
            yield Trouble(item.name, entry.error, entry.since)
        elif item.state == "never heard":
            yield Trouble(item.name, "was never heard", entry.since if entry is not None else None)
        elif item.state == "silent":
            yield Trouble(item.name, "is silent", now - timedelta(seconds=item.age_s or 0.0))


def _in_file(site: Site, entry: SourceHealth) -> bool:
    """Whether the site file still names a forecast source: what was taken out of it fails no more."""
    return any(w.kind == entry.name for w in site.weather)


def _forecast_troubles(
    site: Site, forecast: Mapping[str, Any] | None, health: Mapping[str, SourceHealth], now: datetime
) -> Iterator[Trouble]:
    for entry in health.values():
        if entry.kind == "forecast" and entry.error and _in_file(site, entry):
            yield Trouble(entry.name, entry.error, entry.since)
    if not site.weather:
        yield Trouble("forecast", "no source in the site file: nothing can be said about the coming cold", None)
    elif forecast is None:
        yield Trouble("forecast", "none has ever come in", None)
    elif (now - datetime.fromisoformat(forecast["issued"])).total_seconds() > Limits(site.settings)["forecast_age"]:
        yield Trouble("forecast", "is old", datetime.fromisoformat(forecast["issued"]))


def _outlook_troubles(outlook: Mapping[str, Any] | None, running: int | None, now: datetime) -> Iterator[Trouble]:
    if running is None:
        return
    made = _time(outlook.get("at")) if outlook is not None else None
    if made is None:
        yield Trouble("outlook", "none has been made yet", None)
    elif now - made > OUTLOOK_OLD:
        yield Trouble("outlook", "has not been made again", made)


def _shut(site: Site, newest: Sequence[Reading]) -> set[str]:
    """The cylinders that do not feed: as the newest valve reading says, else the site file. Loads no outlook."""
    valve = {c.name: float(c.valve_open) for c in site.cylinders}
    read = [r for r in newest if r.quantity is Quantity.VALVE and r.value is not None]
    valve |= {r.subject: float(r.value or 0.0) for r in sorted(read, key=lambda r: r.time)}
    return {name for name, value in valve.items() if value < 0.5}


def _level_troubles(site: Site, newest: Sequence[Reading], filled_at: Mapping[str, datetime]) -> Iterator[Trouble]:
    """Cylinders never read, but for those of which the record knows a fill: `_fill_troubles` says more of them."""
    read = {r.subject for r in newest if r.quantity in LEVEL_QUANTITIES and r.value is not None}
    shut = _shut(site, newest)
    for cylinder in site.cylinders:
        if cylinder.name not in shut and cylinder.name not in read and cylinder.name not in filled_at:
            enter = f"boiloff reading {shlex.quote(cylinder.name)} --weighs WEIGHT"
            text = f"its level was never read: it counts as empty. To enter it: {enter}"
            yield Trouble(f"cylinder {cylinder.name}", text, None)


def _fill_troubles(site: Site, store: Store, newest: Sequence[Reading], now: datetime) -> Iterator[Trouble]:
    """Fills without a weight that nothing was read after: from the record, which may be newer than the outlook."""
    read: dict[str, datetime] = {}
    for r in newest:
        if r.quantity in LEVEL_QUANTITIES and r.value is not None:
            read[r.subject] = max(r.time, read.get(r.subject, r.time))
    fills = filled.unweighed(store.entries(filled.KINDS), now)
    for cylinder in site.cylinders:
        since, last = fills.get(cylinder.name), read.get(cylinder.name)
        if since is not None and (last is None or last < since):
            text = filled.words(cylinder.name, since, site, read=last is not None)
            yield Trouble(f"cylinder {cylinder.name}", text.removeprefix(f"{cylinder.name}: "), since)


def _set_aside(store: Store, now: datetime) -> Iterator[Trouble]:
    recent = [i for i in store.set_asides(limit=1000) if now - i.received <= timedelta(days=1)]
    by_source: dict[str, list[Any]] = {}
    for item in recent:
        by_source.setdefault(item.source, []).append(item)
    for source, items in by_source.items():
        count = len(items)
        words = f"{count} reading{'s' if count > 1 else ''} set aside in a day, the last: {items[0].reason}"
        yield Trouble(source, f"{words} (`boiloff reading --set-aside`)", items[-1].received)


def _other_troubles(site: Site, health: Mapping[str, SourceHealth]) -> Iterator[Trouble]:
    channels = {c.name for c in site.channels}
    for entry in health.values():
        if entry.error and (entry.kind in {"site", "clock", "disk", "store", "radio"} or entry.name in channels):
            yield Trouble(entry.name, entry.error, entry.since)


def _disk_troubles(path: Path, health: Mapping[str, SourceHealth], now: datetime) -> Iterator[Trouble]:
    """Look at the disk itself: where nothing can be written, the service cannot leave word of it in the store."""
    if (left := word(path)) and not any(entry.kind == "store" and entry.error for entry in health.values()):
        yield Trouble("store", f"{left}; readings wait in memory and at the broker", None)
    if any(entry.kind == "disk" and entry.error for entry in health.values()):
        return
    try:
        disk = os.statvfs(path.parent)
    except OSError as error:
        yield Trouble("disk", f"{path.parent} cannot be looked at: {error.strerror}", None)
        return
    if disk.f_flag & os.ST_RDONLY:
        yield Trouble("disk", f"{path.parent} is read-only: nothing new can be kept", now)
    elif disk.f_bavail * disk.f_frsize < _DISK_FULL:
        yield Trouble("disk", f"{path.parent} is full: nothing new can be kept; free some space", now)


def _alerts(store: Store) -> Iterator[dict[str, Any]]:
    told = {n.occurrence: n.headline for n in reversed(store.notices(limit=500)) if n.occurrence}
    for state in sorted(store.alert_states().values(), key=lambda a: a.since, reverse=True):
        if state.state in STANDING:
            yield {
                "key": state.key,
                "state": state.state,
                "severity": state.severity,
                "since": state.since.isoformat(),
                "raised": state.raised.isoformat() if state.raised is not None else None,
                "headline": told.get(state.occurrence, ""),
                "reason": state.reason,
            }


def _notices(store: Store, most: int = 10) -> Iterator[dict[str, Any]]:
    rows = store.outbox(limit=most * 10)
    by_notice: dict[str, list[Any]] = {}
    for row in rows:
        by_notice.setdefault(row.notice.id, []).append(row)
    for same in list(by_notice.values())[:most]:
        notice = same[0].notice
        yield {
            "id": notice.id,
            "at": notice.at.isoformat(),
            "what": notice.what,
            "severity": notice.severity,
            "headline": notice.headline,
            "deliveries": [
                {
                    "channel": row.channel,
                    "state": row.state,
                    "attempts": row.attempts,
                    "tried_at": row.tried_at.isoformat() if row.tried_at is not None else None,
                    "next_at": row.next_at.isoformat() if row.state == "waiting" else None,
                    "error": row.error,
                }
                for row in sorted(same, key=lambda r: r.channel)
            ],
        }


def jsonable(status: Status) -> dict[str, Any]:
    """Return the status as JSON values: SI units, times ISO 8601 in UTC."""
    return {
        "at": status.at.isoformat(),
        "site": status.site,
        "store": status.store,
        "service": {
            "running": status.running_pid is not None,
            "pid": status.running_pid,
            "started": status.started.isoformat() if status.started is not None else None,
        },
        "inputs": [
            {
                "name": i.name,
                "way": i.way,
                "subject": i.subject,
                "quantity": str(i.quantity),
                "value": i.reading.value if i.reading is not None else None,
                "time": i.reading.time.isoformat() if i.reading is not None else None,
                "age_s": i.age_s,
                "interval_s": i.interval_s,
                "state": i.state,
            }
            for i in status.inputs
        ],
        "forecast": status.forecast,
        "sources": [_health_json(h) for h in status.sources],
        "next_pull": status.next_pull.isoformat() if status.next_pull is not None else None,
        "outlook": _outlook_json(status.outlook),
        "upkeep": [_health_json(h) for h in status.health.values() if h.kind == "store"],
        "wrong": [
            {"what": t.what, "words": t.words, "since": t.since.isoformat() if t.since is not None else None}
            for t in status.troubles
        ],
        "alerts": list(status.alerts),
        "notices": list(status.notices),
    }


def _health_json(entry: SourceHealth) -> dict[str, Any]:
    return {
        "name": entry.name,
        "ok_at": entry.ok_at.isoformat() if entry.ok_at is not None else None,
        "failed_at": entry.failed_at.isoformat() if entry.failed_at is not None else None,
        "since": entry.since.isoformat(),
        "error": entry.error,
        "permanent": entry.permanent,
    }


def _outlook_json(outlook: Mapping[str, Any] | None) -> dict[str, Any] | None:
    if outlook is None:
        return None
    return {k: outlook.get(k) for k in ("at", "basis", "demand_w", "uncovered", "run_out", "levels", "notes")}
