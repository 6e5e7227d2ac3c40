"""The level filter of a site: what each cylinder holds and how fast the household burns, with variances.

A Kalman filter (R. E. Kalman, J. Basic Eng. 82 (1960) 35) whose state is the propane left in each cylinder, the burn
of the whole supply, and for each sensor an offset and, where a temperature is known, a drift with it. Cylinders that
feed together share the burn by their wetted wall (`draw`), so one that is never read still falls with the others.
A reading far from what was expected is kept aside: it is a spike or a new charge (refill, swap), and the odds of the
two decide, by Bayes' rule, as soon as they are clear: for automatic sensors not before a second reading agrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from monitor.outlook.draw import Feed, Series
from monitor.outlook.sensor_state import Observation, SensorState

GATE = 4.0  # standard deviations beyond which a reading is not simply believed
HAND_GATE = 3.0
SOFT = 2.5  # beyond which it counts less
REFILL_PER_DAY = 1.0 / 40.0
DROP_PER_DAY = 1.0 / 400.0  # swapped for a fuller one's opposite, or moved
ODDS_AUTOMATIC = 60.0
SECOND_ECHO = 0.02  # how much less a reading at twice the height speaks of a new charge
LEAST_REFILL = 0.12  # of full
NIGHT = 0.1  # how much less likely anybody fills a cylinder at an hour when nothing may burn
NEW_READINGS = 10  # until a sensor's noise is known it is given the benefit of the doubt
ODDS_MANUAL = 3.0
BURST = 0.8  # day-to-day spread of the burn over its mean
BURN_WANDER = 0.10  # of its mean, in a day
LEAST_BURN_KG_D = 0.03
UNEVEN = 0.25  # spread of a cylinder's part of the burn, over a day
OFFSET_WANDER = 0.15  # of its own spread, in 30 days
SWAP_TARE_KG = 0.15
FINER, FINER_DAYS = 0.5, 14.0


@dataclass(frozen=True, slots=True)
class Event:
    """A change of charge that is not use. `time_d`: of the first reading after it; `noticed_d`: when it was sure."""

    cylinder: int
    time_d: float
    noticed_d: float
    kind: Literal["refill", "drop"]
    before_kg: float
    after_kg: float
    sensor: str


@dataclass(frozen=True)
class Guess:
    """What is known of a household before any reading: burn (kg/day) with its spread, the most that the appliances
    can burn (kg/day), and how the day's burn falls on the 24 hours of the UTC day (any scale).
    """

    burn_kg_d: float
    burn_sd_kg_d: float
    most_kg_d: float
    by_hour: Series


class Tracker:
    """The filter. Feed it observations in the order of their time; ask it at any later time. Not thread-safe."""

    def __init__(self, feed: Feed, guess: Guess) -> None:
        """Start with nothing known but a first guess of the supply's burn."""
        self.feed = feed
        burn_kg_d, burn_sd_kg_d = guess.burn_kg_d, guess.burn_sd_kg_d
        self.most_kg_d = guess.most_kg_d
        self._hours = np.concatenate([[0.0], np.cumsum(guess.by_hour)]) / np.sum(guess.by_hour)
        self.n = len(feed.names)
        self.x = np.zeros(self.n + 2)  # levels, burn, used since the start, then two for each sensor
        self.p = np.zeros((self.n + 2, self.n + 2))
        self.x[: self.n] = 0.5 * feed.full_kg
        self.p[np.arange(self.n), np.arange(self.n)] = (0.6 * feed.full_kg) ** 2
        self.x[self.n] = burn_kg_d
        self.p[self.n, self.n] = burn_sd_kg_d**2
        self.time_d: float | None = None
        self.slow_burn_kg_d = burn_kg_d
        self.sensors: dict[str, SensorState] = {}
        self.events: list[Event] = []
        self.read_d: list[float | None] = [None] * self.n
        self.read_by: list[str] = [""] * self.n
        self._since_shares = math.inf
        self._shares = np.zeros(self.n)

    def banks(self) -> list[tuple[int, Tracker]]:
        """Return the filters that this one is made of, each with its first cylinder's number: itself alone."""
        return [(0, self)]

    # -- time -----------------------------------------------------------------------------------------------------

    def _share(self, dt_d: float) -> Series:
        self._since_shares += dt_d
        if self._since_shares > 0.25:
            known = np.array([d is not None for d in self.read_d])
            charge = np.where(known, np.clip(self.x[: self.n], 0.0, None), 0.5 * self.feed.full_kg)
            self._shares = self.feed.shares(charge)
            self._since_shares = 0.0
        return self._shares

    def _moves(self) -> Series:
        """What a kilogram burnt does to levels, burn and the sum used."""
        out = np.zeros(self.n + 2)
        out[: self.n] = -self._shares
        out[self.n + 1] = self._shares.sum()
        return out

    def _burning_d(self, start_d: float, end_d: float) -> float:
        """Days' worth of burn between two times: the hours of the day do not burn alike."""
        return self._burnt(end_d) - self._burnt(start_d)

    def _burnt(self, time_d: float) -> float:
        day = math.floor(time_d)
        hour = (time_d - day) * 24.0
        k = min(int(hour), 23)
        return float(day + self._hours[k] + (hour - k) * (self._hours[k + 1] - self._hours[k]))

    def _asleep(self, time_d: float) -> bool:
        """Whether nothing may burn at this hour of the day."""
        k = min(int((time_d - math.floor(time_d)) * 24.0), 23)
        return bool(self._hours[k + 1] - self._hours[k] < 1e-9)

    def advance(self, time_d: float) -> None:
        """Predict to `time_d` (days since 1970); a time before the present one is ignored."""
        if self.time_d is None:
            self.time_d = time_d
            return
        dt = time_d - self.time_d
        if dt <= 0.0:
            return
        burning = self._burning_d(self.time_d, time_d)
        self.time_d = time_d
        n = self.n
        share = self._share(dt)
        move = self._moves() * burning
        burn = max(self.x[n], LEAST_BURN_KG_D)
        self.x[: n + 2] += move * max(self.x[n], 0.0)
        self.p[: n + 2, :] += np.outer(move, self.p[n].copy())
        self.p[:, : n + 2] += np.outer(self.p[:, n].copy(), move)
        levels = np.arange(n)
        burst = (BURST * burn) ** 2 / max(burning, 1e-9) if burning > 0.0 else 0.0
        self.p[: n + 2, : n + 2] += burst * np.outer(move, move)
        self.p[levels, levels] += (UNEVEN * burn * share) ** 2 * burning + 1e-9 * dt
        self.p[n, n] += (BURN_WANDER * burn) ** 2 * dt
        self.slow_burn_kg_d += (max(self.x[n], 0.0) - self.slow_burn_kg_d) * min(dt / 20.0, 0.5)
        for sensor in self.sensors.values():
            self.p[sensor.index, sensor.index] += (OFFSET_WANDER * sensor.bias_sd_kg) ** 2 * dt / 30.0

    # -- readings -------------------------------------------------------------------------------------------------

    def _sensor(self, seen: Observation) -> SensorState:
        sensor = self.sensors.get(seen.sensor)
        if sensor is None:
            index = len(self.x)
            self.x = np.append(self.x, [0.0, 0.0])
            bigger = np.zeros((index + 2, index + 2))
            bigger[:index, :index] = self.p
            bigger[index, index] = seen.bias_sd_kg**2
            bigger[index + 1, index + 1] = seen.warm_sd_kg_k**2
            self.p = bigger
            sensor = SensorState(seen.sensor, seen.cylinder, index, seen.sd_kg**2, seen.bias_sd_kg, seen.manual)
            self.sensors[seen.sensor] = sensor
        return sensor

    def _look(self, seen: Observation, sensor: SensorState) -> tuple[float, float, Series]:
        """Innovation, its variance without the sensor's noise, and P h."""
        ph = self.p[:, seen.cylinder] + self.p[:, sensor.index]
        value = self.x[seen.cylinder] + self.x[sensor.index]
        if seen.warm_k is not None:
            ph = ph + seen.warm_k * self.p[:, sensor.index + 1]
            value += seen.warm_k * self.x[sensor.index + 1]
        spread = ph[seen.cylinder] + ph[sensor.index]
        if seen.warm_k is not None:
            spread += seen.warm_k * ph[sensor.index + 1]
        return seen.kg - value, float(spread), ph

    def _learn(self, seen: Observation, sensor: SensorState) -> None:
        """The Kalman step; a value seen again and again tells less each time, a surprising one counts less."""
        self._meal(seen, sensor)
        gap, spread, ph = self._look(seen, sensor)
        noise = sensor.noise_var * (1.0 + min(sensor.same, 50)) ** 2
        total = spread + noise
        surprise = abs(gap) / math.sqrt(total)
        if surprise > SOFT:
            total = spread + noise * (surprise / SOFT) ** 2
        gain = ph / total
        if not seen.aged:
            gain[self.n] = 0.0
        self.x += gain * gap
        self.p -= np.outer(gain, ph)
        if not seen.aged:
            self.p = (self.p + self.p.T) / 2.0
        self.read_d[seen.cylinder] = seen.time_d
        self.read_by[seen.cylinder] = seen.sensor

    def _could_burn(self, seen: Observation, sensor: SensorState, fall_kg: float) -> bool:
        """Whether the appliances could have burnt what is missing since the sensor's last reading."""
        if fall_kg <= 0.0 or sensor.accepted_d is None:
            return False
        since = max(seen.time_d - sensor.accepted_d, 0.0)
        return fall_kg <= self.most_kg_d * since * min(1.0, 0.25 + 0.1 / max(since, 0.1))

    def _meal(self, seen: Observation, sensor: SensorState) -> None:
        """A fall that the appliances could burn is a long meal rather than a bad reading: widen the burn for it."""
        gap, spread, _ = self._look(seen, sensor)
        total = spread + sensor.noise_var
        if gap < -SOFT * math.sqrt(total) and self._could_burn(seen, sensor, -gap):
            part = max(float(self._shares[seen.cylinder]), 0.1)
            extra = ((gap / SOFT) ** 2 - total) / part**2
            moves = self._moves()
            self.p[: self.n + 2, : self.n + 2] += extra * np.outer(moves, moves)

    def add(self, seen: Observation) -> Event | None:
        """Take in one observation; return the event that it made sure of, if any."""
        if self.time_d is not None and seen.time_d < self.time_d - 1e-9:
            return None  # older than what is known already: the caller starts again to weigh it in
        self.advance(seen.time_d)
        sensor = self._sensor(seen)
        i = seen.cylinder
        if self.read_d[i] is None:
            self._restart(i, seen, sensor)
            self._accept(seen, sensor)
            return None
        gap, spread, _ = self._look(seen, sensor)
        doubt = 1.0 if sensor.manual else 1.0 + NEW_READINGS / (1.0 + sensor.count) * (sensor.count < NEW_READINGS)
        total = spread + sensor.noise_var * doubt
        if sensor.manual and abs(gap) > HAND_GATE * math.sqrt(total) and self._reopen(seen, gap):
            self._accept(seen, sensor)
            return None
        if sensor.manual and self._rather_new(seen, sensor, gap, total):
            sensor.pending.append(seen)
            return self._renew(sensor, [seen], up=True)
        if abs(gap) <= GATE * math.sqrt(total) or self._could_burn(seen, sensor, -gap):
            for _ in sensor.pending:
                sensor.spiked()
            sensor.pending.clear()
            self._accept(seen, sensor)
            return None
        if sensor.rejected_since_d is None:
            sensor.rejected_since_d = seen.time_d
        sensor.pending.append(seen)
        return self._decide(sensor)

    def _reopen(self, seen: Observation, gap: float) -> bool:
        """A weighing by hand does not fit what a live sensor tells: it is the sensor whose offset has moved."""
        others = [
            s
            for s in self.sensors.values()
            if s.cylinder == seen.cylinder and not s.manual and not s.pending
            if s.accepted_d is not None and seen.time_d - s.accepted_d < 1.0
        ]
        for other in others:
            self.p[other.index, other.index] += gap * gap
            self.p[seen.cylinder, seen.cylinder] += gap * gap
            self.p[seen.cylinder, other.index] -= gap * gap
            self.p[other.index, seen.cylinder] -= gap * gap
        return bool(others)

    def _rather_new(self, seen: Observation, sensor: SensorState, gap: float, total: float) -> bool:
        """Whether a weighing by hand that reads higher than expected speaks of a new charge."""
        full = float(self.feed.full_kg[seen.cylinder])
        if gap < max(0.08 * full, 1.5 * math.sqrt(total)) or seen.kg > 1.12 * full or sensor.accepted_d is None:
            return False
        if self._finer(sensor, seen):
            return False
        waited = min(max(seen.time_d - sensor.accepted_d, 0.01), 60.0)
        usual = math.exp(-0.5 * gap * gap / total) / math.sqrt(2.0 * math.pi * total)
        level = seen.kg - float(self.x[sensor.index])
        return REFILL_PER_DAY * waited * _density(level, full, sensor) > ODDS_MANUAL * max(usual, 1e-30)

    def _finer(self, sensor: SensorState, seen: Observation) -> bool:
        """Whether something much finer told of this cylinder lately: a coarse gauge alone does not overrule it."""
        coarse = math.sqrt(sensor.noise_var) + sensor.bias_sd_kg
        return any(
            math.sqrt(other.noise_var) + other.bias_sd_kg < FINER * coarse
            for other in self.sensors.values()
            if other is not sensor and other.cylinder == seen.cylinder and other.accepted_d is not None
            if seen.time_d - other.accepted_d < FINER_DAYS
        )

    def _accept(self, seen: Observation, sensor: SensorState) -> None:
        last = sensor.last
        dt = 0.0 if last is None else max(self._burning_d(last.time_d, seen.time_d), 0.0)
        use = self._shares[seen.cylinder] * max(self.x[self.n], 0.0) * dt
        sensor.note(seen, (BURST * self._shares[seen.cylinder] * max(self.x[self.n], LEAST_BURN_KG_D)) ** 2 * dt, use)
        self._learn(seen, sensor)

    # -- spikes and new charges -----------------------------------------------------------------------------------

    def _decide(self, sensor: SensorState) -> Event | None:
        """Weigh the readings kept aside: a new charge or spikes. Returns the event where it is sure."""
        alike = self._alike(sensor)
        first, latest = alike[0], alike[-1]
        i = latest.cylinder
        full = self.feed.full_kg[i]
        level = float(np.mean([s.kg for s in alike])) - float(self.x[sensor.index])
        up = level > self.x[i]
        if level > 1.12 * full or level < -0.08 * full or self._contradicted(sensor, first.time_d):
            self._trim(sensor)
            return None
        before = sensor.accepted_d if sensor.accepted_d is not None else first.time_d - 1.0
        waited = max(min(first.time_d - before, 60.0), 1e-4)
        spike = sensor.spike_share / (1.7 * full)
        odds = (REFILL_PER_DAY if up else DROP_PER_DAY) * waited * _density(level, full, sensor) / spike
        close = math.sqrt(2.0 * sensor.noise_var + (0.01 * full) ** 2)
        for seen in alike[:-1]:
            apart = (seen.kg - latest.kg) / close
            odds *= math.exp(-0.5 * apart * apart) / (math.sqrt(2.0 * math.pi) * close) / spike
        if self._asleep(first.time_d):
            odds *= NIGHT
        odds *= SECOND_ECHO ** sum(sensor.second_echo(s) for s in alike)
        sure = sensor.manual and not self._finer(sensor, latest)
        enough = odds > ODDS_MANUAL if sure else (len(alike) >= (2 if up else 3) and odds > ODDS_AUTOMATIC)
        if not enough and len(alike) < 4:
            self._trim(sensor)
            return None
        return self._renew(sensor, alike, up)

    def _alike(self, sensor: SensorState) -> list[Observation]:
        """The readings kept aside that tell the same new level as the latest one."""
        latest = sensor.pending[-1]
        alike = []
        for seen in sensor.pending:
            dt = latest.time_d - seen.time_d
            use = self._shares[seen.cylinder] * max(self.x[self.n], LEAST_BURN_KG_D) * dt
            room = 3.5 * math.sqrt(2.0 * sensor.noise_var + (BURST * use) ** 2 + 1e-6) + use
            if abs(seen.kg - latest.kg) <= room:
                alike.append(seen)
        return alike

    def _contradicted(self, sensor: SensorState, since_d: float) -> bool:
        """Whether another sensor that moves as it should still sees the old charge."""
        for other in self.sensors.values():
            if other is sensor or other.cylinder != sensor.cylinder or other.accepted_d is None:
                continue
            if other.accepted_d >= since_d and other.same < 3 and not other.pending:
                return True
        return False

    @staticmethod
    def _trim(sensor: SensorState) -> None:
        while len(sensor.pending) > 6:
            sensor.pending.pop(0)
            sensor.spiked()

    def _renew(self, sensor: SensorState, alike: list[Observation], up: bool) -> Event | None:
        """Start a new charge of one cylinder from the readings that agree on it."""
        first, latest = alike[0], alike[-1]
        i = latest.cylinder
        before = float(self.x[i])
        for seen in sensor.pending:
            if seen not in alike:
                sensor.spiked()
        sensor.pending.clear()
        by_kg = float(np.mean([s.kg for s in alike])) - float(self.x[sensor.index]) - before
        small = abs(by_kg) < LEAST_REFILL * self.feed.full_kg[i]
        self._restart(i, first, sensor)
        for other in self.sensors.values():
            if other.cylinder == i and not small:
                if "gross_weight" in other.name:  # another cylinder, another tare: instead of the last one, not on top
                    most = other.bias_sd_kg**2 + SWAP_TARE_KG**2
                    room = max(most - float(self.p[other.index, other.index]), 0.0)
                    self.p[other.index, other.index] += min(SWAP_TARE_KG**2, room)
                if other is not sensor:
                    other.pending.clear()
                    other.renewed()
        sensor.last = None
        if not small:
            sensor.renewed()
        for seen in alike:
            self._accept(seen, sensor)
        if not sensor.manual and sensor.count - len(alike) < 3:
            return None  # the first readings ever: what was believed before was no charge but a bad reading
        if small:
            return None  # the readings moved, by less than anybody would carry a cylinder for
        if self._undoes(i, float(self.x[i]), latest.time_d, up):
            return None
        event = Event(
            cylinder=i,
            time_d=first.time_d,
            noticed_d=latest.time_d,
            kind="refill" if up else "drop",
            before_kg=max(before, 0.0),
            after_kg=float(self.x[i]),
            sensor=sensor.name,
        )
        self.events.append(event)
        return event

    def _undoes(self, i: int, level: float, now_d: float, up: bool) -> bool:
        """Whether this is only the way back from a change that was none; if so that one is taken off the list."""
        last = next((e for e in reversed(self.events) if e.cylinder == i), None)
        if last is None or (last.kind == "refill") is up or now_d - last.noticed_d > (2.0 if up else 0.5):
            return False
        if abs(level - last.before_kg) > 0.1 * self.feed.full_kg[i]:
            return False
        self.events.remove(last)
        return True

    def _restart(self, i: int, seen: Observation, sensor: SensorState) -> None:
        """Forget the charge of one cylinder; what follows sets it anew."""
        self.p[i, :] = 0.0
        self.p[:, i] = 0.0
        self.p[i, i] = (2.0 * self.feed.full_kg[i]) ** 2
        self.x[i] = seen.kg - self.x[sensor.index]
        self.read_d[i] = seen.time_d
        self._since_shares = math.inf

    # -- answers --------------------------------------------------------------------------------------------------

    def level(self, i: int) -> tuple[float, float]:
        """Propane left in cylinder `i` now (kg) and its standard deviation."""
        sd = math.sqrt(max(self.p[i, i], 1e-8))
        return float(min(max(self.x[i], 0.0), 1.1 * self.feed.full_kg[i])), sd

    def shares_now(self) -> Series:
        """Each cylinder's part of the burn now; they add to 1 unless nothing is left."""
        self._since_shares = math.inf
        return self._share(0.0)

    def used(self) -> float:
        """Fuel burnt since the filter began (kg), refills not counted."""
        return float(self.x[self.n + 1])

    def offset(self, sensor: SensorState) -> tuple[float, float]:
        """Offset of a sensor (kg) and its standard deviation."""
        k = sensor.index
        return float(self.x[k]), math.sqrt(max(float(self.p[k, k]), 0.0))

    def burn(self) -> tuple[float, float]:
        """Burn of the whole supply (kg/day) and its standard deviation."""
        return max(float(self.x[self.n]), 0.0), math.sqrt(max(self.p[self.n, self.n], 1e-10))


def _density(level: float, full: float, sensor: SensorState) -> float:
    """How likely a new charge is to read `level` (1/kg): near full most often, part-filled sometimes, else hardly."""
    width = math.sqrt((0.05 * full) ** 2 + sensor.noise_var + sensor.bias_sd_kg**2)
    near = math.exp(-0.5 * ((level - 0.98 * full) / width) ** 2) / (math.sqrt(2.0 * math.pi) * width)
    part = 0.25 / (0.5 * full) if 0.5 * full - width < level < full + width else 0.01 / full
    return 0.74 * near + part
