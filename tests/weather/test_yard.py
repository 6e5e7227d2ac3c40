"""From the store to a forecast made right: a real store on disk, filled from a replayed winter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from monitor import outlook
from monitor.model.forecast import NO_SERVICE, Forecast
from monitor.model.reading import Level, Quantity, Reading
from monitor.model.site import Cylinder, Site, WeatherSource
from monitor.outlook import air, learn
from monitor.store import Store
from monitor.weather import odds_record, yard
from tests.weather import replay

DAYS = 45
JUDGED = 33  # from this day on outlooks are kept too


@pytest.fixture(scope="module")
def world() -> replay.World:
    truth, first, last = replay.winters()[2]
    return replay.World(truth, first, last, 12)


@pytest.fixture(scope="module")
def filled(world: replay.World, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty-five days of three pulls a day and a thermometer every half hour, outlooks each noon of the last days."""
    path = tmp_path_factory.mktemp("store") / "b.db"
    site = household(world)
    with Store.open(path) as store:
        for k, forecast, learnt in islice(world.run(), DAYS):
            for hours in (0, 1, 8):
                received = forecast.issued + timedelta(hours=hours, minutes=3)
                store.add_forecast(replace(forecast, received=received))
            if k >= JUDGED:
                ready = air.prepare(replace(forecast, air_k=forecast.air_k[:, :120]), site, learnt=learnt, members=11)
                made = outlook.make(site, ready, levels(site, forecast.issued), forecast.issued)
                store.add_outlook(forecast.issued, outlook.jsonable(made, site))
        start = world.yard.start
        low, high = (int((world.issues[i] - start) / timedelta(hours=1)) for i in (0, DAYS))
        store.add_readings(
            [
                Reading(
                    time=start + timedelta(hours=k, minutes=m),
                    received=start + timedelta(hours=k, minutes=m + 1),
                    subject="site",
                    quantity=Quantity.AIR_TEMPERATURE,
                    value=float(world.yard.air_k[k]) + 0.1 * (-1) ** k,
                    source="mqtt:yard",
                )
                for k in range(low - 48, high)
                for m in (-25, 0, 25)
            ]
        )
    return path


@pytest.fixture
def store(filled: Path) -> Iterator[Store]:
    with Store.open(filled, readonly=True) as opened:
        yield opened


def household(world: replay.World) -> Site:
    cylinders = tuple(Cylinder(n, 43.2, 13.2, 0.3175, 18.1) for n in "AB")
    return replace(world.site, cylinders=cylinders)


def levels(site: Site, at: datetime) -> tuple[Level, ...]:
    return tuple(Level(c.name, at, 4.0, 0.3, 0.0, 0.0, at, "weighed") for c in site.cylinders)


def test_what_is_learnt_from_the_store_is_what_is_learnt_from_the_facts(world: replay.World, store: Store) -> None:
    now = world.issues[DAYS]
    learnt, trouble = yard.teach(store, world.site, "replay", now)
    assert trouble == ""
    assert learnt.method == "calibrated"
    direct = next(known for k, _, known in world.run() if k == DAYS)
    np.testing.assert_allclose(learnt.part_bias_k, direct.part_bias_k, atol=0.1)
    np.testing.assert_allclose(learnt.scale, direct.scale, rtol=0.1)
    assert -learnt.dawn_bias_k == pytest.approx(world.hidden.offset_k, abs=1.0)


def test_one_forecast_a_day_and_only_what_came_in_by_then(world: replay.World, store: Store) -> None:
    now = world.issues[20] + timedelta(minutes=30)
    found = list(yard.issued_daily(store, "replay", world.issues[0] - timedelta(days=2), now, world.site.timezone))
    assert [f.issued for f in found] == world.issues[:21]
    assert list(yard.issued_daily(store, "other", world.issues[0], now, world.site.timezone)) == []


def test_the_thermometer_by_the_hour(world: replay.World, store: Store) -> None:
    since = world.issues[3]
    seen = yard.measured(store, since, since + timedelta(days=5))
    assert seen is not None
    np.testing.assert_allclose(
        seen.at(since + timedelta(hours=2), 100), world.yard.at(since + timedelta(hours=2), 100), atol=0.11
    )


def test_a_forecast_made_right(world: replay.World, store: Store) -> None:
    made = yard.Yard().ready(store, world.site, world.forecast(DAYS), world.issues[DAYS])
    assert made is not None
    assert made.air_k.shape[0] == air.MEMBERS
    assert any("this yard runs" in n for n in made.notes)
    off = made.air_k.mean(axis=0) - world.forecast(DAYS).air_k[0]
    assert off[:48].mean() == pytest.approx(world.hidden.offset_k, abs=1.0)


def test_a_source_new_to_the_yard_borrows_what_another_taught(world: replay.World, store: Store) -> None:
    site = replace(world.site, weather=(WeatherSource("replay"), WeatherSource("open-meteo")))
    other = replace(world.forecast(DAYS), source="open-meteo")
    kept = yard.Yard()
    made = kept.ready(store, site, other, world.issues[DAYS])
    own = kept.ready(store, site, world.forecast(DAYS), world.issues[DAYS])
    assert made is not None
    assert own is not None
    assert any("from replay, whose correction stands in" in n for n in made.notes)
    off = made.air_k.mean(axis=0) - other.air_k[0]
    assert off[:48].mean() == pytest.approx(world.hidden.offset_k, abs=1.0)
    assert made.spread_k is not None
    alone = yard.Yard().ready(store, world.site, other, world.issues[DAYS])
    assert alone is not None
    np.testing.assert_allclose(alone.air_k.mean(axis=0), other.air_k[0], atol=1e-9)


def test_learning_switched_off(world: replay.World, store: Store) -> None:
    site = replace(world.site, settings={"forecast.learn": False})
    made = yard.Yard().ready(store, site, world.forecast(DAYS), world.issues[DAYS])
    assert made is not None
    np.testing.assert_allclose(made.air_k.mean(axis=0), world.forecast(DAYS).air_k[0], atol=1e-9)
    assert any("switched off" in n for n in made.notes)


def test_it_learns_once_a_day(world: replay.World, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[datetime] = []

    def teach(*args: object) -> tuple[learn.Learnt, str]:
        asked.append(args[3])  # type: ignore[arg-type]
        return learn.NOTHING, ""

    monkeypatch.setattr(yard, "teach", teach)
    kept = yard.Yard()
    for hours in (0, 1, 5, 20, 40):
        kept.learnt(store, world.site, "replay", world.issues[10] + timedelta(hours=hours))
    assert len(asked) == 3  # noon, the next morning, the day after


def test_no_service_left(world: replay.World, store: Store) -> None:
    made = yard.Yard().ready(store, world.site, None, world.issues[DAYS])
    assert made is not None
    assert made.source == "thermometer"
    assert yard.Yard().ready(store, world.site, None, datetime(2030, 1, 1, tzinfo=UTC)) is None


def test_scores(world: replay.World, store: Store) -> None:
    found = yard.verified(store, world.site, "replay", world.issues[5], world.issues[DAYS])
    assert found.forecasts == DAYS - 5
    everything, first = found.scores[0], found.scores[1]
    assert (everything.lead, first.lead) == (0, 1)
    assert len(found.scores) == 11
    assert first.n == DAYS - 5
    assert first.raw_bias_k == pytest.approx(-world.hidden.offset_k, abs=1.0)
    assert abs(first.bias_k) < abs(first.raw_bias_k)
    assert everything.crps_k < everything.raw_crps_k


def test_scores_never_look_ahead(world: replay.World, store: Store) -> None:
    """What was said on a day is the same whether it is scored then or a month later."""
    early = yard.verified(store, world.site, "replay", world.issues[5], world.issues[12])
    late = yard.verified(store, world.site, "replay", world.issues[5], world.issues[DAYS])
    assert early.scores[1].n < late.scores[1].n
    night = {s.lead: s for s in early.scores}[1]
    again = yard.verified(_Until(store, world.issues[12]), world.site, "replay", world.issues[5], world.issues[12])
    assert again.scores[1] == night


class _Until:
    """The store as it was at a time."""

    def __init__(self, store: Store, until: datetime) -> None:
        self._store, self._until = store, until

    def forecasts(
        self, *, since: datetime | None = None, until: datetime | None = None, source: str | None = None
    ) -> list[Forecast]:
        return [f for f in self._store.forecasts(since=since, until=until, source=source) if f.received < self._until]

    def readings(self, **given: object) -> list[Reading]:
        return [r for r in self._store.readings(**given) if r.received < self._until]  # type: ignore[arg-type]


def test_odds_beside_what_came(world: replay.World, store: Store) -> None:
    site = household(world)
    odds, came, lead = odds_record.record(store, site, world.issues[JUDGED], world.issues[DAYS])
    assert odds.size > 24 * 20
    assert 0 < came.sum() < came.size
    assert (lead >= 0).all()
    assert odds[came].mean() > odds[~came].mean() + 0.2


def test_how_far_thermometer_and_forecast_are_apart(world: replay.World) -> None:
    forecast = world.forecast(3)
    now = forecast.issued + timedelta(hours=9, minutes=20)
    times = [forecast.issued + timedelta(hours=k) for k in range(10)]
    warmer = [float(v) + 3.0 for v in forecast.air_k[0, :10]]
    assert yard.gap_k(forecast, (times, warmer), now) == pytest.approx(3.0)
    assert yard.gap_k(forecast, (times[:5], warmer[:5]), now) is None
    assert yard.gap_k(forecast, None, now) is None
    assert yard.gap_k(None, (times, warmer), now) is None
    assert yard.gap_k(replace(forecast, source=NO_SERVICE), (times, warmer), now) is None
    assert yard.gap_k(forecast, (times, warmer), now - timedelta(days=2)) is None


def test_an_empty_store(tmp_path: Path, world: replay.World) -> None:
    with Store.open(tmp_path / "e.db") as store:
        now = world.issues[3]
        assert yard.teach(store, world.site, "replay", now) == (learn.NOTHING, "")
        assert yard.Yard().ready(store, world.site, None, now) is None
        assert yard.verified(store, world.site, "replay", now - timedelta(days=3), now).scores == ()
        odds, _, _ = odds_record.record(store, world.site, now - timedelta(days=3), now)
        assert odds.size == 0
