"""A fill without a weight, end to end: no run-out from the level before it, said wherever that level is shown."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from monitor import outlook
from monitor.commands import _outlook, _plan, _status
from monitor.model.forecast import Forecast
from monitor.model.reading import Quantity, Reading
from monitor.model.site import Site
from monitor.outlook.plan import plan
from monitor.outlook.use import stated
from monitor.service import status
from monitor.service.levels import Levels
from monitor.service.round import Found, work
from monitor.site import load
from monitor.store import Event, Store
from tests.service import harness

NOW = datetime(2031, 1, 20, 13, 5, tzinfo=UTC)
DAY = timedelta(days=1)
FILLED = NOW - timedelta(hours=5)
USE_KG_D = 0.5  # of each cylinder


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return load(harness.write_site(tmp_path, harness.SITE))


@pytest.fixture
def store(tmp_path: Path, site: Site) -> Any:
    """Four weeks in which both cylinders were weighed by hand each two days, down to 1 kg each a day ago."""
    with Store.open(tmp_path / "s.db") as opened:
        for k in range(14):
            at = NOW - DAY - (13 - k) * 2 * DAY
            for name in "AB":
                weigh(opened, site, name, 1.0 + USE_KG_D * 2 * (13 - k), at)
        opened.add_forecast(
            Forecast("file", NOW, NOW, NOW.replace(minute=0), np.full((8, 240), 285.0), credit="Invented forecast")
        )
        yield opened


def weigh(store: Store, site: Site, name: str, left_kg: float, at: datetime) -> None:
    gross = site.cylinder(name).tare_kg + left_kg
    store.add_readings([Reading(at, at, name, Quantity.GROSS_WEIGHT, gross, "hand")])


def fill(store: Store, name: str, at: datetime = FILLED) -> int:
    return store.add_event(Event("fill", name, at, at, {"paid_kg": 15.0, "price": 30.0}))


def judged(site: Site, store: Store, now: datetime = NOW) -> Found:
    made = work(site, store, now, {}, Levels())
    assert made.failed == ""
    return made


def stands(made: Found, kind: str) -> bool | None:
    return next(c.holds for c in made.conditions if c.kind == kind)


def test_no_run_out_is_told_from_the_level_before_the_fill(site: Site, store: Store) -> None:
    before = judged(site, store)
    assert stands(before, "run-out") is True
    assert stands(before, "low-fuel") is True
    for name in "AB":
        fill(store, name)
    after = judged(site, store)
    assert stands(after, "run-out") is False
    full = site.cylinder("A").full_kg
    for low, level in zip(before.levels, after.levels, strict=True):
        assert low.left_kg < level.left_kg < 0.6 * full, "more than before, and never full because it was filled"
        assert (level.filled_unweighed, level.reading_time) == (FILLED, low.reading_time)
    ends, old = after.outlook.run_out, before.outlook.run_out
    assert ends is not None
    assert old is not None
    assert ends.p10 is not None
    assert ends.p50 is not None
    assert old.p50 is not None
    assert old.p50 < ends.p10, "even the early date is not the one from before"
    middle = ends.p50 - NOW
    assert ends.p10 - NOW < 0.75 * middle, "the early date stays cautious"
    odds = [h.charge_kg["A"] for h in after.outlook.hours]
    assert max(odds) < 0.6 * full


def test_an_undo_brings_the_level_back_and_a_weight_ends_the_doubt(site: Site, store: Store) -> None:
    before = judged(site, store).levels
    number = fill(store, "A")
    assert judged(site, store).levels[0].filled_unweighed == FILLED
    store.undo_event(number, NOW)
    assert judged(site, store).levels == before
    fill(store, "A")
    weigh(store, site, "A", 12.0, NOW - timedelta(hours=1))
    level = judged(site, store).levels[0]
    assert level.filled_unweighed is None
    assert level.left_kg == pytest.approx(12.0, abs=0.3)


def test_it_is_said_wherever_the_level_is_shown(site: Site, store: Store) -> None:
    fill(store, "A")
    made = judged(site, store)
    store.add_outlook(NOW, outlook.jsonable(made.outlook, made.site))
    said = "filled 20 Jan, not weighed since: the level shown is half-way between what was in it before and full"
    for printed in (printed_outlook, printed_plan, printed_status):
        text = " ".join(printed(made, site, store).split())
        assert said in text, printed.__name__
        assert '`boiloff reading A --weighs "38.1 lb"`' in text, printed.__name__
    view = status.jsonable(status.look(site, store, store.path, NOW))
    levels = {x["cylinder"]: x["filled_unweighed"] for x in view["outlook"]["levels"]}
    assert levels == {"A": FILLED.isoformat(), "B": None}
    weigh(store, site, "A", 12.0, NOW - timedelta(hours=1))
    wrong = [t.words for t in status.look(site, store, store.path, NOW).troubles]
    assert not [w for w in wrong if "not weighed" in w], "at once, before the next outlook is made"


def console() -> Console:
    return Console(file=io.StringIO(), width=80, highlight=False)


def text_of(to: Console) -> str:
    assert isinstance(to.file, io.StringIO)
    return to.file.getvalue()


def printed_outlook(made: Found, site: Site, _: Store) -> str:
    to = console()
    _outlook.print_outlook(to, site, made.outlook, by_hour=False)
    return text_of(to)


def printed_plan(made: Found, site: Site, _: Store) -> str:
    to = console()
    found = plan(site, made.levels, made.outlook.hours, stated(site, made.outlook), NOW)
    _plan.print_plan(to, site, made.outlook, found)
    return text_of(to)


def printed_status(_: Found, site: Site, store: Store) -> str:
    to = Console(file=io.StringIO(), width=300, highlight=False)  # its table of what is wrong has columns
    _status.print_status(to, site, status.look(site, store, store.path, NOW))
    return text_of(to)
