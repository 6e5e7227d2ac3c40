"""A replay of winters: real temperatures as truth, forecasts made from them with errors that the learner is not told.

What is hidden: the yard's offset against the measured series (-4 to +2 K), and the size of the errors (0.7 to 1.5
times the default by lead day). Errors of one night shrink from issue to issue as a random walk run backwards, go
together from night to night, and have Student tails (5 degrees of freedom): not the shape the learner assumes (4).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.forecast import Forecast
from monitor.model.site import Appliance, Cylinder, Site
from monitor.outlook import air, cases, learn, verify
from tests.weather.truth import Truth, illinois, new_york

Series = NDArray[np.float64]

DAYS = 10
NU = 5
ISSUE_HOUR = 12  # local


def winters() -> list[tuple[Truth, datetime, datetime]]:
    """Every stretch of at least two winter months (November to March) in the series."""

    def day(year: int, month: int, number: int) -> datetime:
        return datetime(year, month, number, tzinfo=UTC)

    il = illinois()
    found = [
        (il, day(2015, 11, 24), day(2016, 3, 31)),
        (il, day(2016, 11, 1), day(2017, 3, 31)),
        (il, day(2017, 11, 1), day(2018, 2, 7)),
    ]
    for name in ("EWR", "JFK", "LGA"):
        found += [
            (new_york(name), day(2013, 1, 3), day(2013, 3, 31)),
            (new_york(name), day(2013, 10, 15), day(2013, 12, 29)),
        ]
    return found


def site_of(truth: Truth) -> Site:
    return Site(
        name="Replay",
        latitude=truth.latitude,
        longitude=truth.longitude,
        timezone=truth.timezone,
        cylinders=(Cylinder("A", 43.2, 13.2, 0.3175, 18.1),),
        appliances=(Appliance("Range", 19_050.0, 3600.0),),
    )


@dataclass(frozen=True)
class Hidden:
    """What only the world knows."""

    offset_k: float
    scale: float


def errors(rng: np.random.Generator, nights: int) -> Series:
    """Error (K) of each night at each lead day (nights, lead days); smaller leads hold part of what larger ones do."""
    sigma = np.array(air.SIGMA_K)
    own = np.sqrt(np.diff(sigma**2, prepend=0.0))
    noise = rng.standard_normal((nights + 30, DAYS))
    for k in range(1, nights + 30):
        noise[k] = 0.5 * noise[k - 1] + np.sqrt(0.75) * noise[k]
    tails = np.sqrt(NU / rng.chisquare(NU, nights)) * np.sqrt((NU - 2.0) / NU)
    return np.asarray(np.cumsum(noise[30:] * own, axis=1) * tails[:, None], dtype=np.float64)


def path(error: Series, issue: int, night: Series) -> Series:
    """Error at each hour of one issue; `night` is the hour's place between the 06 o'clock of one night and the next."""
    left = np.clip(np.floor(night).astype(int), 0, error.shape[0] - 2)
    w = np.clip(night - left, 0.0, 1.0)
    lead = np.clip(left - issue - 1, 0, DAYS - 1)  # the night after the issue has lead day 1, index 0
    later = np.clip(left - issue, 0, DAYS - 1)
    return np.asarray((1.0 - w) * error[left, lead] + w * error[left + 1, later], dtype=np.float64)


@cache
def bank(pairs: int = 300) -> Series:
    """Error paths (2 x pairs, hours) as the world makes them, for an issue at noon, each with its mirror image."""
    rng = np.random.default_rng(424_242)
    night = (np.arange(DAYS * 24) + ISSUE_HOUR - 6) / 24.0
    half = np.array([path(errors(rng, DAYS + 3), 0, night) for _ in range(pairs)])
    return np.concatenate([half, -half])


class World:
    """One winter with its forecasts: one issue a day at local noon, ten days of hours each."""

    def __init__(self, truth: Truth, first: datetime, last: datetime, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.truth, self.site = truth, site_of(truth)
        self.hidden = Hidden(rng.uniform(-4.0, 2.0), rng.uniform(0.7, 1.5))
        zone = ZoneInfo(truth.timezone)
        noon = first.astimezone(zone).replace(hour=ISSUE_HOUR, minute=0)
        self.issues = [
            i.astimezone(UTC)
            for k in range((last - first).days - 1)
            if (i := noon + timedelta(days=k)) <= last - timedelta(days=1)
        ]
        self.yard = cases.Measured(truth.start, truth.air_k + self.hidden.offset_k)
        self.first_day = noon.date().toordinal()
        self.errors = errors(rng, len(self.issues) + DAYS + 4) * self.hidden.scale

    def forecast(self, issue: int) -> Forecast:
        """The forecast as the service gives it: the station's truth, not the yard's, plus its error."""
        at = self.issues[issue]
        hours = DAYS * 24
        night = self.nights_of(issue)
        offset = self.truth.index(at)
        base = np.full(hours, np.nan)
        part = self.truth.air_k[offset : offset + hours]
        base[: part.size] = part
        return Forecast("replay", at, at, at, (base + path(self.errors, issue, night))[None, :])

    def nights_of(self, issue: int) -> Series:
        """Place of each hour of an issue between the 06 o'clock of one night and the next."""
        zone = ZoneInfo(self.truth.timezone)
        local = [(self.issues[issue] + timedelta(hours=k)).astimezone(zone) for k in range(DAYS * 24)]
        return np.array([t.date().toordinal() - self.first_day + (t.hour - 6) / 24.0 for t in local])

    def run(self) -> Iterator[tuple[int, Forecast, learn.Learnt]]:
        """Each issue with what the learner knew then."""
        known: list[learn.Cases] = []
        for k, at in enumerate(self.issues):
            forecast = self.forecast(k)
            learnt = learn.fit(learn.Cases.joined(known), int(at.timestamp() // 3600), self.first_day + k)
            yield k, forecast, learnt
            known.append(cases.pair(forecast, self.yard, self.site))


class EnsembleWorld(World):
    """The same with an ensemble that knows which nights are hard to tell, and is far too sure of itself.

    Nights differ in how large their errors are (a lognormal factor); the members' spread follows it, but is 0.48 of
    what it should be, as four of five ensembles were over Toulouse.
    """

    MEMBERS = 21
    SPREAD = 0.48

    def __init__(self, truth: Truth, first: datetime, last: datetime, seed: int) -> None:
        super().__init__(truth, first, last, seed)
        rng = np.random.default_rng(seed + 500_000)
        hard = np.exp(0.5 * rng.standard_normal(self.errors.shape[0]))
        self.hard: Series = np.asarray(hard / np.sqrt((hard**2).mean()), dtype=np.float64)
        self.errors = self.errors * self.hard[:, None]
        self._seed = seed

    def forecast(self, issue: int) -> Forecast:
        """The forecast with its members about it."""
        plain = super().forecast(issue)
        rng = np.random.default_rng((self._seed, issue))
        night = self.nights_of(issue)
        sigma = self.SPREAD * self.hidden.scale * np.array(air.SIGMA_K)
        rows = []
        for _ in range(self.MEMBERS):
            z = rng.standard_normal(self.errors.shape[0])
            rows.append(plain.air_k[0] + path(np.outer(z * self.hard, sigma), issue, night))
        return replace(plain, air_k=np.array(rows))


@dataclass(frozen=True)
class Row:
    """One night at one lead: what we said, what one who knew everything would have said, what came."""

    lead: int
    night: int
    known: int
    ours: Series
    ideal: Series
    raw: float
    came: float


def rows(world: World) -> list[Row]:
    """Every night at every lead of one winter."""
    found = []
    for _, forecast, learnt in world.run():
        made = air.prepare(forecast, world.site, learnt=learnt if learnt.nights else None)
        best = replace(forecast, air_k=forecast.air_k[:1] + world.hidden.offset_k - world.hidden.scale * bank())
        seen = world.yard.at(forecast.start, forecast.hours)
        ours = verify.nights(made, forecast, seen, world.site.timezone)
        ideal = verify.nights(best, forecast, seen, world.site.timezone)
        found += [
            Row(c.lead, c.night, learnt.nights, c.members_k, i.members_k, float(c.raw_k[0]), c.observed_k)
            for c, i in zip(ours, ideal, strict=True)
            if c.lead <= DAYS
        ]
    return found


@dataclass(frozen=True)
class ByLead:
    """Scores of one lead day over many nights."""

    lead: int
    n: int
    bias_k: float
    crps_k: float
    ideal_crps_k: float
    raw_crps_k: float
    covered: float


def played(seeds: int, first_seed: int = 0) -> tuple[list[ByLead], list[float]]:
    """Scores by lead day from the 31st night on, and each season's mean bias of the first day's night minimum."""
    kept: dict[int, list[Row]] = {d: [] for d in range(1, DAYS + 1)}
    seasons = []
    for seed in range(first_seed, first_seed + seeds):
        for i, (truth, first, last) in enumerate(winters()):
            late = [r for r in rows(World(truth, first, last, 1000 * seed + i)) if r.known >= learn.CALIBRATE_NIGHTS]
            seasons.append(float(np.mean([r.ours.mean() - r.came for r in late if r.lead == 1])))
            for row in late:
                kept[row.lead].append(row)
    found = []
    for lead, mine in kept.items():
        ours, came = np.array([r.ours for r in mine]), np.array([r.came for r in mine])
        ideal = np.array([r.ideal for r in mine])
        found.append(
            ByLead(
                lead,
                len(mine),
                float((ours.mean(axis=1) - came).mean()),
                float(verify.crps(ours, came).mean()),
                float(verify.crps(ideal, came).mean()),
                float(np.abs(np.array([r.raw for r in mine]) - came).mean()),
                float(verify.inside(ours, came).mean()),
            )
        )
    return found, seasons


def table(found: list[ByLead], seasons: list[float]) -> str:
    """The scores as a table, with what is compared side by side."""
    lines = ["day      n   bias   CRPS  ideal  ratio    raw  ratio  in 10-90 %"]
    lines += [
        f"{r.lead:3d} {r.n:6d} {r.bias_k:6.2f} {r.crps_k:6.3f} {r.ideal_crps_k:6.3f} {r.crps_k / r.ideal_crps_k:6.3f} "
        f"{r.raw_crps_k:6.3f} {r.crps_k / r.raw_crps_k:6.3f} {100 * r.covered:8.1f} %"
        for r in found
    ]
    lines.append(
        f"{len(seasons)} seasons, day 1: mean of their biases {np.mean(seasons):+.3f} K, "
        f"mean of their sizes {np.mean(np.abs(seasons)):.3f} K, largest {np.max(np.abs(seasons)):.2f} K"
    )
    return "\n".join(lines)
