"""The shape of the API's answers about choosing: arrangements, supply train, first start. SI, degC."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from monitor.web.shapes import Shape

AtShare = dict[str, float | None]  # by charge in percent of full: "100", "50", "20"
ByBasis = dict[str, AtShare]  # "chart", "floor", "weather"


class AddedW(Shape):
    """The largest load (W) that could be added at half charge at the design low."""

    continuous: float | None
    by_turns: float | None


class Finding(Shape):
    """One finding; `ask` is for a licensed fitter."""

    state: Literal["good", "look", "unknown"]
    fact: str
    source: str
    consequence: str
    ask: str


class Arranged(Shape):
    """One arrangement; None = not known, never, or not worked out because a limit speaks against it."""

    name: str
    size: str
    count: int
    feed: Literal["together", "changeover"]
    carried_c: ByBasis
    held_c: ByBasis
    hold_s: ByBasis
    level_needed: AtShare
    level_needed_for_burn: float | None
    largest_added_w: AddedW
    refills_year: float | None
    lifts_year: float
    days_between: float | None
    piece_full_kg: float
    piece_empty_kg: float
    fuel_kg: float
    filled_in_place: bool
    from_memory: list[str]
    why_out: list[str]


class Arrangements(Shape):
    """What is left, first what is minded most; `nearest` = none carries the low, the nearest are shown."""

    complete: bool
    nearest: bool
    demand_w: float
    continuous_w: float
    stated_hold_s: float | None
    use_kg_d: float
    year_kg: float
    basis: Literal["chart", "floor", "weather"]
    mind: str
    coldest_c: float | None
    refill_share: float
    arrangements: list[Arranged]
    out: list[Arranged]
    notes: list[str]


class TrainFinding(Finding):
    """A finding with the part it is about; `name` is the run of pipe's."""

    part: str
    name: str


class SupplyTrain(Shape):
    """Findings: worth a look first, then what was not checked, then what is as usual."""

    demand_w: float
    coldest_c: float
    coldest_stated: bool
    findings: list[TrainFinding]


class Step(Shape):
    """One step of the sheet, and when to stop."""

    name: str
    do: str
    stop: str


class Ask(Shape):
    """One question; what is usual may not hold here."""

    topic: str
    ask: str
    usual: str
    source: str
    because: str


class Item(Shape):
    """One thing to get, by the fitting at each end."""

    count: int
    what: str
    ends: str
    mind: str


class Tag(Shape):
    """What to write on a cylinder's tag."""

    cylinder: str
    lines: list[str]


class Kept(Shape):
    """A sheet in the record."""

    time: datetime
    steps: list[str]
    left_out: list[str]


class FirstStart(Shape):
    """The sheet, the questions, the things to get; `last` None = none is in the record."""

    steps: list[Step]
    questions: list[Ask]
    items: list[Item]
    marks: list[Tag]
    cautions: list[str]
    last: Kept | None
