"""CSV import: forms, faults by line, dry run, and that doing it twice changes nothing."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from monitor.commands import importing
from monitor.model.errors import BadInput
from monitor.model.reading import Quantity
from monitor.sensors import csvfile
from monitor.store import Store
from tests.sensors.scene import AT, site
from tests.sensors.test_hand import FILE

POUND = 0.45359237
GOOD = """time,cylinder,weighs_lb,air_f,note
2025-12-01 07:30,A,62.4,21,first
2025-12-08 07:30,A,55.1,,
2025-12-08T07:35:00-07:00,b,60,14,
"""


def test_columns_with_the_unit_in_the_name() -> None:
    found = csvfile.parse(GOOD, site(), AT)
    assert not found.problems
    assert [(r.subject, r.quantity) for r in found.readings] == [
        ("A", Quantity.GROSS_WEIGHT), ("site", Quantity.AIR_TEMPERATURE), ("A", Quantity.GROSS_WEIGHT),
        ("B", Quantity.GROSS_WEIGHT), ("site", Quantity.AIR_TEMPERATURE),
    ]  # fmt: skip
    assert found.readings[0].value == pytest.approx(62.4 * POUND)
    assert found.readings[0].time == datetime(2025, 12, 1, 14, 30, tzinfo=UTC)
    assert found.readings[0].note == "first"
    assert found.readings[4].value == pytest.approx(263.15)
    assert {r.source for r in found.readings} == {"import"}


def test_every_column_of_values() -> None:
    sample = {"air": "10", "echo": "600", "left": "9", "share": "50", "gauge": "60", "volume": "5", "valve": "1"}
    for column, (quantity, _unit) in csvfile.VALUES.items():
        sample["weighs"] = "20" if column.endswith("kg") else "50"
        text = f"time,cylinder,{column}\n2025-12-01 07:30,A,{sample.get(column.split('_')[0], '20')}\n"
        found = csvfile.parse(text, site(), AT)
        assert not found.problems, column
        assert found.readings[0].quantity == quantity


def test_long_form_semicolons_and_decimal_commas() -> None:
    text = "time;cylinder;quantity;value;unit\n2025-12-01 07:30;A;gross weight;25,4;kg\n1764599400;A;battery;88;%\n"
    found = csvfile.parse("\ufeff"[:0] + text, site(), AT)
    assert [r.value for r in found.readings] == [25.4, pytest.approx(0.88)]


def test_a_value_without_its_unit_is_no_kilogram() -> None:
    text = "time,cylinder,quantity,value,unit\n2025-12-01 07:30,A,gross_weight,25.4,\n2025-12-01 07:30,A,valve,1,\n"
    found = csvfile.parse(text, site(), AT)
    assert [p.line for p in found.problems] == [2]
    assert "no unit: write it in the column unit" in found.problems[0].hint
    assert [r.quantity for r in found.readings] == [Quantity.VALVE]


def test_faults_are_told_by_line_all_at_once() -> None:
    text = (
        "time,cylinder,weighs_lb,quantity,value,unit\n2025-12-01 07:30,A,-3,,,\n2025-12-01 07:30,C,50,,,\n"
        "yesterday,A,50,,,\n2999-01-01 00:00,A,50,,,\n2025-12-01 07:30,A,90,,,\n2025-12-01 07:30,A,fifty,,,\n"
        '2025-12-01 07:30,A,"1,234",,,\n2025-12-01 07:30,A,50 kg,,,\n2025-12-01\n2025-12-01 07:30,A,,weight,3,kg\n'
        "2025-12-01 07:30,A,,gross_weight,3,psi\n2025-03-09 02:30,A,50,,,\n\n2025-12-01 07:31,A,50,,,\n"
    )
    found = csvfile.parse(text, site(), AT)
    assert [p.line for p in found.problems] == [2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13]
    assert [r.value for r in found.readings] == [pytest.approx(50 * POUND)]
    words = " ".join(map(str, found.problems))
    for part in (
        "negative",
        "no cylinder",
        "still to come",
        "heavier than full",
        "the column says the unit",
        "another unit",
    ):
        assert part in words, part
    assert len(csvfile.parse("time,left_kg,cylinder\n" + "x,1,A\n" * 80, site(), AT).problems) == 50


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no column time"), ("time,weight\n", 'column "weight"'), ("time,cylinder\n", "no column with a value"),
        ("time,weighs_kg\n", "no column cylinder"), ("time,time,air_c\n", "twice"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_at_all(text: str, why: str) -> None:
    with pytest.raises(BadInput, match=why):
        csvfile.parse(text, site(), AT)


def test_a_file_cut_off_in_a_cell_says_so() -> None:
    found = csvfile.parse('time,air_c\n2025-12-01 07:30,-5\n"2025', site(), AT)
    assert len(found.readings) == 1
    assert found.problems[0].line == 3


@given(
    st.text(max_size=200)
    | st.lists(st.text('0123456789,.-;ab \n"', max_size=40), max_size=5).map(lambda r: GOOD + "\n".join(r))
)
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        found = csvfile.parse(text, site(), AT)
    except BadInput:
        return
    assert all(r.value is None or r.value >= 0 for r in found.readings)


def run(*arguments: str) -> tuple[int, str]:
    app = typer.Typer()
    importing.register(app)
    app.command("other")(lambda: None)
    done = CliRunner().invoke(app, ["import", *arguments])
    if isinstance(done.exception, BadInput):
        return 2, str(done.exception)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.stdout


def test_dry_run_then_import_then_again(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(FILE)
    file = tmp_path / "readings.csv"
    file.write_text(GOOD)
    files = [str(file), "--site", str(tmp_path / "site.toml"), "--store", str(tmp_path / "b.db")]
    code, text = run(*files, "--dry-run")
    assert code == 0
    assert "Would take 5 readings" in text
    with Store.open(tmp_path / "b.db") as store:
        assert store.readings() == []
    code, text = run(*files)
    assert (code, "Took 5 readings; 0 known" in text) == (0, True)
    code, text = run(*files, "--json")
    assert json.loads(text)["known"] == 5
    file.write_text(GOOD + "2025-12-15 07:30,A,nonsense,,\n2025-12-15 07:31,A,50,,\n")
    code, text = run(*files)
    assert (code, "line 5" in text) == (2, True)
    assert run(*files, "--dry-run")[0] == 2
    with Store.open(tmp_path / "b.db") as store:
        assert len(store.readings()) == 5
    assert "Took 1 readings; 5 known already; 1 faults" in run(*files, "--skip-bad")[1]


def test_a_file_that_is_not_there_or_no_text(tmp_path: Path) -> None:
    with pytest.raises(BadInput):
        csvfile.read(tmp_path / "none.csv", site(), AT)
    (tmp_path / "bad.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadInput, match="UTF-8"):
        csvfile.read(tmp_path / "bad.csv", site(), AT)
