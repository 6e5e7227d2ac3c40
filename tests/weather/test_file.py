"""The fixed CSV and its JSON twin: what is read, and what is refused with the line it is on."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import BadInput, Problem
from monitor.weather import WeatherError, fetch
from monitor.weather.file import parse_csv, parse_json, read_csv
from tests.weather.support import NOW, context, site, source

HEAD = "time,air_temperature_c"


def lines(start: datetime, values: list[object], step: timedelta = timedelta(hours=1)) -> str:
    rows = [f"{(start + i * step).isoformat()},{v}" for i, v in enumerate(values)]
    return "\n".join([HEAD, *rows]) + "\n"


def problems(text: str) -> tuple[Problem, ...]:
    with pytest.raises(BadInput) as caught:
        parse_csv(text, "f.csv", NOW)
    return caught.value.problems


def test_all_columns() -> None:
    text = (
        "time,air_temperature_c,wind_speed_m_s,cloud_cover_pct,relative_humidity_pct\n"
        "2026-01-05T08:00-06:00,-10.5,3,25,80\n"
        "2026-01-05T15:00Z,-9,,50,\n"
    )
    forecast = parse_csv(text, "f.csv", NOW)
    assert forecast.source == "file"
    assert forecast.start == datetime(2026, 1, 5, 14, tzinfo=UTC)
    np.testing.assert_allclose(forecast.air_k, [[262.65, 264.15]])
    assert forecast.wind_m_s is not None
    assert forecast.cloud is not None
    assert forecast.humidity is not None
    np.testing.assert_allclose(forecast.wind_m_s, [3.0, np.nan])
    np.testing.assert_allclose(forecast.cloud, [0.25, 0.5])
    np.testing.assert_allclose(forecast.humidity, [0.8, np.nan])
    assert forecast.issued == NOW


def test_absent_columns_are_none_and_not_zero() -> None:
    forecast = parse_csv(lines(NOW.replace(minute=0), [-3, -4]), "f.csv", NOW)
    assert forecast.wind_m_s is None
    assert forecast.cloud is None
    assert forecast.humidity is None


@pytest.mark.parametrize("zone", ["America/Chicago", "Australia/Lord_Howe", "Europe/Oslo"])
@pytest.mark.parametrize("day", ["2025-03-08", "2025-11-01", "2025-10-04", "2025-10-25", "2025-04-05"])
def test_clock_changes_within_a_series(zone: str, day: str) -> None:
    """Local stamps with their offsets, across a change of clocks, are one unbroken series of hours."""
    start = datetime.fromisoformat(day).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(minute=0)
    times = [(start + timedelta(hours=k)).astimezone(ZoneInfo(zone)) for k in range(72)]
    text = "\n".join([HEAD, *(f"{t.isoformat()},{k / 10}" for k, t in enumerate(times))])
    forecast = parse_csv(text, "f.csv", NOW)
    assert forecast.hours == 72
    np.testing.assert_allclose(forecast.air_k[0], 273.15 + np.arange(72) / 10)


def test_leap_day() -> None:
    forecast = parse_csv(lines(datetime(2028, 2, 28, 20, tzinfo=UTC), list(range(40))), "f.csv", NOW)
    assert forecast.times()[30] == datetime(2028, 3, 1, 2, tzinfo=UTC)
    assert np.isfinite(forecast.air_k).all()


def test_gaps_stay_gaps() -> None:
    text = f"{HEAD}\n2026-01-05T00:00Z,-1\n2026-01-05T01:00Z,\n2026-01-05T02:00Z,null\n2026-01-05T05:00Z,-2\n"
    forecast = parse_csv(text, "f.csv", NOW)
    np.testing.assert_array_equal(np.isfinite(forecast.air_k[0]), [True, False, False, False, False, True])
    assert forecast.notes == ("4 of 6 hours have no air temperature",)


def test_three_hourly_lines_are_not_made_hourly() -> None:
    forecast = parse_csv(lines(datetime(2026, 1, 5, tzinfo=UTC), [1, 2, 3], timedelta(hours=3)), "f.csv", NOW)
    assert np.isfinite(forecast.air_k[0]).sum() == 3


def test_half_hour_zones_come_on_whole_hours() -> None:
    start = datetime.fromisoformat("2026-01-05T06:00+05:30")
    forecast = parse_csv(lines(start, [0, 1, 2, 3]), "f.csv", NOW)
    assert forecast.start == datetime(2026, 1, 5, 1, tzinfo=UTC)
    np.testing.assert_allclose(forecast.air_k[0], [273.65, 274.65, 275.65])


def test_quarter_hours_give_the_value_at_the_hour() -> None:
    forecast = parse_csv(lines(datetime(2026, 1, 5, tzinfo=UTC), list(range(9)), timedelta(minutes=15)), "f.csv", NOW)
    np.testing.assert_allclose(forecast.air_k[0], [273.15, 277.15, 281.15])


@given(st.permutations(range(12)))
def test_any_order_of_lines_is_the_same(order: list[int]) -> None:
    rows = [f"2026-01-05T{h:02d}:00Z,{h - 20}" for h in range(12)]
    forecast = parse_csv("\n".join([HEAD, *(rows[i] for i in order)]), "f.csv", NOW)
    np.testing.assert_allclose(forecast.air_k[0], 253.15 + np.arange(12))


def test_a_line_twice_is_taken_once_and_a_contradiction_is_told() -> None:
    same = f"{HEAD}\n2026-01-05T00:00Z,-1\n2026-01-04T18:00-06:00,-1\n"
    assert parse_csv(same, "f.csv", NOW).hours == 1
    (problem,) = problems(f"{HEAD}\n2026-01-05T00:00Z,-1\n2026-01-05T01:00Z,-1\n2026-01-04T18:00-06:00,-2\n")
    assert problem.line == 4
    assert "line 2" in problem.hint


def test_members() -> None:
    rows = [f"2026-01-05T{h:02d}:00Z,{h - m},{m}" for h in range(3) for m in range(2)]
    forecast = parse_csv("\n".join(["time,air_temperature_c,member", *rows[:-1]]), "f.csv", NOW)
    np.testing.assert_allclose(forecast.air_k, 273.15 + np.array([[0, 1, 2], [-1, 0, np.nan]]))


def test_a_time_of_issue_of_its_own() -> None:
    text = "time,air_temperature_c,issued\n2026-01-05T15:00Z,-1,2026-01-05T06:00-06:00\n2026-01-05T16:00Z,-1,\n"
    assert parse_csv(text, "f.csv", NOW).issued == datetime(2026, 1, 5, 12, tzinfo=UTC)
    rows = "2026-01-05T15:00Z,-1,2026-01-05T06:00Z\n2026-01-05T16:00Z,-1,2026-01-05T07:00Z\n"
    assert problems("time,air_temperature_c,issued\n" + rows)[0].key == "issued"


@pytest.mark.parametrize(
    ("text", "line", "key", "hint"),
    [
        (f"{HEAD}\n2026-01-05T00:00,-1\n", 2, "time", "offset"),
        (f"{HEAD}\n05.01.2026 00:00,-1\n", 2, "time", ""),
        (f"{HEAD}\n,-1\n", 2, "time", ""),
        (f"{HEAD}\n2026-02-30T00:00Z,-1\n", 2, "time", ""),
        (f"{HEAD}\n2026-01-05T00:00Z,-1\n2026-01-05T01:00Z,cold\n", 3, "air_temperature_c", ""),
        (f'{HEAD}\n2026-01-05T00:00Z,"-1,5"\n', 2, "air_temperature_c", "point"),
        (f"{HEAD}\n2026-01-05T00:00Z,-1,5\n", 2, "line", "point"),
        (f"{HEAD}\n2026-01-05T00:00Z,265\n", 2, "air_temperature_c", "°F or K"),
        (f"{HEAD}\n2026-01-05T00:00Z,-81\n", 2, "air_temperature_c", "°F or K"),
        (f"{HEAD}\n2026-01-05T00:00Z,inf\n", 2, "air_temperature_c", ""),
        (f"{HEAD},wind_speed_m_s\n2026-01-05T00:00Z,-1,-2\n", 2, "wind_speed_m_s", ""),
        (f"{HEAD},cloud_cover_pct\n2026-01-05T00:00Z,-1,101\n", 2, "cloud_cover_pct", ""),
        ("time,temperature\n2026-01-05T00:00Z,-1\n", 1, "air_temperature_c", "temperature"),
        ("air_temperature_c\n-1\n", 1, "time", ""),
        ("time,time,air_temperature_c\n", 1, "time", ""),
    ],
)
def test_what_is_wrong_is_named_with_its_line(text: str, line: int, key: str, hint: str) -> None:
    first = problems(text)[0]
    assert (first.line, first.key) == (line, key)
    assert hint in first.hint
    assert first.expected


CENTURY = f"{HEAD}\n1926-01-05T00:00Z,1\n2026-01-05T00:00Z,1\n"


@pytest.mark.parametrize("text", ["", "\n\n", HEAD, f"{HEAD}\n2026-01-05T00:00Z,\n", CENTURY])
def test_nothing_usable(text: str) -> None:
    assert problems(text)


def test_every_problem_at_once_and_not_without_end() -> None:
    assert len(problems(f"{HEAD}\n" + "x,y\n" * 3)) == 6
    assert len(problems(f"{HEAD}\n" + "x,y\n" * 5000)) == 20


def test_a_mark_at_the_start_and_crlf_are_no_matter(tmp_path: Path) -> None:
    path = tmp_path / "f.csv"
    path.write_bytes(f"\ufeff{HEAD}\r\n2026-01-05T00:00Z,-1\r\n".encode())
    assert read_csv(path).hours == 1


@pytest.mark.parametrize("content", [b"\xff\xfe\x00\x01", None])
def test_files_that_cannot_be_read(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "f.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(BadInput, match=str(path)):
        read_csv(path)


def _write(path: Path, text: str, changed: datetime) -> None:
    path.write_text(text)
    os.utime(path, (changed.timestamp(), changed.timestamp()))


def test_as_a_source_its_time_of_change_is_the_time_of_issue(tmp_path: Path) -> None:
    path = tmp_path / "f.csv"
    _write(path, lines(NOW.replace(minute=0), [-3] * 48), NOW - timedelta(hours=5))
    forecast = fetch(source("file", path=str(path)), site(), context())
    assert forecast.issued == NOW - timedelta(hours=5)
    assert forecast.received == NOW


@pytest.mark.parametrize(
    ("text", "age_h", "words"),
    [
        (lines(NOW.replace(minute=0), [-3] * 48), 30, "issued 30 h ago"),
        (lines(NOW.replace(minute=0) - timedelta(hours=50), [-3] * 48), 1, "past"),
        ("time,air_temperature_c\nrubbish,1\n", 1, "line 2, time"),
    ],
)
def test_a_file_that_is_no_use_now(tmp_path: Path, text: str, age_h: float, words: str) -> None:
    path = tmp_path / "f.csv"
    _write(path, text, NOW - timedelta(hours=age_h))
    with pytest.raises(WeatherError, match=words) as caught:
        fetch(source("file", path=str(path)), site(), context())
    assert caught.value.kind == "temporary"


def test_no_file_and_no_path(tmp_path: Path) -> None:
    with pytest.raises(WeatherError, match="a file that can be read"):
        fetch(source("file", path=str(tmp_path / "none.csv")), site(), context())
    with pytest.raises(WeatherError, match="no path") as caught:
        fetch(source("file"), site(), context())
    assert caught.value.kind == "permanent"


def test_json(tmp_path: Path) -> None:
    hours = [{"time": f"2026-01-05T{h}:00Z", "air_temperature_c": -h, "wind_speed_m_s": None} for h in range(14, 20)]
    body = {"issued": "2026-01-05T12:00Z", "credit": "Mine", "elevation_m": 310, "hours": hours}
    path = tmp_path / "f.json"
    path.write_text(json.dumps(body))
    forecast = fetch(source("file", path=str(path)), site(), context())
    assert forecast.credit == "Mine"
    assert forecast.elevation_m == 310.0
    assert forecast.issued == datetime(2026, 1, 5, 12, tzinfo=UTC)
    np.testing.assert_allclose(forecast.air_k[0], 273.15 - np.arange(14, 20))


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"hours": 3}', '{"hours": [1]}', '{"hours": []}', "{"])
def test_json_that_is_none(text: str) -> None:
    with pytest.raises(BadInput):
        parse_json(text, "f.json", NOW)
