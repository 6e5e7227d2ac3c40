"""Rules about the supply itself: cold shortfall, fuel, run-out, overfilling, gas."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.alerts import when
from monitor.alerts.known import Known, found
from monitor.alerts.say import percent
from monitor.alerts.settings import HOUR, Limits
from monitor.model.alert import Certainty, Condition, Fact, Urgency
from monitor.model.outlook import HourOutlook, Outlook, Stretch
from monitor.model.reading import LEVEL_QUANTITIES, Level, Quantity
from monitor.model.site import Cylinder, Site
from monitor.model.units_out import duration

SITE = "site"
FAR = timedelta(hours=48)
OVERFULL_WEIGHTS = 3  # running: who leans on a scale is gone before
LAST_STEP = 0.05  # nearly empty: about a day's cooking; our choice
LEVELS = frozenset(q.value for q in LEVEL_QUANTITIES)


def urgency_of(start: datetime, now: datetime) -> Urgency:
    """Return CAP's urgency by how soon it begins: an hour, a day, later (our reading of "soon" for a household)."""
    if start <= now + timedelta(hours=1):
        return "Immediate"
    return "Expected" if start <= now + timedelta(hours=24) else "Future"


def certainty_of(probability: float | None) -> Certainty:
    """Return CAP's certainty; without odds the forecast itself speaks: Likely."""
    if probability is None or probability > 0.5:
        return "Likely"
    return "Possible" if probability > 0.05 else "Unlikely"


def _odds(hour: HourOutlook) -> float | None:
    """Return the odds that the hour is uncovered; a forecast without odds is taken at its word."""
    if hour.probability_uncovered is not None:
        return hour.probability_uncovered
    return None if hour.uncovered is None else float(hour.uncovered)


def _runs(hours: Sequence[HourOutlook], soon: float, far: float, far_from: datetime) -> Iterator[list[HourOutlook]]:
    """Runs of hours with at least the odds `soon`, or `far` from `far_from` on: there is time yet for better odds."""
    run: list[HourOutlook] = []
    for hour in hours:
        odds = _odds(hour)
        if hour.may_burn and odds is not None and odds >= (soon if hour.time < far_from else far):
            run.append(hour)
        elif run:
            yield run
            run = []
    if run:
        yield run


def _stretch(outlook: Outlook, run: list[HourOutlook], site: Site) -> Stretch:
    """Return the run as a stretch, with its worst hour: what it needs and why from the outlook's own that overlaps."""
    start, end = run[0].time, run[-1].time + timedelta(hours=1)
    odds = [p for p in (h.probability_uncovered for h in run) if p is not None]
    own = next((s for s in outlook.uncovered if s.start < end and start < s.end), None)
    if own is not None and own.probability is not None:
        odds.append(own.probability)
    asked = [h for h in run if h.needed_hold_s != 0.0] or run  # in the others no hold is asked for
    worst = min(asked, key=lambda h: (h.hold_s if h.hold_s is not None else math.inf, h.headroom_w or 0.0))
    needed = own.needed_hold_s if own is not None else max((a.hold_s for a in site.appliances), default=0.0)
    return Stretch(
        start, end, worst.time, worst.headroom_w or 0.0, worst.hold_s or 0.0,
        math.nan if worst.air_k is None else worst.air_k, needed, max(odds, default=None),
        "hold" if own is None else own.why,
    )  # fmt: skip


def _of_the_cold(hour: HourOutlook, outlook: Outlook) -> bool:
    """Whether the hour is for this rule: not one that is short because the fuel has ended, where run-out tells that."""
    told_elsewhere = outlook.run_out is not None and outlook.run_out.p50 is not None
    return not (hour.hold_ends == "fuel" and told_elsewhere)


def _share(level: Level, cylinder: Cylinder) -> float:
    return level.left_kg / cylinder.full_kg


def _filled(site: Site, levels: Sequence[Level]) -> float:
    """Return what is left in all cylinders, as a share of all of them full."""
    return sum(level.left_kg for level in levels) / sum(c.full_kg for c in site.cylinders)


def _cylinder_facts(site: Site, levels: Sequence[Level], hour: HourOutlook | None) -> dict[str, Fact]:
    """Return what each cylinder holds, and the level needed at the worst hour."""
    facts: dict[str, Fact] = {}
    by_name = {level.cylinder: level for level in levels}
    for cylinder in site.cylinders:
        level = by_name.get(cylinder.name)
        if level is None:
            continue
        if level.reading_time is not None:  # one that was never read counts as empty, and is not said to be
            facts[f"share.{cylinder.name}"] = _share(level, cylinder)
            facts[f"left_kg.{cylinder.name}"] = level.left_kg
        facts[f"open.{cylinder.name}"] = cylinder.valve_open
        facts[f"basis.{cylinder.name}"] = level.basis
    if hour is not None:
        facts["level_needed"] = hour.level_needed.get(site.supply.basis)
    return facts


def _cold_facts(outlook: Outlook, worst: Stretch, stretches: list[Stretch], site: Site) -> dict[str, Fact]:
    demand = max(outlook.demand_w, 1.0)
    short_w = max(0.0, -worst.worst_headroom_w)
    missing = 0.0 if worst.needed_hold_s <= 0 else 1.0 - min(1.0, worst.worst_hold_s / worst.needed_hold_s)
    hour = next((h for h in outlook.hours if h.time == worst.worst_time), None)
    zone = ZoneInfo(site.timezone)
    nights = {s.start.astimezone(zone).date() for s in stretches}
    return {
        "start": when.iso(stretches[0].start),
        "end": when.iso(stretches[0].end),
        "worst_time": when.iso(worst.worst_time),
        "worst_start": when.iso(worst.start),
        "worst_end": when.iso(worst.end),
        "air_k": worst.worst_air_k,
        "short_w": short_w,
        "short_share": short_w / demand,
        "demand_w": outlook.demand_w,
        "hold_s": worst.worst_hold_s,
        "needed_s": worst.needed_hold_s,
        "hold_missing": missing,
        "why": worst.why,
        "probability": max((s.probability for s in stretches if s.probability is not None), default=None),
        "nights": len(nights),
        "last_end": when.iso(stretches[-1].end),
        "basis": outlook.basis,
        "forecast_source": outlook.forecast_source,
        "forecast_issued": None if outlook.forecast_issued is None else when.iso(outlook.forecast_issued),
        **_cylinder_facts(site, outlook.levels, hour),
    }


def cold_shortfall(outlook: Outlook | None, site: Site, now: datetime, limits: Limits, known: Known) -> Condition:
    """Full-burner demand uncovered in an hour ahead in which the household may burn."""
    kind = "cold-shortfall"
    if outlook is None:
        return found(kind, SITE, None, "no outlook was made yet", certainty="Unlikely")
    horizon = now + timedelta(seconds=limits["lead"] + (limits["ahead_of_storm"] if known.official_warning else 0.0))
    ahead = [h for h in outlook.hours if h.time + timedelta(hours=1) > now and h.time < horizon]
    soon, far_from = limits["probability"], now + FAR
    far = max(soon, limits["probability_far"])
    filled: dict[str, Fact] = {"filled": _filled(site, outlook.levels)}
    cold = [h for h in ahead if _of_the_cold(h, outlook)]
    raising = [_stretch(outlook, run, site) for run in _runs(cold, soon, far, far_from)]
    if not raising:
        return _no_shortfall(ahead, cold, limits, {**filled, **_seen(ahead, horizon)}, now)
    worst = max(raising, key=lambda s: (_badness(s), -s.start.timestamp()))
    facts = {**_cold_facts(outlook, worst, raising, site), **filled}
    urgency = urgency_of(raising[0].start, now)
    odds = facts["probability"]
    certainty = certainty_of(float(odds) if isinstance(odds, int | float) else None)
    # Odds of a night days ahead do not make tonight's urgent.
    severe = any(urgency_of(s.start, now) != "Future" and certainty_of(s.probability) == "Likely" for s in raising)
    if known.official_warning:
        facts["official"] = known.official_warning
    if raising[0].start <= now + timedelta(hours=12):
        facts["on_delay_s"] = 0.0
    what = f"{len(raising)} uncovered stretches" if len(raising) > 1 else "1 uncovered stretch"
    return found(
        kind, SITE, True, f"{what} ahead, the first in {duration((raising[0].start - now).total_seconds())}", facts,
        severity="Severe" if severe else "Moderate", urgency=urgency, certainty=certainty,
        rank=(2.0 if severe else 1.0) + (0.5 if certainty == "Likely" else 0.0),
    )  # fmt: skip


def _no_shortfall(
    ahead: list[HourOutlook], cold: list[HourOutlook], limits: Limits, facts: dict[str, Fact],
    now: datetime,
) -> Condition:  # fmt: skip
    """Return what is found where no hour raises it: all covered, too close to say, or not to be judged."""
    kind = "cold-shortfall"
    judged = [h for h in ahead if h.may_burn]
    blind = sum(_odds(h) is None for h in judged)
    if not ahead:
        return found(kind, SITE, None, "the forecast does not reach past now: the coming cold cannot be judged")
    if judged and blind > len(judged) // 2:
        return found(kind, SITE, None, f"{blind} of {len(judged)} hours ahead cannot be judged for want of data")
    if any(True for _ in _runs(cold, limits["probability_clear"], limits["probability"], now + FAR)):
        return found(kind, SITE, False, "odds between what ends and what raises it", band=True)
    if len(cold) < len(ahead):
        return found(kind, SITE, False, "covered until the fuel ends", facts)
    if blind:
        text = f"the hours that could be judged are covered; {blind} of {len(judged)} ahead could not"
        return found(kind, SITE, False, text, facts)
    if facts["seen_to"] != facts["seen_enough"]:
        return found(kind, SITE, False, "every hour in which the household may burn is covered, as far as the forecast "
                     "reaches", facts)  # fmt: skip
    return found(kind, SITE, False, "every hour ahead in which the household may burn is covered", facts)


def _seen(ahead: Sequence[HourOutlook], horizon: datetime) -> dict[str, Fact]:
    """Return how far the hours were judged, how far they had to be, and the hours on the way that could not be."""
    seen = [h for h in ahead if not h.may_burn or _odds(h) is not None]
    gaps = [h.time for h in ahead if h.may_burn and _odds(h) is None]
    end = min(seen[-1].time + timedelta(hours=1), horizon) if seen else None
    return {
        "seen_to": None if end is None else when.iso(end),
        "seen_enough": when.iso(horizon),
        "unseen_hours": "\n".join(when.iso(t) for t in gaps),
    }


def _badness(stretch: Stretch) -> float:
    """Order stretches: by the share of the wanted hold that is missing, then by what is short."""
    missing = 0.0 if stretch.needed_hold_s <= 0 else 1.0 - min(1.0, stretch.worst_hold_s / stretch.needed_hold_s)
    return round(missing, 2) * 1e9 - stretch.worst_headroom_w


def low_fuel(levels: Sequence[Level], site: Site, now: datetime, limits: Limits, silent: frozenset[str]) -> Condition:
    """Fuel left over the open cylinders, as a share of what they hold when full."""
    kind = "low-fuel"
    open_ = {c.name: c for c in site.cylinders if c.valve_open}
    known = [level for level in levels if level.cylinder in open_ and level.reading_time is not None]
    if not open_:
        return found(kind, SITE, None, "every valve is marked closed: nothing feeds the house")
    if len(known) < len(open_):
        missing = ", ".join(sorted(set(open_) - {level.cylinder for level in known}))
        return found(kind, SITE, None, f"no level was ever read of {missing}")
    full = sum(c.full_kg for c in open_.values())
    left = sum(level.left_kg for level in known)
    sd = math.sqrt(sum(level.sd_kg**2 for level in known))
    share = left / full
    steps = [*(float(s) for s in limits.many("low_fuel")), LAST_STEP]
    step = sum(share <= s for s in steps)
    use = sum(level.burn_kg_s for level in known)
    facts: dict[str, Fact] = {
        "left_kg": left,
        "share": share,
        "sd_kg": sd,
        "full_kg": full,
        "step": step,
        "limit": steps[max(0, step - 1)],
        "use_kg_s": use if use > 0 else None,
        "lasts_s": left / use if use > 0 else None,
        "read_s": max((now - level.reading_time).total_seconds() for level in known if level.reading_time),
        **_cylinder_facts(site, levels, None),
    }
    if step == 0:
        band = share < steps[0] + limits["deadband"]
        return found(kind, SITE, False, f"{percent(share)} of the fuel is left", facts, band=band)
    odds = 0.5 * math.erfc((share - steps[0]) * full / max(sd, 1e-9) / math.sqrt(2))
    sensors = [s.name for s in site.sensors if s.subject in open_ and s.quantity in LEVELS]
    dead = sensors if sensors and silent.issuperset(sensors) and _old(known, now, 2 * HOUR) else []
    return found(
        kind, SITE, True, f"{percent(share)} of the fuel is left, at or below {percent(steps[step - 1])}", facts,
        severity="Severe" if step == len(steps) else "Moderate", urgency="Immediate" if step == len(steps) else
        ("Expected" if step == 2 else "Future"), certainty="Observed" if odds > 0.9 else "Likely",
        rank=float(step), rests_on=[f"sensor-silent/{name}" for name in dead] if step < len(steps) else (),
    )  # fmt: skip


def _old(levels: Sequence[Level], now: datetime, age_s: float) -> bool:
    return all(level.reading_time is None or (now - level.reading_time).total_seconds() > age_s for level in levels)


def run_out(outlook: Outlook | None, now: datetime, limits: Limits, known: Known) -> Condition:
    """Fuel that ends before the planned refill, or within the setting's time where none is planned."""
    kind = "run-out"
    if outlook is None or outlook.run_out is None:
        return found(kind, SITE, None, "use is not known yet: no date can be given")
    early, likely = outlook.run_out.p10, outlook.run_out.p50
    plan = known.planned_refill if known.planned_refill is not None and known.planned_refill > now else None
    raise_by = plan or now + timedelta(seconds=limits["run_out_lead"])
    clear_by = plan + timedelta(hours=12) if plan else raise_by + timedelta(days=2)
    date = early if plan else likely
    if date is None or date > clear_by:
        return found(kind, SITE, False, "the fuel lasts past the refill" if plan else "the fuel lasts for days")
    facts: dict[str, Fact] = {
        "p10": None if early is None else when.iso(early),
        "p50": None if likely is None else when.iso(likely),
        "p90": None if outlook.run_out.p90 is None else when.iso(outlook.run_out.p90),
        "planned": None if plan is None else when.iso(plan),
        "sooner_s": (raise_by - date).total_seconds(),
    }
    if date > raise_by:
        return found(kind, SITE, False, "close to the limit", facts, band=True)
    soon = likely is not None and likely <= now + timedelta(days=2)
    sure: Certainty = "Likely" if likely is not None and likely <= raise_by else "Possible"
    return found(
        kind, SITE, True, "the fuel may end before the refill" if plan else "the fuel ends within days", facts,
        severity="Severe" if soon else "Moderate", urgency="Expected" if soon else "Future", certainty=sure,
        rank=2.0 if soon else 1.0,
    )  # fmt: skip


def overfilled(levels: Sequence[Level], site: Site, limits: Limits, known: Known) -> Iterator[Condition]:
    """A cylinder that holds more than its filling limit by more than the reading's own error.

    Weights so far above it that they are set aside count too: the scale or the tare may be wrong, and may be right.
    """
    by_name = {level.cylinder: level for level in levels}
    for cylinder in site.cylinders:
        level = by_name.get(cylinder.name)
        count, said = known.overfull.get(cylinder.name, (0, ""))
        if count >= OVERFULL_WEIGHTS:
            facts: dict[str, Fact] = {"set_aside": said, "full_kg": cylinder.full_kg}
            reason = "its scale says again and again that it is far above full"
            yield found(
                "overfilled", cylinder.name, True, reason, facts, severity="Severe", urgency="Expected",
                certainty="Possible",
            )  # fmt: skip
            continue
        if level is None or level.reading_time is None:
            yield found("overfilled", cylinder.name, None, "no level was ever read")
            continue
        share = _share(level, cylinder)
        sure = level.left_kg - 2.0 * level.sd_kg > cylinder.full_kg
        facts = {
            "share": share, "left_kg": level.left_kg, "full_kg": cylinder.full_kg, "sd_kg": level.sd_kg,
            "basis": level.basis,
        }  # fmt: skip
        holds = sure and share > limits["overfilled"]
        reason = f"holds {percent(share)} of the filling limit"
        yield found(
            "overfilled", cylinder.name, holds, reason, facts, severity="Severe", urgency="Expected",
            band=not holds and share > 1.0,
        )  # fmt: skip


def gas_detected(site: Site, known: Known, now: datetime) -> Iterator[Condition]:
    """A gas sensor's newest word. Old news still counts until the sensor itself takes it back."""
    specs = {s.name: s for s in site.sensors if s.quantity == Quantity.GAS_DETECTED.value}
    newest = {r.source: r for r in known.readings if r.quantity is Quantity.GAS_DETECTED}
    for name in sorted(specs.keys() | newest.keys()):
        reading = newest.get(name)
        if reading is None or reading.value is None:
            yield found("gas-detected", name, None, "the gas sensor has said nothing yet", severity="Extreme")
            continue
        facts: dict[str, Fact] = {"time": when.iso(reading.time), "where": reading.subject}
        facts["age_s"] = (now - reading.time).total_seconds()
        yield found(
            "gas-detected", name, reading.value > 0.5, "reports gas" if reading.value > 0.5 else "reports no gas",
            facts, severity="Extreme", urgency="Immediate", rank=10.0,
        )  # fmt: skip
