"""From what the store holds to a forecast made right for this yard, and to how well that went.

The pure work is in `monitor.outlook` (air, learn, cases, verify); here it gets its facts. What was learnt is kept in
the process for the rest of the local day: it can be made again from the facts whenever needed.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Protocol
from zoneinfo import ZoneInfo

import numpy as np

from monitor.model.forecast import NO_SERVICE, Forecast
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from monitor.outlook import air, cases, learn, verify
from monitor.outlook.cases import Measured
from monitor.outlook.learn import KEEP_NIGHTS, NOTHING, Learnt

DAY = timedelta(days=1)
USUAL_HOUR = 12  # local: of the hourly pulls of a day the first after this one is learnt from
SEASON_DAYS = 30
GAP_HOURS = 6
OFTEN_ENOUGH = timedelta(minutes=10)  # a sensor that tells its mind each minute tells no more by it
BORROW_NIGHTS = 10  # of another source, before its correction stands in
LEAST_NIGHTS = 3  # below, the default error is the better guess


class Facts(Protocol):
    """What is read of the store."""

    def forecasts(
        self, *, since: datetime | None = None, until: datetime | None = None, source: str | None = None
    ) -> list[Forecast]:
        """Return forecasts by when they came in."""

    def readings(
        self,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        subject: str | None = None,
        quantity: Quantity | str | None = None,
        every: timedelta | None = None,
    ) -> list[Reading]:
        """Return readings by time, at most one of a source in each span of `every`."""


def measured(store: Facts, since: datetime, until: datetime) -> Measured | None:
    """Return hourly means of the outdoor thermometer; read day by day, so that little is held at once."""
    times: list[datetime] = []
    values: list[float] = []
    start = since
    while start < until:
        end = min(start + DAY, until)
        found = store.readings(
            since=start, until=end, subject="site", quantity=Quantity.AIR_TEMPERATURE, every=OFTEN_ENOUGH
        )
        part = Measured.of(
            [r.time for r in found if r.value is not None], [r.value for r in found if r.value is not None]
        )
        if part is not None:
            times += [part.start + timedelta(hours=k) for k in range(part.air_k.size)]
            values += part.air_k.tolist()
        start = end
    return Measured.of(times, values)


def issued_daily(store: Facts, source: str, since: datetime, until: datetime, timezone: str) -> Iterator[Forecast]:
    """Yield one forecast of `source` for each local day: the first that came in after noon, else the day's first."""
    zone = ZoneInfo(timezone)
    day = since.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    while day.astimezone(UTC) < until:
        noon, end = day.replace(hour=USUAL_HOUR), (day + DAY)
        found = store.forecasts(
            since=noon.astimezone(UTC), until=noon.astimezone(UTC) + timedelta(hours=2), source=source
        )
        if not found:
            found = store.forecasts(since=day.astimezone(UTC), until=end.astimezone(UTC), source=source)
        if found and found[0].received < until:
            yield found[0]
        day = end


def teach(store: Facts, site: Site, source: str, now: datetime) -> tuple[Learnt, str]:
    """Return what the kept forecasts of `source` teach about this yard, and what is wrong with the thermometer ("")."""
    since = now - (KEEP_NIGHTS + air.LEADS) * DAY
    seen = measured(store, since, now)
    if seen is None:
        return NOTHING, ""
    issued = list(issued_daily(store, source, since, now, site.timezone))
    if not issued:
        return NOTHING, ""
    _, trouble = cases.suspect(seen, cases.first_day(issued, seen))
    night = now.astimezone(ZoneInfo(site.timezone)).date().toordinal()
    found = cases.gather(issued, seen, site)
    return learn.fit(found, int(now.timestamp() // 3600), night), trouble


class Yard:
    """Makes forecasts right; remembers for the rest of the day what was learnt. Thread-safe."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str, float, float], tuple[int, Learnt, str]] = {}
        self._lock = threading.Lock()

    def learnt(self, store: Facts, site: Site, source: str, now: datetime) -> tuple[Learnt, str]:
        """Return what was learnt about forecasts of `source` by this local day, and the thermometer's trouble."""
        day = now.astimezone(ZoneInfo(site.timezone)).date().toordinal()
        key = (source, site.name, site.latitude, site.longitude)
        with self._lock:
            kept = self._kept.get(key)
            if kept is None or kept[0] != day:
                kept = (day, *teach(store, site, source, now))
                self._kept[key] = kept
        return kept[1], kept[2]

    def ready(self, store: Facts, site: Site, forecast: Forecast | None, now: datetime) -> Forecast | None:
        """Return `forecast` made right for the yard, with odds; with none, what thermometer and season say, or None."""
        if forecast is None:
            return self._season(store, site, now)
        if site.settings.get("forecast.learn") is False:
            made = air.prepare(forecast, site)
            return replace(made, notes=(*made.notes, "site learning is switched off"))
        learnt, trouble = self.learnt(store, site, forecast.source, now)
        words = learnt.words(site.units)
        if learnt.nights < LEAST_NIGHTS:
            learnt, words = self._borrowed(store, site, forecast.source, now)
        use = learnt if learnt.nights >= LEAST_NIGHTS else None
        made = air.prepare(forecast, site, learnt=use)
        notes = [*made.notes]
        if use is not None:
            notes.append(words)
        if trouble:
            notes.append(f"the outdoor thermometer is left out of learning at times: {trouble}")
        return replace(made, notes=tuple(notes))

    def _borrowed(self, store: Facts, site: Site, source: str, now: datetime) -> tuple[Learnt, str]:
        """What forecasts of the site's other sources taught: a yard is cold against any of them, but less surely so."""
        others = dict.fromkeys(w.kind for w in site.weather if w.kind != source)
        known = [(self.learnt(store, site, other, now)[0], other) for other in others]
        best, other = max(known, key=lambda k: k[0].nights, default=(NOTHING, ""))
        if best.nights < BORROW_NIGHTS:
            return NOTHING, ""
        ones = np.ones(air.LEADS)
        unsure = float(np.hypot(best.unsure_k, air.REPRESENTATIVENESS_K))
        lent = replace(best, method="bias", slope=1.0, scale=ones, lead_bias_k=0.0 * ones, unsure_k=unsure)
        return lent, f"{best.words(site.units)} from {other}, whose correction stands in"

    def _season(self, store: Facts, site: Site, now: datetime) -> Forecast | None:
        seen = measured(store, now - SEASON_DAYS * DAY, now)
        if seen is None:
            return None
        times = [seen.start + timedelta(hours=k) for k in range(seen.air_k.size)]
        return air.from_season(times, seen.air_k.tolist(), now, site)


def gap_k(
    forecast: Forecast | None, history: tuple[Sequence[datetime], Sequence[float]] | None, now: datetime
) -> float | None:
    """Return how much warmer than `forecast` the thermometer was over the last six hours (K); None = cannot be told."""
    if forecast is None or history is None or forecast.source == NO_SERVICE:
        return None
    seen = Measured.of(*history)
    start = now.astimezone(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(hours=GAP_HOURS - 1)
    offset = int((start - forecast.start) / timedelta(hours=1))
    if seen is None or offset < 0 or offset + GAP_HOURS > forecast.hours:
        return None
    off = seen.at(start, GAP_HOURS) - air.central(forecast.air_k[:, offset : offset + GAP_HOURS])
    there = off[np.isfinite(off)]
    return float(there.mean()) if there.size >= GAP_HOURS // 2 else None


@dataclass(frozen=True)
class Verified:
    """Scores of one source from `since` on: by lead day (0 first: all), how much was learnt at the end."""

    source: str
    since: datetime
    forecasts: int
    scores: tuple[verify.Scores, ...]
    learnt: Learnt
    trouble: str


def verified(store: Facts, site: Site, source: str, since: datetime, now: datetime) -> Verified:
    """Score every day's forecast of `source` that has passed: as the source said it, and as we made it right then.

    What we said is made again from what was known when each forecast was issued, never from what came after.
    """
    zone = ZoneInfo(site.timezone)
    seen = measured(store, since - KEEP_NIGHTS * DAY, now)
    if seen is None:
        return Verified(source, since, 0, (), NOTHING, "")
    issued = list(issued_daily(store, source, since - KEEP_NIGHTS * DAY, now, site.timezone))
    bad, trouble = cases.suspect(seen, cases.first_day(issued, seen))
    trusted = Measured(seen.start, np.where(bad, np.nan, seen.air_k))
    known = learn.Cases.joined([cases.pair(f, trusted, site) for f in issued])
    nights: list[verify.NightCase] = []
    scored = 0
    for forecast in issued:
        if forecast.received < since:
            continue
        scored += 1
        night = forecast.received.astimezone(zone).date().toordinal()
        learnt = learn.fit(known, int(forecast.received.timestamp() // 3600), night)
        use = learnt if learnt.nights >= LEAST_NIGHTS and site.settings.get("forecast.learn") is not False else None
        made = air.prepare(forecast, site, learnt=use)
        nights += verify.nights(made, forecast, trusted.at(forecast.start, forecast.hours), site.timezone)
    final = learn.fit(known, int(now.timestamp() // 3600), now.astimezone(zone).date().toordinal())
    found = [verify.scores(nights, lead) for lead in range(air.LEADS + 1)]
    return Verified(source, since, scored, tuple(s for s in found if s is not None), final, trouble)
