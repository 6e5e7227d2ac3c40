"""Short nights in past winters: each kind of cylinder's film and rest worked out once, then every arrangement of it.

A night (noon to noon, local) is short when in one of its hours in which the household may burn the hold time from rest
is below the stated burn, or sustained capacity is below what burns without end. Levels fall by the household's use
from full to the refill level and jump back: with a changeover the side in service runs empty while the other is full,
then they change places. Whether a stated burn holds is settled by a heat balance from above and below where that is
plain, and integrated where it is not: the answer is that of `physics.hold`, at a small part of its cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.model.site import Site
from monitor.outlook.arrange_model import WINTER_DAYS, Candidate, Container, Feed, Past, Question, Short, unit_site
from monitor.physics import HEATING_VALUE_J_KG, Air, Plant, fluid, quick, rest_k, sustained_w
from monitor.physics.phases import Field, State, changeover, moles_of, seen_flat
from monitor.physics.shell import DRY_KG

Series = NDArray[np.float64]
Index = NDArray[np.intp]
HOUR_S = 3600.0
HOUR = timedelta(hours=1)
RUNGS = np.linspace(0.0, 1.0, 10) ** 1.5  # shares of full at which rest is worked out; between them a straight line
_SLACK_K = 0.02  # what the straight line may be off by, left on both sides of the plain answers


@dataclass(frozen=True, eq=False)
class Winters:
    """Past winters as a grid (winters, hours), hour 0 the first of the winter half in UTC; NaN = not measured.

    `night` is each hour's night (local, noon to noon), counted through; -1 where the hour is not judged. `stated_s`
    (winters, hours) is the longest stated burn that may begin in the hour.
    """

    names: tuple[str, ...]
    air: Air
    known: NDArray[np.bool_]
    night: Index
    winter_of_night: Index
    stated_s: Series

    @property
    def nights(self) -> int:
        """Nights seen."""
        return int(self.winter_of_night.size)

    @property
    def coldest_k(self) -> float:
        """Coldest hour seen (K)."""
        return float(np.min(np.where(self.known, np.asarray(self.air.air_k), np.inf)))


def halves(past: Past, southern: bool) -> list[tuple[datetime, datetime]]:
    """Winter halves that the series touches: from 1 October (1 April south) to seven months later (UTC)."""
    first, last = (4, 11) if southern else (10, 5)
    end = past.start + past.air_k.size * HOUR
    found = []
    for year in range(past.start.year - 1, end.year + 1):
        a = datetime(year, first, 1, tzinfo=UTC)
        b = datetime(year if southern else year + 1, last, 1, tzinfo=UTC)
        if a < end and b > past.start:
            found.append((a, b))
    return found


def gather(pasts: Sequence[Past], site: Site) -> Winters | None:
    """Lay past series out by winters; None where they touch no winter half."""
    spans = [(p, a, b) for p in pasts for a, b in halves(p, site.latitude < 0)]
    if not spans:
        return None
    width = max(int((b - a) / HOUR) for _, a, b in spans)
    shape = (len(spans), width)
    air, wind, sky, dew = (np.full(shape, v) for v in (np.nan, 0.0, 1.0, np.nan))
    for row, (past, a, b) in enumerate(spans):
        for grid, series in ((air, past.air_k), (wind, past.wind_m_s), (sky, past.sky), (dew, past.dewpoint_k)):
            _lay(grid[row], series, int((past.start - a) / HOUR), int((b - a) / HOUR))
    known = np.isfinite(air)
    filled = np.stack([_bridged(row) for row in air])
    night, winter, local = _nights([a for _, a, _ in spans], width, ZoneInfo(site.timezone), known)
    names = tuple(_name(past, a, b) for past, a, b in spans)
    return Winters(names, Air(filled, wind, sky, dew), known, night, winter, _stated(site, local))


def _name(past: Past, a: datetime, b: datetime) -> str:
    year = f"{a.year}" if a.year == b.year else f"{a.year}/{b.year % 100:02d}"
    return f"{past.name} {year}".strip()


def _lay(row: Series, series: Series | None, offset: int, hours: int) -> None:
    if series is None:
        return
    low, high = max(0, offset), min(hours, offset + series.size)
    part = series[low - offset : high - offset]
    row[low:high] = np.where(np.isfinite(part), part, row[low:high])


def _bridged(air: Series) -> Series:
    """Straight lines over what is missing, for the liquid's rest alone: a missing hour is not judged."""
    there = np.flatnonzero(np.isfinite(air))
    if there.size == 0:
        return np.full(air.shape, 273.15)
    return np.interp(np.arange(air.size), there, air[there])


def _nights(
    starts: Sequence[datetime], width: int, zone: ZoneInfo, known: NDArray[np.bool_]
) -> tuple[Index, Index, NDArray[np.int64]]:
    """Night of each hour, winter of each night, local clock hour (winters, hours)."""
    night, local = np.full(known.shape, -1, dtype=np.intp), np.zeros(known.shape, dtype=np.int64)
    winter: list[int] = []
    for row, start in enumerate(starts):
        numbers: dict[int, int] = {}
        for k in range(width):
            here = (start + k * HOUR).astimezone(zone)
            local[row, k] = here.hour
            if known[row, k]:
                number = here.toordinal() + (here.hour >= 12)
                if number not in numbers:
                    numbers[number] = len(winter)
                    winter.append(row)
                night[row, k] = numbers[number]
    return night, np.array(winter, dtype=np.intp), local


def _stated(site: Site, local: NDArray[np.int64]) -> Series:
    by_hour = np.zeros(24)
    for appliance in site.appliances:
        if not appliance.continuous:
            allowed = np.array([appliance.may_burn(h) for h in range(24)])
            by_hour = np.where(allowed, np.maximum(by_hour, appliance.hold_s), by_hour)
    return by_hour[local]


def share_left(question: Question, candidate: Candidate, hours: int) -> Series:
    """Share of full in the cylinders that feed, (starts, hours): down by use to the refill level, then full again."""
    changes = candidate.feed == "changeover"
    lowest = 0.0 if changes else question.refill_share
    fuel = candidate.fuel_kg * (0.5 if changes else 1.0)
    used = question.use_kg_d / 86_400.0 * HOUR_S * np.arange(hours) / fuel
    span = 1.0 - lowest
    return np.asarray(1.0 - (used + span * np.array(question.starts)[:, None]) % span, dtype=np.float64)


@dataclass(slots=True)
class At:
    """Cases: winter, hour in it, and where its level stands in (starts, hours) laid out flat."""

    row: Index
    hour: Index
    slot: Index

    def take(self, index: Index) -> At:
        """The cases in `index` alone."""
        return At(self.row[index], self.hour[index], self.slot[index])


def rest_table(question: Question, winters: Winters, container: Container) -> Series:
    """Liquid at rest (K) in one cylinder, (rungs, winters, hours), with RUNGS of full all winter long.

    A level falls over days and liquid at rest follows the air within hours: so it is as good as with the level's own
    course.
    """
    plant = Plant.of(unit_site(question, container, "together"))
    least = 2.0 * DRY_KG / float(plant.full_kg[0])
    charge = (np.maximum(RUNGS, least) * plant.full_kg[0])[:, None, None, None]
    return np.ascontiguousarray(rest_k(plant, charge, winters.air, basis=question.basis))


class Kind:
    """One kind of container in one feed under past winters: all that does not depend on how many there are."""

    def __init__(
        self, question: Question, winters: Winters, container: Container, feed: Feed, rest: Series | None = None
    ) -> None:
        """`rest` is `rest_table`'s, which both feeds share; worked out where it is not given."""
        self.question, self.winters = question, winters
        self.plant = Plant.of(unit_site(question, container, feed))
        self.basis = question.basis
        self.full = float(self.plant.full_kg[0])
        self.floor = self.plant.floor_k(self.basis)
        self.walls = self.plant.walls(np.arange(1))
        shape = self.shape = winters.known.shape
        film, seen = seen_flat(self.plant, winters.air, self.basis, shape, None)
        self.film = np.ascontiguousarray(film[:1])
        self.seen = np.where(winters.known.reshape(1, -1), seen[:1], np.nan)
        ahead = int(np.ceil(max(float(winters.stated_s.max()), 1.0) / HOUR_S))
        wide = np.broadcast_to(self.film, (1, seen.shape[1])).reshape(shape)
        self.film_low, self.film_high = _window(wide, ahead)
        self.seen_low, self.seen_high = _window(self.seen.reshape(shape), ahead)
        self.rest = rest_table(question, winters, container) if rest is None else rest
        self.heat_floor = float(fluid.heat_capacity_j_kgk(np.array(self.floor)))
        self.latent_floor = float(fluid.latent_j_kg(np.array(self.floor)))
        self.steel = float(self.plant.steel_j_k[0])

    def short(self, candidate: Candidate) -> Short:
        """Play every winter with every start."""
        winters = self.winters
        share = share_left(self.question, candidate, self.shape[1])
        by_start = self._nights(candidate, share)
        each = by_start.sum(axis=1)
        count = winters.nights / WINTER_DAYS
        by_winter = np.bincount(winters.winter_of_night, weights=by_start.mean(axis=0), minlength=len(winters.names))
        return Short(
            float(each.mean() / count), float(by_winter.max()), float(each.min() / count), float(each.max() / count),
            dict(zip(winters.names, by_winter.tolist(), strict=True)), winters.nights, count,
        )  # fmt: skip

    def _nights(self, candidate: Candidate, share: Series) -> NDArray[np.bool_]:
        """Which nights are short, (starts, nights), with `share` (starts, hours) of full in what feeds."""
        found = np.zeros((share.shape[0], self.winters.nights), dtype=bool)
        if self.question.site.continuous_w > 0.0:
            for row, course in zip(found, share, strict=True):
                short = self._continuous(candidate, course) & (self.winters.night >= 0)
                row[self.winters.night[short]] = True
        if self.winters.stated_s.any():
            self._by_turns(found, candidate, share)
        return found

    def _continuous(self, candidate: Candidate, course: Series) -> NDArray[np.bool_]:
        """Hours (winters, hours) in which what burns without end is not carried."""
        demand = self.question.site.continuous_w / candidate.sets
        charge = np.full((course.size, self.plant.size), self.full)
        charge[:, 0] = course * self.full
        return np.asarray(sustained_w(self.plant, charge, self.winters.air, self.basis) < demand)

    # --- stated burns -----------------------------------------------------------------------------------------------

    def rest_at(self, share: Series, at: At) -> Series:
        """Liquid at rest (K) in the cases `at`, by the `share` (starts, hours) of full in each hour of the winter."""
        share = share.reshape(-1)
        place = np.clip(np.searchsorted(RUNGS, share, side="right") - 1, 0, RUNGS.size - 2)
        part = np.clip((share - RUNGS[place]) / (RUNGS[place + 1] - RUNGS[place]), 0.0, 1.0)
        size = self.shape[0] * self.shape[1]
        first = place[at.slot] * size + at.row * self.shape[1] + at.hour
        table = self.rest.reshape(-1)
        low, high = table.take(first), table.take(first + size)
        return np.asarray(low + part[at.slot] * (high - low), dtype=np.float64)

    def _by_turns(self, found: NDArray[np.bool_], candidate: Candidate, share: Series) -> None:
        """Hours with a stated burn: plain ones by the balance, the others integrated, the worst of a night first."""
        at = self._may_fail(candidate, share)
        if not at.row.size:
            return
        demand = self.question.site.demand_w / candidate.sets
        rest = self.rest_at(share, at)
        least, most = self._held(share, at, rest, demand)
        stated = self.winters.stated_s[at.row, at.hour]
        night = self.winters.night[at.row, at.hour] + at.slot // self.shape[1] * found.shape[1]
        flat = found.reshape(-1)  # a view: (start, night) as one number
        flat[night[most < stated]] = True
        for first in (True, False):
            open_ = np.flatnonzero((least < stated) & ~flat[night])
            if first and open_.size:
                open_ = _worst_of_each(open_, night[open_], least[open_])
            if open_.size:
                hold = self._integrated(share, at.take(open_), rest[open_], demand, stated[open_])
                flat[night[open_[hold < stated[open_] - 1e-3]]] = True

    def _may_fail(self, candidate: Candidate, share: Series) -> At:
        """The cases in which everything is not carried without end from the coldest of the hours to come."""
        winters, hours = self.winters, self.shape[1]
        row, hour = np.nonzero((winters.stated_s > 0.0) & (winters.night >= 0) & np.isfinite(self.seen_low))
        demand = self.question.site.demand_w / candidate.sets
        drawn = demand / HEATING_VALUE_J_KG * float(winters.stated_s.max())
        wall = self._wall(np.maximum(share * self.full - drawn, 0.0), self.floor)
        if self.plant.changeover:
            wall = np.maximum(wall, self._wall(np.array([max(self.full - drawn, 0.0)]), self.floor)[0])
        need = demand * self.latent_floor / HEATING_VALUE_J_KG
        gain = self.film_low[row, hour] * (self.seen_low[row, hour] - self.floor)
        cases = []
        for start, its in enumerate(wall):
            left = np.flatnonzero(~(gain * its[hour] >= need))
            cases.append(At(row[left], hour[left], hour[left] + start * hours))
        return At(*(np.concatenate([getattr(c, name) for c in cases]) for name in At.__slots__))

    def _wall(self, mass: Series, t_k: float) -> Series:
        area = self.walls.area((mass / float(fluid.density_kg_m3(np.array(t_k))))[None])[0]
        return np.where(mass < DRY_KG, 0.0, area)

    def _held(self, share: Series, at: At, rest: Series, demand: float) -> tuple[Series, Series]:
        """Seconds surely held and at most held, by the balance of heat; with a changeover of both sides."""
        own = self._side(share, at, rest, demand)
        if not self.plant.changeover:
            return own
        full = np.ones_like(share)
        other = self._side(full, at, self.rest_at(full, at), demand)
        least = np.maximum(own[0], other[0])
        if self.plant.changeover_pa > self.plant.lowest_inlet_pa:  # what service has left is used at the end
            return least, np.full_like(least, np.inf)
        return least, own[1] + other[1]

    def _side(self, share: Series, at: At, rest: Series, demand: float) -> tuple[Series, Series]:
        """Bounds (s) on how long one side holds from `share` (starts, hours) of full.

        dT/dt = (G (T_env - T) - draw x latent) / C with G, C and the latent heat held at the end of their range that
        makes the liquid fall fastest, or slowest: a linear equation, whose time to the floor is known. From below: the
        fuel and the wall left at the end, boiled off at the floor's latent heat (the largest), and what air colder than
        the liquid may take from all the wall. From above: all the
        fuel and wall of the start, the latent heat of the start (the least).
        """
        draw = demand / HEATING_VALUE_J_KG
        charge = share.reshape(-1) * self.full
        end = np.maximum(charge - draw * float(self.winters.stated_s.max()), 0.0)
        cold, warm = self.seen_low[at.row, at.hour], self.seen_high[at.row, at.hour]
        density, heat, latent = quick.liquid(np.maximum(np.maximum(rest, warm), self.floor))  # as warm as it may get
        wall_end, charge, end = self._wall(end, self.floor)[at.slot] + 1e-9, charge[at.slot], end[at.slot]
        wall_start = self.walls.area((charge / density)[None])[0]
        film_low, film_high = self.film_low[at.row, at.hour], self.film_high[at.row, at.hour]
        low, high = rest - _SLACK_K, rest + _SLACK_K
        lost = film_high * wall_start * np.maximum(rest + _SLACK_K - cold, 0.0)
        least = _fall(
            low, self.floor, cold, film_low * wall_end, draw * self.latent_floor + lost,
            end * self.heat_floor + self.steel,
        )  # fmt: skip
        most = _fall(
            high, self.floor, np.maximum(warm, high), film_high * wall_start, draw * latent,
            charge * heat + self.steel,
        )  # fmt: skip
        return np.where(end <= DRY_KG, 0.0, least), np.minimum(most, charge / draw)

    def _integrated(self, share: Series, at: At, rest: Series, demand: float, stated: Series) -> Series:
        """Hold time (s), not followed past the stated burn, of the cases `at`; NaN where an hour needed is missing."""
        n = self.plant.size
        charge = np.full((n, at.row.size), self.full)
        charge[0] *= share.reshape(-1)[at.slot]
        t = np.broadcast_to(rest, (n, at.row.size)).copy()
        if n > 1:
            t[1] = self.rest_at(np.ones_like(share), at)
        field = Field(self.plant, self.film, self.seen, at.row, at.hour, self.shape[1])
        start = State(t, moles_of(self.plant, charge), np.zeros(at.row.size))
        watts = np.full(at.row.size, demand)
        if self.plant.changeover:
            done = changeover(field, start, watts, self.basis, stated)
        else:
            done = field.run(self.plant.feeding, start, watts, self.plant.floor_pa(self.basis), stated)
        return done.state.time_s


def _fall(
    start_k: Series, floor_k: float, env_k: Series, g_w_k: Series, taken_w: Series, c_j_k: Series
) -> Series:  # fmt: skip
    """Seconds in which C dT/dt = G (T_env - T) - taken comes from `start_k` to the floor; 0 at it, inf where never."""
    pull = taken_w / g_w_k - env_k  # minus the temperature it tends to
    reaches = pull + floor_k > 0.0
    ratio = (start_k + pull) / np.where(reaches, pull + floor_k, 1.0)
    time_s = c_j_k / g_w_k * np.log(np.maximum(ratio, 1.0))
    return np.where(start_k <= floor_k, 0.0, np.where(reaches, time_s, np.inf))


def _window(values: Series, hours: int) -> tuple[Series, Series]:
    """Least and greatest of each hour and the `hours` - 1 after it; the last one persists, NaN stays NaN."""
    low, high = values.copy(), values.copy()
    for k in range(1, hours):
        later = np.concatenate([values[:, k:], np.repeat(values[:, -1:], k, axis=1)], axis=1)
        low, high = np.minimum(low, later), np.maximum(high, later)
    return low, high


def _worst_of_each(index: Index, night: Index, margin: Series) -> Index:
    """Of the cases `index` the one with the least margin in each night."""
    order = np.lexsort((margin, night))
    first = np.ones(order.size, dtype=bool)
    first[1:] = night[order][1:] != night[order][:-1]
    return np.asarray(index[order[first]])
