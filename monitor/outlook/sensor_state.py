"""What the level filter remembers of one sensor: its noise as seen, its spikes, how long it has repeated itself."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

PRIOR_SPIKES = 0.5  # a sensor nobody knows yet: one spike in 250 readings
PRIOR_READINGS = 125.0
PRIOR_PAIRS = 12.0  # weight of the noise that was stated, in pairs of readings
FORGET_PAIRS = 400.0


@dataclass(frozen=True, slots=True)
class Observation:
    """One reading as propane left. `time_d` in days since 1970 (UTC); noise is white, one sd; `bias_sd_kg` what does
    not average out; `warm_k` the liquid's temperature above 283.15 K, None where no temperature is known.
    """

    time_d: float
    cylinder: int
    sensor: str
    kg: float
    sd_kg: float
    bias_sd_kg: float
    warm_k: float | None = None
    warm_sd_kg_k: float = 0.0
    manual: bool = False
    raw: float = 0.0
    echo: bool = False  # told by an echo: its spikes may be second echoes, and so repeat themselves
    aged: bool = True  # False: the time is not known, the value says a level but no rate


@dataclass(slots=True)
class SensorState:
    """Running figures of one sensor (mutable, owned by one filter)."""

    name: str
    cylinder: int
    index: int  # of its bias in the state vector
    stated_var: float
    bias_sd_kg: float
    manual: bool
    pairs: float = PRIOR_PAIRS
    seen_var: float = 0.0  # white noise variance per reading
    spikes: float = PRIOR_SPIKES
    readings: float = PRIOR_READINGS
    count: int = 0
    last: Observation | None = None
    usual_raw: float = 0.0  # what it has told of late, in its own unit
    same: int = 0  # readings since the value last changed
    same_since_d: float = 0.0
    changes: float = 1.0  # of the value from reading to reading, decayed
    repeats: float = 1.0
    quantum_kg: float = math.inf  # least change seen
    pending: list[Observation] = field(default_factory=list)
    accepted_d: float | None = None
    first_d: float | None = None
    rejected_since_d: float | None = None
    step_d: float = 0.0  # usual time between readings
    missed: float = 0.0  # share of expected readings that did not come, decayed
    noise_first_var: float = 0.0
    lately_var: float = 0.0
    lately_spiked: float = 0.0
    usually_changed_before: float = 1.0  # share of readings that changed, before the present run of the same value
    last_day: float = 0.0
    slow_kg: float = 0.0  # what it tells, smoothed over a day
    low_kg: float = math.inf  # the least of that since the last new charge

    def __post_init__(self) -> None:
        self.seen_var = self.stated_var
        self.noise_first_var = self.stated_var
        self.lately_var = self.stated_var

    @property
    def spike_share(self) -> float:
        """Estimated share of this sensor's readings that are spikes."""
        return self.spikes / self.readings

    @property
    def noise_var(self) -> float:
        """White-noise variance to use (kg2): what was seen, not below a step's own error."""
        step = 0.0 if math.isinf(self.quantum_kg) else self.quantum_kg**2 / 12.0
        return max(self.seen_var, step, 1e-6)

    def note(self, observation: Observation, burn_var: float, burn_kg: float) -> None:
        """Take in one observation that is not a spike; `burn_kg`, `burn_var`: use expected since the last one."""
        last = self.last
        if last is not None:
            change = observation.kg - last.kg
            self._note_repeat(observation, last)
            part = max((change + burn_kg) ** 2 - burn_var, 0.0) / 2.0
            self.lately_var += (min(part, 100.0 * self.noise_first_var) - self.lately_var) / 40.0
            part = min(part, 9.0 * max(self.seen_var, 1e-6))
            self.pairs = min(self.pairs + 1.0, FORGET_PAIRS)
            self.seen_var += (part - self.seen_var) / self.pairs
            self._note_gap(observation.time_d - last.time_d)
            if self.count == 60:
                self.noise_first_var = self.seen_var
        else:
            self.first_d = self.same_since_d = observation.time_d
        fresh = self.last is None or self.usual_raw == 0.0
        self.usual_raw += (observation.raw - self.usual_raw) * (1.0 if fresh else 0.2)
        self._note_slow(observation)
        self.lately_spiked *= 0.98
        self.last = observation
        self.last_day = observation.time_d
        self.count += 1
        self.readings = min(self.readings + 1.0, 4000.0)
        self.accepted_d = observation.time_d
        self.rejected_since_d = None

    def _note_slow(self, observation: Observation) -> None:
        if math.isinf(self.low_kg):
            self.slow_kg = self.low_kg = observation.kg
            return
        if self.last is None:
            return
        keep = math.exp(-max(observation.time_d - self.last.time_d, 0.0))
        self.slow_kg = keep * self.slow_kg + (1.0 - keep) * observation.kg
        self.low_kg = min(self.low_kg, self.slow_kg)

    def renewed(self) -> None:
        """A new charge: what was read before says nothing about changes from now on."""
        self.last = None
        self.same = 0
        self.low_kg = math.inf

    @property
    def rise(self) -> tuple[float, float]:
        """By how much it crept up since the last new charge (kg), and how much of that is its usual wander (sd)."""
        if math.isinf(self.low_kg):
            return 0.0, 1.0
        return self.slow_kg - self.low_kg, math.sqrt(self.noise_var / 6.0 + (0.5 * self.bias_sd_kg) ** 2)

    def _note_repeat(self, observation: Observation, last: Observation) -> None:
        if observation.raw == last.raw:
            if self.same == 0:
                self.usually_changed_before = self.usually_changes
            self.same += 1
            self.repeats = 0.98 * self.repeats + 1.0
            self.changes *= 0.98
            return
        self.same = 0
        self.same_since_d = observation.time_d
        self.changes = 0.98 * self.changes + 1.0
        self.repeats *= 0.98
        self.quantum_kg = min(self.quantum_kg, abs(observation.kg - last.kg))

    def _note_gap(self, gap_d: float) -> None:
        if gap_d <= 0.0:
            return
        if self.step_d == 0.0:
            self.step_d = gap_d
        usual = self.step_d
        self.step_d += (min(gap_d, 2.0 * usual) - usual) * 0.02
        lost = max(0.0, gap_d / usual - 1.2)
        weight = min(1.0, (lost + 1.0) * 0.02)
        self.missed += (lost / (lost + 1.0) - self.missed) * weight

    def second_echo(self, seen: Observation) -> bool:
        """Whether `seen` is what a second echo from the same surface would give."""
        if not seen.echo or self.usual_raw <= 0.0:
            return False
        ratio = seen.raw / self.usual_raw
        return any(abs(ratio / times - 1.0) < 0.08 for times in (2.0, 0.5))

    def spiked(self) -> None:
        """Count one reading that turned out to be a spike."""
        self.spikes += 1.0
        self.lately_spiked = 0.98 * self.lately_spiked + 0.02
        self.readings += 1.0

    @property
    def usually_changes(self) -> float:
        """Share of readings that differ from the one before."""
        return self.changes / (self.changes + self.repeats)
