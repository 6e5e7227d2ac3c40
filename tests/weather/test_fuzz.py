"""Whatever a forecast service or a file holds, it is a sound forecast or a WeatherError / BadInput: nothing else."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest
from hypothesis import strategies as st

from monitor import weather
from monitor.model.errors import BadInput
from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.weather import http
from monitor.weather.errors import WeatherError
from monitor.weather.file import parse_csv, parse_json
from tests.support.fuzzing import JSON, LEAVES, NUMBERS, TEXTS, fuzz, garbled, lengths, mutated, written
from tests.weather.servers import nws
from tests.weather.servers.base import Asked, Loopback
from tests.weather.servers.met_norway import MetNorway
from tests.weather.servers.open_meteo import OpenMeteo
from tests.weather.support import NOW, context, site, source

SITE = site()
DATES = ["Mon, 05 Jan 2026 13:00:00 GMT", "Fri, 31 Dec 9999 23:59:59 -2359", "Mon, 01 Jan 0001 00:00:00 +2359"]
HEADERS = st.dictionaries(
    st.sampled_from(["last-modified", "expires", "retry-after", "content-type"]),
    st.one_of(st.text(max_size=12), st.sampled_from([*DATES, "9" * 400, "-1", "0", "²"])),
    max_size=3,
)  # fmt: skip
STATUS = st.sampled_from([200] * 12 + [203, 204, 304, 400, 403, 404, 422, 429, 500, 503, 599])


def sound(forecast: Forecast) -> None:
    """A forecast that the rest can count on: shapes that agree, temperatures that air can have, times in UTC."""
    members, hours = forecast.air_k.shape
    assert members >= 1
    assert 1 <= hours <= 24 * 366
    assert np.isfinite(forecast.air_k).any()
    inside = forecast.air_k[np.isfinite(forecast.air_k)]
    assert inside.min() > 190.0
    assert inside.max() < 335.0
    for values, most in ((forecast.wind_m_s, 150.0), (forecast.cloud, 1.0), (forecast.humidity, 1.2)):
        if values is not None:
            assert values.shape == (hours,)
            there = values[np.isfinite(values)]
            assert there.size == 0 or (there.min() >= 0.0 and there.max() <= most)
    assert forecast.start.tzinfo is UTC
    assert forecast.start.minute == forecast.start.second == forecast.start.microsecond == 0
    assert forecast.issued <= forecast.received + timedelta(days=366)
    assert forecast.end > forecast.start  # and can be computed
    "".join((forecast.credit, *forecast.notes)).encode()


@dataclass(frozen=True)
class Said:
    """What the faulty answer is: its place among the requests of one fetch, status, headers and body."""

    place: int
    status: int
    headers: dict[str, str]
    body: bytes


class Asking:
    """Stands in for the network: the honest server's answers, one of them replaced."""

    def __init__(self, server: Loopback) -> None:
        self.server = server
        self.said: Said | None = None
        self.asked = 0

    def get(self, url: str, *, params: Any = None, headers: Any = None, **_: Any) -> http.Answer:
        parts = urlsplit(url)
        query = {k: v[-1] for k, v in parse_qs(parts.query).items()} | dict(params or {})
        told = {"user-agent": "x (a@example.org)", **{k.lower(): v for k, v in (headers or {}).items()}}
        reply = self.server.honest(Asked(parts.path, query, told))
        self.asked += 1
        if self.said is not None and self.said.place == self.asked:
            return http.Answer(self.said.status, self.said.body, self.said.headers, url)
        return http.Answer(reply.status, reply.body, {k.lower(): v for k, v in reply.headers.items()}, url)


@pytest.fixture
def asking(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Asking]:
    made = Asking(request.param(NOW))
    monkeypatch.setattr(http, "get", made.get)
    yield made
    made.server._server.server_close()


def bodies(asking: Asking, of: WeatherSource, fetch: Callable[..., Any]) -> list[bytes]:
    """The honest answers of one fetch, in order."""
    found: list[bytes] = []
    honest = asking.server.honest
    asking.server.honest = lambda asked: found.append((reply := honest(asked)).body) or reply  # type: ignore[method-assign,func-returns-value]
    fetch(of, SITE, context())
    asking.server.honest = honest  # type: ignore[method-assign]
    return found


def faults(honest: list[bytes]) -> st.SearchStrategy[Said]:
    """Answers gone wrong in any way, in place of any of the honest ones."""
    kinds = []
    for place, body in enumerate(honest, 1):
        whole = st.one_of(
            mutated(json.loads(body)).map(lambda d: written(d).encode()), JSON.map(lambda d: written(d).encode()),
            garbled(body), st.binary(max_size=30),
        )  # fmt: skip
        kinds.append(st.builds(Said, st.just(place), STATUS, HEADERS, whole))
    return st.one_of(kinds)


def ask(asking: Asking, of: WeatherSource, fetch: Callable[[WeatherSource, Site, Any], Any], said: Said) -> Any:
    """Fetch twice with one memory: the second may ask conditionally, or answer from what was kept."""
    found = None
    kept = context()
    for _ in range(2):
        asking.said, asking.asked = said, 0
        try:
            found = fetch(of, SITE, kept)
        except WeatherError as error:
            assert error.message.isprintable()  # noqa: PT017  the message is what is looked at
            assert error.kind in {"temporary", "permanent", "throttled"}  # noqa: PT017
            assert error.retry_after_s is None or 0.0 <= error.retry_after_s <= 7 * 86_400.0  # noqa: PT017
        else:
            if isinstance(found, Forecast):
                sound(found)
    return found


@lengths
@pytest.mark.parametrize(
    ("asking", "kind", "options"),
    [(OpenMeteo, "open-meteo", {}), (OpenMeteo, "open-meteo", {"ensemble": True}), (nws.Nws, "nws", {}),
     (MetNorway, "met-norway", {})], indirect=["asking"], ids=["open-meteo", "ensemble", "nws", "met-norway"],
)  # fmt: skip
def test_fuzz_services(asking: Asking, kind: str, options: dict[str, Any], long: bool) -> None:
    of = source(kind, asking.server.url, **options)
    honest = bodies(asking, of, weather.fetch)
    assert honest
    fuzz(faults(honest), lambda said: ask(asking, of, weather.fetch, said), long=long, short=60)


@lengths
@pytest.mark.parametrize("asking", [nws.Nws], indirect=True)
def test_fuzz_hourly_of_the_grid_service(asking: Asking, long: bool) -> None:
    """Where the raw grid fails, the hourly periods are asked for: the answers after the grid's are the faulty ones."""
    of = source("nws", asking.server.url)
    server = asking.server
    assert isinstance(server, nws.Nws)
    whole = server.grid
    server.grid = lambda: {"properties": {**whole()["properties"], "temperature": {}}}  # type: ignore[method-assign]
    honest = bodies(asking, of, weather.fetch)
    assert len(honest) == 3
    fuzz(faults(honest).filter(lambda s: s.place == 3), lambda said: ask(asking, of, weather.fetch, said), long=long,
         short=60)  # fmt: skip


@lengths
@pytest.mark.parametrize("asking", [nws.Nws], indirect=True)
def test_fuzz_official_warnings(asking: Asking, long: bool) -> None:
    of = source("nws", asking.server.url)
    assert isinstance(asking.server, nws.Nws)
    vtec = "/O.NEW.KMPX.EC.W.0001.260106T0000Z-260107T1800Z/"
    asking.server.alerts = [nws.alert("Extreme Cold Warning", vtec, NOW - timedelta(hours=1)),
                            nws.alert("Blizzard Warning", None, NOW - timedelta(hours=2))]  # fmt: skip

    def check(said: Said) -> None:
        for warning in ask(asking, of, weather.fetch_warnings, said) or ():
            assert warning.sent.tzinfo is UTC
            assert warning.headline.isprintable()

    fuzz(faults(bodies(asking, of, weather.fetch_warnings)), check, long=long)


NESTED = [
    b"[" * 200_000,
    b'{"a":' * 100_000,
    b'{"properties":' + b"[" * 200_000,
    b"1" * 100_000,
    b'{"hours":' + b"[" * 99_999,
]


@pytest.mark.parametrize("body", NESTED, ids=range(len(NESTED)))
def test_what_is_nested_beyond_reason_is_broken_json(body: bytes) -> None:
    with pytest.raises(WeatherError, match="broken JSON"):
        http.Answer(200, body).json("the service")
    with pytest.raises(BadInput):
        parse_json(body.decode(), "f.json", NOW)


def _file(parse: Callable[[str, str, datetime], Forecast], text: str) -> None:
    try:
        found = parse(text, "f", NOW)
    except BadInput as error:
        assert error.problems  # noqa: PT017
        assert str(error)  # noqa: PT017
    else:
        sound(found)


@lengths
def test_fuzz_forecast_csv(long: bool) -> None:
    good = (
        "time,air_temperature_c,wind_speed_m_s,cloud_cover_pct,relative_humidity_pct,member,issued\n"
        "2026-01-05T14:00Z,-10.5,3,25,80,0,2026-01-05T12:00Z\n2026-01-05T15:00Z,-9,,50,,0,2026-01-05T12:00Z\n"
    )
    names = [
        "time",
        "air_temperature_c",
        "wind_speed_m_s",
        "cloud_cover_pct",
        "relative_humidity_pct",
        "member",
        "issued",
    ]
    heads = st.lists(st.one_of(st.sampled_from(names), TEXTS), min_size=2, max_size=7, unique=True)
    times = st.datetimes(timezones=st.just(UTC)).map(lambda t: t.isoformat())
    numbers = NUMBERS.map(lambda n: str(n) if not isinstance(n, int) or abs(n) < 10**300 else "9" * 400)
    cells = st.one_of(times, numbers, TEXTS, st.sampled_from(["2026-01-05T14:00Z", "-3", "", "12,5"]))
    tables = st.tuples(
        st.one_of(heads, st.just(names[:3])), st.lists(st.lists(cells, min_size=2, max_size=7), max_size=5)
    )
    text = st.one_of(
        tables.map(lambda t: "\n".join(",".join(row) for row in [t[0], *t[1]])),
        garbled(good.encode()).map(lambda b: b.decode("utf-8", "replace")),
    )
    fuzz(text, lambda drawn: _file(parse_csv, drawn), long=long)


@lengths
def test_fuzz_forecast_json(long: bool) -> None:
    """The form in which a user's own command or file gives a forecast."""
    hours = [{"time": f"2026-01-05T{h:02d}:00Z", "air_temperature_c": -h, "cloud_cover_pct": 50} for h in range(14, 20)]
    good = {"issued": "2026-01-05T13:00Z", "credit": "Invented", "elevation_m": 220, "hours": hours}
    fields = st.dictionaries(
        st.sampled_from(["time", "air_temperature_c", "wind_speed_m_s", "member"]), LEAVES, max_size=4
    )
    made = st.fixed_dictionaries({"hours": st.lists(fields, max_size=4)}, optional={"issued": LEAVES, "credit": LEAVES})
    fuzz(st.one_of(mutated(good), made, JSON).map(written), lambda drawn: _file(parse_json, drawn), long=long)
