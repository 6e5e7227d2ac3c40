"""The shape of each answer of the API. Values are SI units, temperatures degC, times ISO 8601."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import PlainTextResponse


class Csv(PlainTextResponse):
    """A table."""

    media_type = "text/csv"


class OpenMetrics(PlainTextResponse):
    """The OpenMetrics text format."""

    media_type = "application/openmetrics-text; version=1.0.0"


class Shape(BaseModel):
    """Names are fixed; more may be added."""

    model_config = ConfigDict(extra="allow")


class Trouble(Shape):
    """Why something was not done."""

    detail: str


class Bases(Shape):
    """One value for each basis."""

    chart: float | None
    floor: float | None
    weather: float | None


class Hour(Shape):
    """One hour of the outlook. None = not known."""

    time: datetime
    air_c: float | None
    liquid_c: float | None
    sustained_w: Bases
    headroom_w: float | None
    hold_s: float | None
    hold_ends: Literal["pressure", "fuel", "limit"] | None
    level_needed: Bases
    film_w_m2k: float | None
    may_burn: bool
    uncovered: bool | None
    probability_uncovered: float | None
    charge_kg: dict[str, float | None]


class Stretch(Shape):
    """A run of uncovered hours."""

    from_: datetime = Field(alias="from")
    to: datetime
    worst_time: datetime
    worst_headroom_w: float
    worst_hold_s: float
    worst_air_c: float
    needed_hold_s: float
    probability: float | None
    why: Literal["hold", "continuous"]


class RunOut(Shape):
    """When the fuel ends: 10, 50 and 90 % of the odds lie before."""

    p10: datetime | None
    p50: datetime | None
    p90: datetime | None


class LevelNow(Shape):
    """What one cylinder holds; `left_kg` is None where it was never read."""

    cylinder: str
    time: datetime
    left_kg: float | None
    sd_kg: float | None
    share_of_full: float | None
    reading_time: datetime | None
    basis: str


class Outlook(Shape):
    """The newest outlook."""

    at: datetime
    site: str
    basis: Literal["chart", "floor", "weather"]
    demand_w: float
    forecast_source: str | None
    forecast_issued: datetime | None
    hours: list[Hour]
    uncovered: list[Stretch]
    run_out: RunOut | None
    levels: list[LevelNow]
    notes: list[str]


class ShownHour(Shape):
    """One step of a picture in the household's own words and units."""

    text: str


class Shown(Shape):
    """The steps of a picture."""

    hours: list[ShownHour]


class ReadingKept(Shape):
    """One reading."""

    id: int | None
    time: datetime
    received: datetime
    subject: str
    quantity: str
    value: float | None
    unit: str
    source: str
    age_known: bool
    corrects: int | None


class Readings(Shape):
    """Readings, oldest first."""

    readings: list[ReadingKept]


class AlertStanding(Shape):
    """One alert that is not normal."""

    key: str
    state: str
    severity: Literal["Extreme", "Severe", "Moderate", "Minor"]
    since: datetime
    reason: str
    facts: dict[str, Any]


class Alerts(Shape):
    """Standing alerts, the most recent first."""

    alerts: list[AlertStanding]


class Source(Shape):
    """How one source, loop or channel does."""

    name: str
    kind: str
    since: datetime
    ok_at: datetime | None
    failed_at: datetime | None
    error: str


class Health(Shape):
    """Everything that can fail."""

    sources: list[Source]


class Alive(Shape):
    """Whether the service's loops keep their deadlines."""

    ok: bool
    trouble: list[str]
