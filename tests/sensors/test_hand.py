"""Entered by hand: what may be said, times as people write them, corrections, lists. Through the real command."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from monitor.commands import _record, reading
from monitor.model.errors import BadInput
from monitor.model.reading import Quantity, SetAside
from monitor.sensors import hand, plausible
from monitor.sensors.when import when
from monitor.store import Store
from tests.sensors.scene import AT, site

POUND = 0.45359237
FILE = """
[site]
name = "Test (invented)"
latitude = 45.0
longitude = -100.0
timezone = "America/Denver"
[[cylinder]]
name = "A"
size = "40 lb"
[[cylinder]]
name = "B"
size = "40 lb"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
"""


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    (tmp_path / "site.toml").write_text(FILE)
    return ["--site", str(tmp_path / "site.toml"), "--store", str(tmp_path / "b.db")]


def run(*arguments: str) -> str:
    app = typer.Typer()
    reading.register(app)
    app.command("other")(lambda: None)
    done = CliRunner().invoke(app, ["reading", *arguments])
    if done.exception is not None:
        raise done.exception
    return done.stdout


def test_each_way_of_saying_it() -> None:
    said = {
        "weighs": "52.4 lb", "left": "9 kg", "share": "45 %", "gauge": "60 %", "height": "10 in", "line": "half",
        "pressure": "60 psi", "valve": "shut", "air": "12 degF",
    }  # fmt: skip
    assert set(said) == set(hand.WAYS)
    found = {(r.quantity, r.noise is None): r for r in hand.readings(site(), "a", said, AT, AT)}
    assert found[Quantity.GROSS_WEIGHT, True].value == pytest.approx(52.4 * POUND)
    assert found[Quantity.PROPANE_LEFT, True].value == 9.0
    assert found[Quantity.SHARE_OF_FULL, True].value == pytest.approx(0.45)
    assert found[Quantity.GAUGE_PERCENT, True].value == pytest.approx(0.60)
    assert found[Quantity.GAUGE_PERCENT, False].value == pytest.approx(0.50)  # the warm-water line: wide
    assert found[Quantity.GAUGE_PERCENT, False].noise == 0.10
    assert found[Quantity.LIQUID_HEIGHT, True].value == pytest.approx(0.254)
    assert found[Quantity.CONTAINER_PRESSURE, True].value == pytest.approx(413_685, rel=1e-5)
    assert found[Quantity.VALVE, True].value == 0.0
    assert found[Quantity.AIR_TEMPERATURE, True].value == pytest.approx(262.04, abs=0.01)
    assert {r.subject for r in found.values()} == {"A", "site"}
    assert {r.source for r in found.values()} == {"hand"}
    line = hand.readings(site(), "A", {"line": "10 in"}, AT, AT)[0]
    assert (line.quantity, line.noise) == (Quantity.LIQUID_HEIGHT, 0.05)


def test_every_problem_at_once() -> None:
    with pytest.raises(BadInput) as caught:
        hand.readings(site(), "C", {"weighs": "-3 lb", "gauge": "60", "valve": "ajar", "line": "high"}, AT, AT)
    assert [p.key for p in caught.value.problems] == ["cylinder", "--weighs", "--gauge", "--valve", "--line"]
    with pytest.raises(BadInput, match="heavier than full plus 5 %"):
        hand.readings(site(), "A", {"weighs": "80 lb"}, AT, AT)
    with pytest.raises(BadInput, match=r"(?s)5 %.*DANGER.*overfilled by 11.*Do not use it.*Call the supplier"):
        hand.readings(site(), "A", {"weighs": "80 lb"}, AT, AT)
    with pytest.raises(BadInput, match="5 %") as beyond:
        hand.readings(site(), "A", {"weighs": "180 lb"}, AT, AT)
    assert "DANGER" not in str(beyond.value), "no cylinder of its size can hold so much"
    with pytest.raises(BadInput, match="one of: A, B"):
        hand.readings(site(), None, {"weighs": "50 lb"}, AT, AT)


ZONE = "America/Denver"
NOON = datetime(2026, 1, 5, 19, tzinfo=UTC)  # 12:00 there


@pytest.mark.parametrize(
    ("text", "hours_before"),
    [
        ("now", 0.0), ("2 h ago", 2.0), ("30 min ago", 0.5), ("1.5 days ago", 36.0), ("11:30", 0.5), ("0:00", 12.0),
        ("yesterday 18:00", 18.0), ("today 6:00", 6.0), ("2026-01-04 12:00", 24.0), ("2026-01-05T18:00:00Z", 1.0),
        ("2026-01-05 11:00-07:00", 1.0), ("12:01", 0.0),
    ],
)  # fmt: skip
def test_times_as_people_write_them(text: str, hours_before: float) -> None:
    assert when(text, NOON, ZONE) == NOON - timedelta(hours=hours_before)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("18:30", 'write "yesterday 18:30"'), ("2026-01-06 12:00", "still to come"), ("25:00", "00 to 23"),
        ("2026-01-04", "the hour is missing"), ("noon", "a time such as"), ("2025-03-09 02:30", "went forward"),
        ("2025-11-02 01:30", "came twice"), ("99999 weeks ago", "in the year 1"),
    ],
)  # fmt: skip
def test_what_is_no_time_that_has_been(text: str, why: str) -> None:
    with pytest.raises(BadInput, match=why):
        when(text, NOON, ZONE)


def test_enter_correct_and_list(files: list[str], tmp_path: Path) -> None:
    assert "Kept as reading 1: A: weighs 52.4 lb (propane" in run("A", "--weighs", "52.4 lb", "--note", "in", *files)
    run("B", "--gauge", "60 %", "--at", "2 h ago", *files)
    assert "instead of 1" in run("A", "--weighs", "51.4 lb", "--correct", "1", *files)
    listed = json.loads(run("--list", "--json", *files))
    assert {r["id"] for r in listed} == {1, 2, 3}
    by = {r["id"]: r for r in listed}
    assert by[3]["corrects"] == 1
    assert by[3]["time"] == by[1]["time"]  # a correction is of the same time unless told otherwise
    text = run("--list", "A", *files)
    assert "corrected" in text
    assert "gauge" not in text
    with Store.open(tmp_path / "b.db") as store:
        assert [r.id for r in store.readings()] == [2, 3]


def test_a_wrong_correction_changes_nothing(files: list[str], tmp_path: Path) -> None:
    run("A", "--weighs", "52.4 lb", *files)
    for arguments, why in (
        (["A", "--weighs", "51 lb", "--correct", "7"], "the number of a reading"),
        (["B", "--weighs", "51 lb", "--correct", "1"], "1 is of A"),
        (["A", "--weighs", "51 lb", "--left", "4 kg", "--correct", "1"], "one value"),
        (["A"], "nothing read"),
        (["--list", "A", "--weighs", "51 lb"], "either to list or to enter"),
        (["--list", "C"], "the name of a cylinder"),
    ):
        with pytest.raises(BadInput, match=why):
            run(*arguments, *files)
    with Store.open(tmp_path / "b.db") as store:
        assert len(store.readings(include_corrected=True)) == 1


def test_what_was_set_aside_is_listed_with_the_reason(files: list[str], tmp_path: Path) -> None:
    assert "Nothing was set aside" in run("--set-aside", *files)
    with Store.open(tmp_path / "b.db") as store:
        store.add_set_aside(SetAside(AT, "scale", "A", "gross_weight", "[bold]-1[/bold]", "-2.2 lb: negative"))
    text = run("--set-aside", *files)
    assert "negative" in text
    assert "[bold]" in text.replace("\n", "")
    assert json.loads(run("--set-aside", "--json", *files))[0]["reason"] == "-2.2 lb: negative"


def test_no_more_liquid_than_an_entry_in_the_record_may_have() -> None:
    assert plausible.LIQUID_FULL == _record.LIQUID_FULL
