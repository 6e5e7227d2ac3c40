"""What each cylinder holds now, from whatever readings there are."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from monitor.model.reading import BY_HAND, LEVEL_QUANTITIES, Level, Quantity, Reading
from monitor.model.site import Cylinder, Site
from monitor.outlook import convert
from monitor.outlook.banks import LARGEST as ONE_FILTER
from monitor.outlook.banks import Banked
from monitor.outlook.draw import Feed
from monitor.outlook.sensor_state import Observation, SensorState
from monitor.outlook.tracker import Guess, Tracker

Series = NDArray[np.float64]
Air = tuple[Sequence[datetime], Sequence[float]]
DAY_S = 86_400.0
LAG_H = 2.5  # a cylinder's liquid follows the air with about this time constant
LARGEST = 1e6  # in any quantity's SI unit: what is larger is no reading (NaN and infinity neither)
LEAST_KNOWN = 0.7  # share of a gauge's readings whose temperature must be known to take it out
SLOT_S = 1800.0  # readings of one sensor closer than this are taken together (their median)
ECHOES = frozenset({Quantity.ECHO_TIME, Quantity.LIQUID_HEIGHT, Quantity.HEIGHT_FROM_TOP})
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FULL_FIRE_H_D = 0.15  # full-burner hours a day of a household nobody knows: 80 lb in 120-180 days (common practice)
HEATER_DUTY = 0.12
MEALS = {6: 0.5, 7: 1.0, 8: 0.7, 11: 0.6, 12: 1.2, 13: 0.7, 16: 0.6, 17: 1.6, 18: 2.2, 19: 1.5, 20: 0.5}
HEATING_VALUE_J_KG = 21_548 * 2_326.0  # NFPA 58 table of properties, commercial propane, gross


def habit_kg_d(site: Site) -> tuple[float, float]:
    """First guess of the supply's burn (kg/day) and its wide spread, from a stated use or else the appliances."""
    stated = site.settings.get("fuel.use")
    if stated is not None and float(stated) > 0.0:
        return float(stated) * DAY_S, 0.5 * float(stated) * DAY_S
    cooking = (site.demand_w - site.continuous_w) * FULL_FIRE_H_D * 3600.0 / HEATING_VALUE_J_KG
    heating = site.continuous_w * HEATER_DUTY * DAY_S / HEATING_VALUE_J_KG
    mean = max(cooking + heating, 0.02)
    return mean, mean


def days(time: datetime) -> float:
    """Days since 1970 (UTC)."""
    return (time - EPOCH).total_seconds() / DAY_S


def _when(time_d: float) -> datetime:
    return EPOCH + timedelta(days=time_d)


def liquid_k(air: Air | None, times_d: Series) -> Series:
    """Liquid temperature (K) at `times_d`: the measured air with a lag; NaN where no air within 6 h is known."""
    out = np.full(len(times_d), np.nan)
    if air is None or len(air[0]) == 0:
        return out
    when = np.array([days(t) for t in air[0]])
    order = np.argsort(when)
    when, value = when[order], np.asarray(air[1], dtype=np.float64)[order]
    good = np.isfinite(value)
    when, value = when[good], value[good]
    if when.size == 0:
        return out
    grid = np.arange(math.floor(when[0] * 24.0), math.ceil(when[-1] * 24.0) + 2) / 24.0
    hourly = np.interp(grid, when, value)
    keep = math.exp(-1.0 / LAG_H)
    lagged = np.empty_like(hourly)
    state = hourly[0]
    for k, now in enumerate(hourly):
        lagged[k] = state
        state = state * keep + now * (1.0 - keep)
    near = np.searchsorted(when, times_d)
    before = np.abs(times_d - when[np.clip(near - 1, 0, when.size - 1)])
    after = np.abs(times_d - when[np.clip(near, 0, when.size - 1)])
    close = np.minimum(before, after) <= 0.25
    return np.where(close, np.interp(times_d, grid, lagged), np.nan)


def sensor_key(reading: Reading) -> str:
    """Name of what told a reading: its source, the cylinder and the quantity."""
    return f"{reading.source}|{reading.subject}|{reading.quantity}"


def _by_hand(reading: Reading, site: Site) -> bool:
    return all(s.name != reading.source for s in site.sensors) and reading.source.startswith(BY_HAND)


def _thinned(group: list[Reading]) -> list[Reading]:
    """At most one reading in each slot: the middle one of those that came in it."""
    slots: dict[int, list[Reading]] = defaultdict(list)
    for reading in group:
        slots[int(reading.time.timestamp() // SLOT_S)].append(reading)
    if len(slots) == len(group):
        return group
    out = []
    for part in slots.values():
        part.sort(key=lambda r: r.value or 0.0)
        out.append(part[len(part) // 2])
    return out


def _corrected(readings: Sequence[Reading]) -> list[Reading]:
    gone = {r.corrects for r in readings if r.corrects is not None}
    return [r for r in readings if r.id is None or r.id not in gone]


def observations(
    site: Site, readings: Sequence[Reading], air: Air | None = None, *, thin: bool = True
) -> list[Observation]:
    """Level readings as propane left, in the order of time. Corrected, empty and foreign ones are left out.

    With `thin` at most one of a sensor in each half-hour, the middle one.
    """
    index = {c.name: i for i, c in enumerate(site.cylinders)}
    specs = {s.name: s for s in site.sensors}
    groups: dict[str, list[Reading]] = defaultdict(list)
    for reading in _corrected(readings):
        usable = reading.value is not None and abs(reading.value) < LARGEST
        if usable and reading.quantity in LEVEL_QUANTITIES and reading.subject in index:
            groups[sensor_key(reading)].append(reading)
    found: list[Observation] = []
    for key, group in groups.items():
        hand = _by_hand(group[0], site)
        kept = group if hand or not thin else _thinned(group)
        i = index[group[0].subject]
        spec = specs.get(group[0].source)
        found += _converted(site.cylinders[i], i, key, kept, air, hand, spec.noise if spec else None)
    found.sort(key=lambda o: o.time_d)
    return found


def _converted(
    cylinder: Cylinder, i: int, key: str, group: list[Reading], air: Air | None, hand: bool, noise: float | None
) -> list[Observation]:
    quantity = group[0].quantity
    times = np.array([days(r.time) for r in group])
    liquid = liquid_k(air, times)
    if np.isfinite(liquid).mean() < LEAST_KNOWN:
        liquid = np.full(len(group), np.nan)  # half with and half without would look like a change of level
    middle = float(np.nanmedian(liquid)) if np.isfinite(liquid).any() else convert.NOMINAL_K
    used = np.where(np.isfinite(liquid), liquid, middle)
    value = np.array([r.value for r in group], dtype=np.float64)
    kg = convert.to_kg(cylinder, quantity, value, used)
    known = bool(np.isfinite(liquid).any())
    offset = convert.offset_kg(cylinder, quantity, known)
    warm = convert.warm_kg_k(cylinder, quantity) if known else 0.0
    usual = convert.noise_kg(cylinder, quantity, float(np.median(value)), float(np.median(used)), noise)
    out = []
    for k, reading in enumerate(group):
        if not -1.0 - 0.5 * cylinder.full_kg <= kg[k] <= 3.0 * cylinder.full_kg + 2.0:
            continue  # no cylinder of this size reads so; NaN neither
        sd = usual
        if reading.noise is not None:
            sd = convert.noise_kg(cylinder, quantity, float(value[k]), float(used[k]), reading.noise)
        here = math.isfinite(liquid[k])
        out.append(
            Observation(
                time_d=float(times[k]),
                cylinder=i,
                sensor=key,
                kg=float(kg[k]),
                sd_kg=sd,
                bias_sd_kg=offset,
                warm_k=float(liquid[k] - convert.NOMINAL_K) if here else None,
                warm_sd_kg_k=warm,
                manual=hand,
                raw=float(value[k]),
                echo=quantity in ECHOES,
                aged=reading.age_known,
            )
        )
    return out


def tracker(site: Site) -> Tracker | Banked:
    """Return a filter for `site` that has read nothing yet; in banks where the site has very many cylinders."""
    mean, sd = habit_kg_d(site)
    most = max(site.demand_w * DAY_S / HEATING_VALUE_J_KG, 4.0 * mean)
    kind = Tracker if len(site.cylinders) <= ONE_FILTER else Banked
    return kind(Feed.of(site), Guess(mean, sd, most, day_profile(site)))


def day_profile(site: Site) -> Series:
    """How a day's burn falls on the hours of the UTC day before anything has been learnt.

    More at the usual meal times (common practice, no source), none when nothing may burn, even for a continuous
    appliance. The zone's offset is that of the longitude: half an hour more or less does not matter here.
    """
    shift = round(site.longitude / 15.0)
    weight = np.zeros(24)
    for utc in range(24):
        local = (utc + shift) % 24
        for appliance in site.appliances:
            if appliance.continuous:
                weight[utc] += appliance.input_w * HEATER_DUTY
            elif appliance.may_burn(local):
                weight[utc] += appliance.input_w * MEALS.get(local, 0.05) * FULL_FIRE_H_D
    return weight if weight.sum() > 0.0 else np.ones(24)


def track(site: Site, readings: Sequence[Reading], at: datetime, air: Air | None = None) -> Tracker | Banked:
    """Run the filter over all readings up to `at` and on to `at`."""
    filter_ = tracker(site)
    end = days(at)
    for seen in observations(site, readings, air):
        if seen.time_d <= end:
            filter_.add(seen)
    if filter_.time_d is not None:
        filter_.advance(end)
    return filter_


def estimate(site: Site, readings: Sequence[Reading], at: datetime, air: Air | None = None) -> tuple[Level, ...]:
    """What each cylinder holds at `at`, one Level for each in the site's order.

    `readings` in any order, those after `at` are ignored; `air` (times, K) takes the temperature's effect out of
    gauges. A cylinder that nobody ever read gets 0 kg with a basis that says so and no reading time.
    """
    return levels(track(site, readings, at, air), site, at)


def levels(filter_: Tracker | Banked, site: Site, at: datetime) -> tuple[Level, ...]:
    """The filter's state as Levels."""
    return tuple(level for first, bank in filter_.banks() for level in _levels(bank, site, first, at))


def _levels(filter_: Tracker, site: Site, first: int, at: datetime) -> list[Level]:
    """Levels of one filter's cylinders, which begin with the site's cylinder number `first`."""
    burn, burn_sd = filter_.burn()
    share = filter_.shares_now()
    told: dict[int, list[SensorState]] = defaultdict(list)
    for sensor in filter_.sensors.values():
        told[sensor.cylinder].append(sensor)
    out = []
    for i, cylinder in enumerate(site.cylinders[first : first + filter_.n]):
        read_d = filter_.read_d[i]
        if read_d is None:
            out.append(Level(cylinder.name, at, 0.0, cylinder.full_kg, 0.0, 0.0, None, "no reading: assumed empty"))
            continue
        left, sd = filter_.level(i)
        out.append(
            Level(
                cylinder=cylinder.name,
                time=at,
                left_kg=left,
                sd_kg=sd,
                burn_kg_s=burn * float(share[i]) / DAY_S,
                burn_sd_kg_s=burn_sd * float(share[i]) / DAY_S,
                reading_time=_when(read_d),
                basis=_basis(filter_.read_by[i], read_d, told[i], at),
            )
        )
    return out


_TOLD = {
    Quantity.GROSS_WEIGHT: "weighed",
    Quantity.PROPANE_LEFT: "propane left told",
    Quantity.SHARE_OF_FULL: "share of full told",
    Quantity.GAUGE_PERCENT: "gauge read",
    Quantity.LIQUID_HEIGHT: "liquid height measured",
    Quantity.HEIGHT_FROM_TOP: "liquid height measured from the top",
    Quantity.ECHO_TIME: "liquid height measured by echo",
    Quantity.LIQUID_VOLUME: "liquid volume told",
}


def ago(seconds: float) -> str:
    """A time span in a few words: "12 min", "5 h", "3 days"."""
    if seconds < 5400.0:
        return f"{max(seconds, 0.0) / 60.0:.0f} min"
    if seconds < 172_800.0:
        return f"{seconds / 3600.0:.0f} h"
    return f"{seconds / DAY_S:.0f} days"


def _basis(key: str, read_d: float, sensors: Sequence[SensorState], at: datetime) -> str:
    """In words where the level comes from: what read it last, when, and which sensors the cylinder has."""
    told = _TOLD.get(Quantity(key.rsplit("|", 1)[1]), "read")
    age_s = (at - _when(read_d)).total_seconds()
    words = f"{told} {ago(age_s)} ago"
    others = sum(1 for s in sensors if s.count > 0)
    if others > 1:
        words += f", {others} sources taken together"
    if age_s > 7200.0:
        words += ", use since then estimated"
    if any(s.pending for s in sensors):
        words += "; a newer reading does not fit and waits for a second one"
    return words


def with_valves(site: Site, readings: Sequence[Reading], at: datetime) -> Site:
    """The site with each valve as its newest valve reading up to `at` says, else as the site file says."""
    newest: dict[str, Reading] = {}
    for reading in readings:
        if reading.quantity is Quantity.VALVE and reading.value is not None and reading.time <= at:
            kept = newest.get(reading.subject)
            if kept is None or reading.time >= kept.time:
                newest[reading.subject] = reading
    cylinders = tuple(
        replace(c, valve_open=bool((newest[c.name].value or 0.0) >= 0.5)) if c.name in newest else c
        for c in site.cylinders
    )
    return replace(site, cylinders=cylinders)
