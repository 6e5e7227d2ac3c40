"""The refill plan: rules by hand, and invented winters beside "refill at 20 %"."""

from __future__ import annotations

import importlib
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from statistics import NormalDist

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.model.outlook import HourOutlook
from monitor.model.reading import Level
from monitor.model.site import BASES, Site
from monitor.outlook import fuel, trip_odds, use
from monitor.outlook.draw import Feed
from monitor.outlook.plan import Plan, Rules, heights_m, plan
from monitor.physics import Air, Plant, hold_constant
from tests.outlook.test_level import site as two_cylinders
from tests.reference.simulated_households import daily_use

Series = NDArray[np.float64]
planning = importlib.import_module("monitor.outlook.plan")
AT = datetime(2026, 1, 10, 6, tzinfo=UTC)  # a Saturday
DAY = timedelta(days=1)


def learnt(rate: float = 0.4) -> use.Use:
    return use.Use(rate, np.zeros(7), 0.0, 0.0, 0.0, (0.3 * rate) ** 2, (0.1 * rate) ** 2, 100, None, "learnt")


def levels(*left: float, sd: float = 0.1) -> tuple[Level, ...]:
    return tuple(Level(n, AT, kg, sd, 0.0, 0.0, AT, "weighed") for n, kg in zip("ABCD", left, strict=False))


def hour(at: datetime, air_k: float, odds: float) -> HourOutlook:
    none = dict.fromkeys(BASES, None)
    return HourOutlook(at, air_k, air_k, none, None, None, None, none, None, True, odds >= 0.5, odds)


def mild(days: int = 10, air_k: float = 278.0) -> list[HourOutlook]:
    return [hour(AT + k * DAY, air_k, 0.0) for k in range(days)]


def test_nothing_to_do_while_there_is_plenty() -> None:
    made = plan(two_cylinders(2), levels(18, 18), mild(), learnt(), AT)
    assert made.when is None
    assert "no trip is needed" in made.reasons[0]


def test_the_trip_is_as_late_as_the_risk_lets_and_no_later() -> None:
    made = plan(two_cylinders(2), levels(6, 5), mild(), learnt(), AT)
    assert made.when is not None
    assert made.latest is not None
    assert made.when.date() <= made.latest
    assert any("stays behind" in r for r in made.reasons) or made.when.date() == made.latest
    assert made.risk_before is not None
    assert made.risk_before <= 0.05
    following = [odds for day, odds in made.days if day > made.latest]
    assert following[0] > 0.05
    # 11 kg less 10 % of 36.3 kg reserve at 0.4 kg a day: 18 days and a half at most
    assert 10 <= (made.latest - AT.date()).days <= 18
    assert (made.when - AT).days >= 5


def test_one_stays_behind_while_the_other_is_away() -> None:
    made = plan(two_cylinders(2), levels(4, 9), mild(), learnt(), AT)
    assert [t.cylinder for t in made.take] == ["A"]
    assert made.stays_covered is True
    take = made.take[0]
    assert take.returns_kg == pytest.approx(13.0 + 18.14)
    assert take.goes_kg + take.adds_kg == pytest.approx(take.returns_kg)
    assert made.gives_way == ()
    assert "upright" in made.caution


def test_a_lone_cylinder_leaves_a_gap_and_the_plan_says_so() -> None:
    made = plan(two_cylinders(1), levels(4), mild(), learnt(), AT)
    assert [t.cylinder for t in made.take] == ["A"]
    assert made.stays_covered is False
    assert any("between meals" in g for g in made.gives_way)


def test_only_possible_days_and_hours() -> None:
    rules = Rules(weekdays=(1, 3), first_hour=9, last_hour=17, closed=frozenset({date(2026, 1, 20)}))
    made = plan(two_cylinders(2), levels(6, 5), mild(), learnt(), AT, rules=rules)
    assert made.when is not None
    assert made.when.weekday() in {1, 3}
    assert made.when.hour == 9
    assert {d.weekday() for d, _ in made.days} == {1, 3}
    assert date(2026, 1, 20) not in {d for d, _ in made.days}


def test_no_good_day_says_which_rule_gives_way() -> None:
    made = plan(
        two_cylinders(2), levels(2, 2), mild(), learnt(0.6), AT, rules=Rules(weekdays=(5,), first_hour=0, last_hour=3)
    )
    assert made.when is not None
    assert any(g.startswith("risk") for g in made.gives_way)
    none = plan(two_cylinders(2), levels(2, 2), mild(), learnt(), AT, rules=Rules(weekdays=()))
    assert none.when is None
    assert "no day" in none.reasons[0]


def test_what_cannot_be_lifted_or_stand_in_the_vehicle_stays() -> None:
    big = two_cylinders(2)
    big = replace(
        big, cylinders=(big.cylinders[0], replace(big.cylinders[1], water_capacity_kg=108, full_kg=45, tare_kg=31))
    )
    made = plan(big, levels(6, 3), mild(), learnt(), AT, rules=Rules(lift_kg=40))
    assert [t.cylinder for t in made.take] == ["A"]
    assert any("B weighs 167.6 lb" in r for r in made.reasons)
    low = plan(big, levels(6, 3), mild(), learnt(), AT, rules=Rules(height_m=heights_m(big)["A"] + 0.01))
    assert [t.cylinder for t in low.take] == ["A"]
    none = plan(big, levels(3, 3), mild(), learnt(), AT, rules=Rules(lift_kg=10))
    assert any(g.startswith("limits") for g in none.gives_way)


def test_all_may_go_between_meals_where_the_household_says_so() -> None:
    made = plan(two_cylinders(2), levels(6, 5), mild(), learnt(), AT, rules=Rules(all_away=True))
    assert {t.cylinder for t in made.take} == {"A", "B"}
    assert made.when is not None
    assert made.when.date() == made.latest
    assert any("between meals" in r for r in made.reasons)


def test_at_once_limits_the_load() -> None:
    four = two_cylinders(4)
    made = plan(four, levels(2, 2, 2, 3), mild(), learnt(), AT, rules=Rules(at_once=2))
    assert len(made.take) == 2


def test_a_cold_night_ahead_brings_the_trip_forward_and_asks_for_charge() -> None:
    hours = mild(10)
    hours[5] = hour(AT + 5 * DAY, 258.0, 0.9)
    made = plan(two_cylinders(2), levels(7, 7), hours, learnt(), AT)
    assert made.when is not None
    assert (made.when - AT).days <= 5
    assert made.needed_share is not None
    assert made.share_after is not None
    assert made.share_after > 14 / 36.3
    warm = plan(two_cylinders(2), levels(7, 7), mild(), learnt(), AT)
    assert warm.when is None or warm.when > made.when


def test_cold_that_no_charge_covers_is_told_and_brings_no_trip_forward() -> None:
    hours = mild(10)
    hours[5] = hour(AT + 5 * DAY, 235.0, 1.0)
    made = plan(two_cylinders(2), levels(7, 7), hours, learnt(), AT)
    assert made.needed_share is None
    assert made.when is None or any("no charge covers it" in g for g in made.gives_way)


def test_unknown_levels_are_no_plan() -> None:
    unknown = (Level("A", AT, 0.0, 1.0, 0.0, 0.0, None, "no reading"),)
    made = plan(two_cylinders(1), unknown, mild(), learnt(), AT)
    assert made.when is None
    assert "weigh" in made.reasons[0]
    with pytest.raises(ValueError, match="offset"):
        plan(two_cylinders(1), unknown, mild(), learnt(), datetime(2026, 1, 10))  # noqa: DTZ001


# -- winters --------------------------------------------------------------------------------------------------------

WINTER_D = 151
TRIP_DAYS = (2, 5)
MOST_TRIPS = 8
LEAD_SIGMA = (1.4, 1.6, 1.9, 2.4, 2.8, 3.1, 3.4)  # K, the usual error of a night's minimum by lead day
SCALE = 1.4142135  # Student's t with 4 degrees of freedom has this standard deviation


@dataclass
class Winter:
    """One winter: coldest meal of each day (K), the day's burn (kg), forecast errors by lead day in standard units."""

    cold_k: Series
    used_kg: Series
    errors: Series


def winter(seed: int) -> Winter:
    rng = np.random.default_rng([seed, 5])
    t = np.arange(WINTER_D)
    mean = rng.uniform(-4.0, 5.0)
    season = mean - 5.0 * np.sin(np.pi * t / WINTER_D)
    noise, state = np.empty(WINTER_D), 0.0
    for k in range(WINTER_D):
        state = state * np.exp(-1 / 3.0) + rng.normal(0, 4.0 * np.sqrt(1 - np.exp(-2 / 3.0)))
        noise[k] = state
    burn = daily_use(rng, WINTER_D, season + 273.15, heater=False)
    errors = rng.standard_t(4, (WINTER_D, len(LEAD_SIGMA))) / SCALE
    return Winter(season + noise + 273.15, burn, errors)


@dataclass
class Outcome:
    """`uncovered`: full-burner days that the charge did not cover, though a full one would; `foreseen`: those of them
    that the last outlook before gave odds of a half or more. Counted in the same way for every policy.
    """

    trips: int = 0
    run_outs: int = 0
    uncovered: int = 0
    foreseen: int = 0
    beyond: int = 0  # days that no charge covers

    @property
    def unforeseen(self) -> int:
        return self.run_outs + self.uncovered - self.foreseen

    def add(self, other: Outcome) -> None:
        for name in ("trips", "run_outs", "uncovered", "foreseen", "beyond"):
            setattr(self, name, getattr(self, name) + getattr(other, name))


class Household:
    """A site with two 40-lb cylinders that is played through a winter by some policy."""

    def __init__(self) -> None:
        self.site: Site = two_cylinders(2)
        self.feed = Feed.of(self.site)
        self.plant = Plant.of(self.site)
        limit = fuel.coldest_covered_k(self.site)
        assert limit is not None
        self.limit_k = limit
        grid = np.arange(limit, 300.0, 1.0)
        self.shares = np.array([fuel.least_share(self.site, float(k)) or 1.0 for k in grid])
        self.grid = grid
        self.pair_shares = np.array([0.0, 0.05, 0.1, 0.2, 0.35, 0.6, 1.0])
        self.pair_k = self._pairs()

    def _pairs(self) -> Series:
        """Coldest air covered (K) by each pair of shares of full: two unequal cylinders cover less than their mean."""
        a, b = np.meshgrid(self.pair_shares, self.pair_shares, indexing="ij")
        air = np.arange(self.limit_k - 0.5, 299.0, 1.0)
        shape = (*a.shape, air.size)
        charge = np.broadcast_to((np.stack((a, b), axis=-1) * self.feed.full_kg)[:, :, None, :], (*shape, 2))
        held = fuel.holds(self.site, self.plant, charge, Air(np.broadcast_to(air, shape), 0.0, 1.0))
        return np.asarray(air[-1] + 0.5 - held.sum(axis=-1), dtype=np.float64)

    def coldest_for_pair(self, left: Series) -> float:
        """Coldest air (K) that the two charges (kg) cover, between the pairs of the table."""
        share = np.clip(left / self.feed.full_kg, 0.0, 1.0)
        rows = [float(np.interp(share[1], self.pair_shares, row)) for row in self.pair_k]
        return float(np.interp(share[0], self.pair_shares, rows))

    def least(self, air_k: float) -> float:
        return float(np.interp(air_k, self.grid, self.shares))

    def coldest_for(self, share: float) -> float:
        """Coldest air that this share of full covers."""
        return float(np.interp(-share, -self.shares, self.grid))

    def outlook(self, w: Winter, day: int, left: Series, rate: float) -> list[HourOutlook]:
        hours = []
        for lead, sigma in enumerate(LEAD_SIGMA):
            if day + lead >= WINTER_D:
                break
            said = w.cold_k[day + lead] + w.errors[day, lead] * sigma
            odds = NormalDist(said, 1.15 * sigma).cdf(self.coldest_for_pair(left - 0.5 * rate * lead))
            hours.append(hour(AT + (day + lead) * DAY, said, odds))
        return hours

    def play(self, w: Winter, seed: int, policy: str) -> Outcome:
        rng = np.random.default_rng([seed, 6])
        full = self.feed.full_kg
        left = full * 1.0
        out = Outcome()
        charges = np.empty((WINTER_D, 2))
        said = np.zeros(WINTER_D, dtype=bool)
        rules = Rules(weekdays=TRIP_DAYS, all_away="all away" in policy, risk=0.10 if "10 %" in policy else 0.05)
        rate = float(w.used_kg[:30].mean())
        for d in range(WINTER_D):
            charges[d] = left
            at = AT + d * DAY
            rate += (float(w.used_kg[max(0, d - 14) : d].mean()) - rate) * 0.1 if d > 14 else 0.0
            hours = self.outlook(w, d, left, rate)
            if policy.startswith("plan"):
                made = self._asked(hours, left + rng.normal(0, 0.1, 2), rate, rules, at)
                going = made.when is not None and made.when - at < DAY
                taken = [t.cylinder for t in made.take] if going else []
            else:
                going = bool(left.sum() <= float(policy) * full.sum()) and at.weekday() in rules.weekdays
                taken = ["A", "B"] if going else []
            left = self.feed.spend(left, np.array(w.used_kg[d]))
            if taken:
                out.trips += 1
                for i, name in enumerate("AB"):
                    left[i] = full[i] if name in taken else left[i]
            elif left.sum() <= 0.0:
                out.run_outs += 1
                left = full * 1.0
                out.trips += 1
            if not taken and len(hours) > 1:
                said[d + 1] = (hours[1].probability_uncovered or 0.0) >= 0.5
        held = hold_constant(self.plant, charges, Air(w.cold_k, 0.0, 1.0), self.site.demand_w).hold_s
        beyond = w.cold_k < self.limit_k
        short = (np.asarray(held) < 3600.0) & ~beyond
        out.beyond, out.uncovered, out.foreseen = int(beyond.sum()), int(short.sum()), int((short & said).sum())
        return out

    def _asked(self, hours: list[HourOutlook], left: Series, rate: float, rules: Rules, at: datetime) -> Plan:
        left = np.maximum(left, 0.0)
        now = tuple(Level(n, at, float(kg), 0.1, 0.0, 0.0, at, "weighed") for n, kg in zip("AB", left, strict=True))
        return plan(self.site, now, hours, learnt(rate), at, rules=rules)

    def clairvoyant(self, w: Winter) -> Series:
        """Fewest run-outs and uncovered days for each number of trips, if weather and burn were known beforehand.

        Both cylinders are filled on each trip: more can never harm. Exact, by the day of the last filling.
        """
        full = float(self.feed.full_kg.sum())
        burnt = np.concatenate(([0.0], np.cumsum(w.used_kg)))
        need = np.array([self.least(float(k)) for k in w.cold_k]) * full
        need[w.cold_k < self.limit_k] = 0.0
        fills = [-1, *(d for d in range(WINTER_D) if (AT + d * DAY).weekday() in TRIP_DAYS)]
        bad = np.empty((len(fills), WINTER_D))  # troubles from the morning after a filling up to and with a day
        for i, f in enumerate(fills):
            left = full - (burnt[:-1] - burnt[f + 1])
            dry = full - (burnt[1:] - burnt[f + 1]) <= 0.0
            bad[i] = np.cumsum(np.where(np.arange(WINTER_D) > f, (left < need) | dry, 0))
        best = np.full(len(fills), np.inf)
        best[0] = 0.0
        fewest = []
        for _ in range(MOST_TRIPS + 1):
            fewest.append(float((best + bad[:, -1]).min()))
            nxt = np.full(len(fills), np.inf)
            for j in range(1, len(fills)):
                nxt[j] = (best[:j] + bad[:j, fills[j]]).min()
            best = nxt
        return np.minimum.accumulate(np.array(fewest))


def fewest_trips(curves: list[Series], troubles: int) -> int:
    """Fewest trips over all winters with at most `troubles` beyond those that no number of trips avoids."""
    spent = np.zeros(troubles + 1)  # fewest trips by troubles spent
    for curve in curves:
        extra = curve - curve[-1]
        cost = [int(np.argmax(extra <= t)) for t in range(troubles + 1)]
        spent = np.array([min(spent[t - u] + cost[u] for u in range(t + 1)) for t in range(troubles + 1)])
    return int(spent[-1])


POLICIES = ("0.20", "0.40", "0.60", "plan", "plan, all away", "plan, all away, 10 %")


def _winters(first: int, count: int) -> tuple[dict[str, Outcome], Household, list[Series]]:
    home = Household()
    total = {policy: Outcome() for policy in POLICIES}
    curves = []
    with pytest.MonkeyPatch.context() as patch:  # the same figures from a table: the site does not change
        patch.setattr(trip_odds, "coldest_covered_k", lambda _: home.limit_k)
        patch.setattr(planning, "least_share", lambda _, k: home.least(k) if k >= home.limit_k else None)
        for seed in range(first, first + count):
            w = winter(seed)
            curves.append(home.clairvoyant(w))
            for policy, outcome in total.items():
                outcome.add(home.play(w, seed, policy))
    for policy, outcome in total.items():
        print(f"{count} winters, {policy}: unforeseen {outcome.unforeseen}, {outcome}")
    print("clairvoyant: fewest trips by troubles allowed", {t: fewest_trips(curves, t) for t in (0, count // 20)})
    return total, home, curves


@pytest.mark.timeout(600)
def test_winters_by_the_plan() -> None:
    total, _, curves = _winters(100, 3)
    assert total["plan"].unforeseen == 0
    assert total["plan, all away"].unforeseen == 0
    assert total["plan, all away"].trips <= total["plan"].trips
    assert total["plan, all away"].trips >= fewest_trips(curves, 3 * WINTER_D) >= 0


def test_the_clairvoyant_counts_a_winter_by_hand() -> None:
    home = Household()
    mild_winter = Winter(np.full(WINTER_D, 285.0), np.full(WINTER_D, 0.3), np.zeros((WINTER_D, 7)))
    curve = home.clairvoyant(mild_winter)  # 45.3 kg of 36.28: one refill is needed and enough
    assert curve[0] > 0
    assert curve[1] == 0
    assert fewest_trips([curve], 0) == 1
    assert fewest_trips([curve, curve], int(curve[0])) == 1
    cold_end = replace(mild_winter, cold_k=np.where(np.arange(WINTER_D) == 140, home.coldest_for(0.7), 285.0))
    assert home.clairvoyant(cold_end)[1] == 0  # filled before it runs dry on day 121: 80 % is left on day 140
    two_ends = cold_end.cold_k.copy()
    two_ends[60] = home.coldest_for(0.7)  # by then 50 % is left, and a filling before it leaves 33 % on day 140
    assert home.clairvoyant(replace(cold_end, cold_k=two_ends))[1] == 1
    assert home.clairvoyant(replace(cold_end, cold_k=two_ends))[2] == 0


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_a_hundred_winters_by_the_plan() -> None:
    """The seeds are not those that the policy was tuned on (400 to 415).

    Measured, trips / unforeseen / foreseen: refill at 20 % 110 / 27 / 230, at 40 % 160 / 13 / 28, at 60 % 259 / 4 / 10;
    plan with odds of 5 % (the default) 355 / 0 / 2 with one cylinder at home, 282 / 1 / 0 with all away; with odds of
    10 % and all away 207 / 2 / 1; who knows all beforehand 125 / 0 / 0, or 120 trips with five troubles.
    """
    total, _, curves = _winters(1000, 100)
    rule, bolder = total["0.20"], total["plan, all away, 10 %"]
    for made in (total["plan"], total["plan, all away"], bolder):
        assert made.unforeseen <= 5
        assert made.run_outs + made.uncovered < 0.1 * (rule.run_outs + rule.uncovered)
    # The rule's few trips are bought with cold nights: who knew all beforehand would not get by with as few.
    assert fewest_trips(curves, 5) >= rule.trips
    assert bolder.trips <= 1.8 * fewest_trips(curves, 5)  # 1.73 measured
    assert bolder.trips < total["0.60"].trips


def by_hour(day_air_k: float, night_air_k: float, days: int = 7) -> list[HourOutlook]:
    """Hours from midnight on: cold up to noon, milder after it."""
    start = datetime(2026, 1, 10, tzinfo=UTC)
    airs = ((k, day_air_k if 12 <= k % 24 < 20 else night_air_k) for k in range(24 * days))
    return [hour(start + timedelta(hours=k), air, 0.0) for k, air in airs]


def test_nothing_is_taken_away_in_cold_that_what_stays_does_not_carry() -> None:
    site = two_cylinders(2)
    left, levels_kg = np.array([[0.0, 6.0]]), levels(5.5, 6.0)
    carried = [bool(fuel.holds(site, Plant.of(site), left, Air(np.array([k]), 0.0, 1.0))[0]) for k in (258.0, 280.0)]
    assert carried == [False, True]  # the cold of the morning, the air after noon
    rules = Rules(first_hour=8, last_hour=18)
    made = plan(site, levels_kg, by_hour(280.0, 258.0), learnt(1.5), AT, rules=rules, cold_k=265.0)
    assert made.when is not None
    assert made.when.hour >= 12  # the mean of the days, and the first hour, would have let it go in the morning
    assert made.stays_covered is True
    assert any("warmer later" in r for r in made.reasons)


def test_no_trip_with_full_cylinders_and_what_no_refill_mends_is_said() -> None:
    cold = by_hour(235.0, 235.0)
    made = plan(two_cylinders(2), levels(18, 18), cold, learnt(0.1), AT)
    assert made.when is None
    assert "that a refill would mend" in made.reasons[0]
    assert any("no charge covers it" in g for g in made.gives_way)
    hours = [replace(h, probability_uncovered=1.0) for h in by_hour(262.0, 262.0)]
    one = plan(two_cylinders(1), levels(17.9), hours, learnt(0.1), AT)
    assert one.take == ()
    assert one.when is None


def test_a_closed_cylinder_with_gas_is_opened_before_a_trip() -> None:
    both = two_cylinders(2)
    shut = replace(both, cylinders=(both.cylinders[0], replace(both.cylinders[1], valve_open=False)))
    made = plan(shut, levels(3, 18), mild(), learnt(), AT)
    assert [t.cylinder for t in made.take] == ["A"]
    assert made.reasons[0].startswith("B is closed and holds ")
    none = replace(both, cylinders=tuple(replace(c, valve_open=False) for c in both.cylinders))
    assert "every valve is marked closed" in plan(none, levels(3, 18), mild(), learnt(), AT).reasons[0]


def test_nothing_closed_is_opened_for_a_plan_while_a_leak_is_not_known_to_be_mended() -> None:
    both = two_cylinders(2)
    shut = replace(both, cylinders=(both.cylinders[0], replace(both.cylinders[1], valve_open=False)))
    made = plan(shut, levels(3, 18), mild(), learnt(), AT, leak=True)
    assert [t.cylinder for t in made.take] == ["A"]
    assert not any("open it" in r for r in made.reasons)
    none = replace(both, cylinders=tuple(replace(c, valve_open=False) for c in both.cylinders))
    (said,) = plan(none, levels(3, 18), mild(), learnt(), AT, leak=True).reasons
    assert "leave them closed" in said


def test_a_cylinder_past_its_date_may_not_be_filled() -> None:
    both = two_cylinders(2)
    old = replace(both, cylinders=(replace(both.cylinders[0], marks={"manufactured": "2012-03"}), both.cylinders[1]))
    made = plan(old, levels(4, 9), mild(), learnt(), AT)
    assert [t.cylinder for t in made.take] == ["A"]
    assert any("A: it may not be filled from Mar 2024 on" in g for g in made.gives_way)
