"""Readings, a filled store and a look at a whole database, for this folder's tests."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from monitor.model.alert import AlertState, Judgement, Notice, Transition
from monitor.model.forecast import Forecast
from monitor.model.health import SourceHealth
from monitor.model.reading import Quantity, Reading, SetAside
from monitor.store import Event, Store

NOW = datetime(2026, 1, 5, 12, tzinfo=UTC)
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def weight(kg: float | None, minutes: float = 0, subject: str = "A", source: str = "scale", **more: object) -> Reading:
    """A weight some minutes after NOW."""
    time = NOW + minutes * MINUTE
    return Reading(time, time, subject, Quantity.GROSS_WEIGHT, kg, source, **more)  # type: ignore[arg-type]


def fill(store: Store, minutes: int = 600) -> None:
    """Put something into each table; always the same."""
    draw = random.Random(7)
    store.add_readings([weight(30.0 - k / 100, k, "AB"[k % 2]) for k in range(minutes)])
    first = store.add_readings([weight(52.4, source="hand", note="lb and kg mixed up")])[0]
    store.add_readings([weight(23.8, source="hand", corrects=first), weight(None, 3, source="hand")])
    store.add_set_aside(SetAside(NOW, "scale", "A", "gross_weight", "banana", "not a number"))
    air = np.linspace(255.0, 275.0, 3 * 48).reshape(3, 48)
    air[1, 5] = np.nan
    store.add_forecast(Forecast("open-meteo", NOW, NOW, NOW, air, cloud=np.full(48, 0.5), credit="By hand"))
    for k in range(5):
        hours = [{"time": str(n), "headroom_w": draw.random(), "sustained_w": {"chart": n}} for n in range(200)]
        store.add_outlook(NOW + k * 10 * MINUTE, {"at": str(k), "hours": hours})
    for n in range(3):
        key = f"low-fuel/{n}"
        store.commit_judgement(
            Judgement(
                (AlertState(key, "low-fuel", str(n), "unacknowledged", NOW, occurrence=f"{key}@x", raised=NOW),),
                (Transition(key, f"{key}@x", NOW, "normal", "unacknowledged", "below 20 %", {"share": 0.18}),),
                (Notice(f"{key}@x#1", key, f"{key}@x", NOW, "raised", "Moderate", "Future", "Likely", "H", "B"),),
            ),
            ["log", "mail"],
        )
    store.delivered(store.waiting("log")[0].id, NOW)
    store.set_health(SourceHealth("scale", "sensor", NOW, ok_at=NOW, interval_s=60.0))
    store.put("yard", "runs cold")
    fill_ = store.add_event(Event("fill", "A", NOW, NOW, {"to_kg": 18.1}))
    store.undo_event(fill_, NOW + HOUR, "was B")
    store.add_event(Event("leak check", "site", NOW, NOW, {"found": "none"}))


def content(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table, sorted."""
    with closing(sqlite3.connect(path)) as db:
        tables = [r[0] for r in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
        return {t: sorted(db.execute(f"SELECT * FROM {t}"), key=repr) for t in tables if t != "migration"}
