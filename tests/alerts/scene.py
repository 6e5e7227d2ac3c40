"""An invented household for the alert tests, and outlooks made by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from monitor.model.health import SourceHealth
from monitor.model.outlook import HourOutlook, Outlook, RunOut, Stretch
from monitor.model.reading import Level
from monitor.model.site import Appliance, Broker, Channel, Cylinder, SensorSpec, Site, WeatherSource

NOW = datetime(2026, 1, 5, 14, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
POUND = 0.45359237

CYLINDER = Cylinder("A", 95.2 * POUND, 29 * POUND, 0.3175, 40 * POUND)
SITE = Site(
    name="Larch Hollow (invented)",
    latitude=44.0,
    longitude=-90.0,
    timezone="America/Chicago",
    cylinders=(CYLINDER, replace(CYLINDER, name="B")),
    appliances=(Appliance("Range", 19_050.0, 3600.0),),
    sensors=(
        SensorSpec("scale-a", "mqtt", "A", "gross_weight", "yard/a", "lb", interval_s=600.0),
        SensorSpec("scale-b", "mqtt", "B", "gross_weight", "yard/b", "lb", interval_s=600.0),
    ),
    broker=Broker(),
    weather=(WeatherSource("open-meteo"),),
    channels=(Channel("mail", "mailto://"),),
)


def level(name: str = "A", share: float = 0.6, *, age: timedelta = HOUR, sd: float = 0.2, now: datetime = NOW) -> Level:
    return Level(name, now, share * CYLINDER.full_kg, sd, 0.0, 0.0, now - age, "weighed 1 h ago")


def hours(
    count: int = 96,
    uncovered: Mapping[int, float] | None = None,
    odds: Mapping[int, float] | None = None,
    gaps: Sequence[int] = (),
    start: datetime = NOW,
) -> tuple[HourOutlook, ...]:
    """`uncovered` maps an hour ahead to its hold time in s; `odds` to the probability of being uncovered."""
    uncovered = uncovered or {}
    made = []
    for k in range(count):
        hold = uncovered.get(k, 7200.0)
        gone = k in gaps
        made.append(
            HourOutlook(
                time=start + k * HOUR,
                air_k=None if gone else (259.15 if k in uncovered else 275.0),
                liquid_k=None if gone else 262.0,
                sustained_w={"chart": 15_000.0, "floor": 10_000.0, "weather": 8_000.0},
                headroom_w=None if gone else -5_275.0 if k in uncovered else 2_000.0,
                hold_s=None if gone else hold,
                hold_ends=None if gone else "pressure",
                level_needed={"chart": 0.4, "floor": 0.62, "weather": 0.62},
                film_w_m2k=6.0,
                may_burn=True,
                uncovered=None if gone else k in uncovered,
                probability_uncovered=None if odds is None else odds.get(k, 0.0),
            )
        )
    return tuple(made)


def outlook(
    uncovered: Mapping[int, float] | None = None,
    *,
    odds: Mapping[int, float] | None = None,
    levels: Sequence[Level] | None = None,
    gaps: Sequence[int] = (),
    issued: datetime | None = None,
    run_out: RunOut | None = None,
    now: datetime = NOW,
    why: str = "hold",
) -> Outlook:
    series = hours(uncovered=uncovered, odds=odds, gaps=gaps, start=now)
    stretches = []
    run: list[HourOutlook] = []
    for hour in [*series, None]:
        if hour is not None and hour.uncovered:
            run.append(hour)
        elif run:
            worst = min(run, key=lambda h: h.hold_s or 0.0)
            stretches.append(
                Stretch(
                    run[0].time, run[-1].time + HOUR, worst.time, worst.headroom_w or 0.0, worst.hold_s or 0.0,
                    worst.air_k or 0.0, 3600.0, worst.probability_uncovered, "continuous" if why != "hold" else "hold",
                )
            )  # fmt: skip
            run = []
    return Outlook(
        now, SITE.name, "weather", SITE.demand_w, series, tuple(stretches), run_out,
        tuple(levels if levels is not None else (level("A", now=now), level("B", now=now))),
        "open-meteo", issued or now - HOUR,
    )  # fmt: skip


def health(*changes: SourceHealth, now: datetime = NOW) -> dict[str, SourceHealth]:
    """Everything works, but for what is changed."""
    week = now - timedelta(days=7)
    fine = {
        "scale-a": SourceHealth("scale-a", "sensor", week, ok_at=now, interval_s=600.0),
        "scale-b": SourceHealth("scale-b", "sensor", week, ok_at=now, interval_s=600.0),
        "broker": SourceHealth("broker", "broker", week, ok_at=now),
        "open-meteo": SourceHealth("open-meteo", "forecast", week, ok_at=now),
        "mail": SourceHealth("mail", "channel", week, ok_at=now),
    }
    return {**fine, **{h.name: h for h in changes}}
