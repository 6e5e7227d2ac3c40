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
    needed_hold_s: float | None = None


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
    """What one cylinder holds; `left_kg` is None where it was never read.

    `filled_unweighed` is when it was filled without a weight, null where it was read since: the level is half-way from
    what was in it to full then.
    """

    cylinder: str
    time: datetime
    left_kg: float | None
    sd_kg: float | None
    share_of_full: float | None
    reading_time: datetime | None
    basis: str
    filled_unweighed: datetime | None = None


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


class Coverage(Shape):
    """Rows of `cover` follow `share_of_full`, columns `air_c`; 2 carried, 1 held for the stated burn, 0 not."""

    basis: Literal["chart", "floor", "weather"]
    air_c: list[float]
    share_of_full: list[float]
    cover: list[list[int]]


class Take(Shape):
    """One cylinder to take."""

    cylinder: str
    goes_kg: float
    returns_kg: float
    adds_kg: float


class DayOdds(Shape):
    """Odds of trouble before a trip on that day."""

    date: str
    risk: float


class Plan(Shape):
    """The next trip; `when` None = none is needed. `planned_refill` is when the household said that it will go."""

    at: datetime
    when: datetime | None
    latest: str | None
    take: list[Take]
    risk_before: float | None
    stays_covered: bool | None
    needed_share: float | None
    share_after: float | None
    reasons: list[str]
    gives_way: list[str]
    days: list[DayOdds]
    caution: str
    planned_refill: datetime | None


class Side(Shape):
    """One of the two outlooks compared."""

    demand_w: float
    hours: list[Hour]
    uncovered: list[Stretch]
    levels: list[LevelNow]


class Supposed(Shape):
    """Both outlooks."""

    now: Side
    supposed: Side


class NoticeSent(Shape):
    """One notice on one channel."""

    id: str
    at: datetime
    what: str
    headline: str
    body: str
    channel: str
    state: str
    attempts: int
    error: str


class Notices(Shape):
    """Notices, newest first."""

    notices: list[NoticeSent]


class StepTaken(Shape):
    """One step of one alert."""

    key: str
    at: datetime
    before: str
    after: str
    reason: str


class Steps(Shape):
    """Steps, newest first."""

    steps: list[StepTaken]


class AsideKept(Shape):
    """One thing that could not be used."""

    received: datetime
    source: str
    subject: str
    quantity: str
    raw: str
    reason: str


class SetAsides(Shape):
    """What was set aside, newest first."""

    set_aside: list[AsideKept]


class EntryKept(Shape):
    """One entry of the record; `undoes` is the number of the entry that it takes back."""

    id: int | None
    kind: str
    subject: str
    time: datetime
    entered: datetime
    payload: dict[str, Any]
    undoes: int | None
    in_force: bool


class Recorded(Shape):
    """Entries, newest first."""

    entries: list[EntryKept]


class Amount(Shape):
    """A sum of money; None where nothing is known."""

    amount: float | None
    entries: int
    without_price: int


class CostSpan(Shape):
    """One month or year; None = not known."""

    span: str
    days: int
    used_kg: float | None
    used_days: int
    taken_kg: float | None
    fills: int
    fills_not_weighed: int
    fuel: Amount
    trips: Amount
    other: Amount
    together: float | None
    missing: list[str]


class YearlyUse(Shape):
    """Fuel a year and from what it is known."""

    kg_year: float | None
    basis: str


class Costs(Shape):
    """What the gas costs; money is the site's own."""

    site: str
    currency: str | None
    used: str
    price: dict[str, Any]
    months: list[CostSpan]
    years: list[CostSpan]
    use: YearlyUse
    cylinders: dict[str, Any] | None
    cylinders_lack: list[str]
    offers: list[dict[str, Any]]
