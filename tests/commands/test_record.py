"""`boiloff record` on the store of an invented household: kept, said, taken back, brought in."""

from __future__ import annotations

import csv
import json
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import typer
from typer.testing import CliRunner, Result

from monitor.commands import _record, _record_list
from monitor.commands import reading as reading_command
from monitor.commands import record as record_command
from monitor.model.errors import BadInput
from monitor.service.levels import Levels
from monitor.site import load
from monitor.store import Store
from monitor.store.record import Event

SITE = """
[site]
name = "Test yard (invented)"
latitude = 45.0
longitude = -90.0
timezone = "America/Chicago"
[[cylinder]]
name = "A"
size = "40 lb"
manufactured = "2014-03"
[[cylinder]]
name = "B"
size = "20 lb"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
[[weather]]
kind = "open-meteo"
[record]
hose_every = "10 years"
"""
POUND = 0.453_592_37
Run = Callable[..., Any]


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder with a site file."""
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    return tmp_path


@pytest.fixture
def run(home: Path) -> Run:
    """Run a command there and return what it prints as JSON; its errors are raised."""
    app = typer.Typer()
    record_command.register(app)
    reading_command.register(app)

    def call(*words: str, plain: bool = False) -> Any:
        more = ["--site", str(home / "site.toml"), "--store", str(home / "b.db")]
        result: Result = CliRunner().invoke(app, [*words, *more, *([] if plain else ["--json"])])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result.output if plain else json.loads(result.output)

    return call


def level_kg(home: Path, name: str) -> float | None:
    """What the service says that a cylinder holds now; None where it knows nothing."""
    with Store.open(home / "b.db") as store:
        levels = Levels().now(load(home / "site.toml"), store, datetime.now(UTC), None).levels
    found = next(x for x in levels if x.cylinder == name)
    return found.left_kg if found.reading_time is not None else None


EACH: dict[str, tuple[str, ...]] = {
    "fill": ("A", "--before", "45 lb", "--after", "68 lb", "--paid", "23 lb", "--price", "30"),
    "exchange": ("B", "--tare", "18 lb", "--water-capacity", "47.6 lb", "--weighs", "33 lb"),
    "purchase": ("--what", "gloves", "--price", "12"),
    "trip": ("--cost", "6.50", "--distance", "14 mi", "--duration", "50 min"),
    "leak-check": ("--result", "tight"),
    "regulator": ("--rating", "200000 Btu/h", "--made", "2024-05"),
    "hose": ("--made", "2020-01"),
    "marks": ("A", "--tare", "29 lb", "--requalified", "2024-05", "--requalification", "volumetric"),
    "delivery": ("--mass", "250 lb", "--price", "300"),
}


@pytest.mark.parametrize("kind", EACH)
def test_any_entry_is_taken_back_and_brought_back(run: Run, home: Path, kind: str) -> None:
    kept = run("record", kind, *EACH[kind])
    told = level_kg(home, "A"), level_kg(home, "B")
    assert any(told) == (kind in {"fill", "exchange"})
    undone = run("record", "undo", str(kept["id"]))
    assert run("record", "list") == []
    assert level_kg(home, "A") is None
    assert level_kg(home, "B") is None
    both = run("record", "list", "--all")
    assert [e["id"] for e in both] == [undone["id"], kept["id"]]  # nothing is gone
    assert both[1]["payload"] == kept["payload"]
    run("record", "undo", str(undone["id"]))
    assert [e["id"] for e in run("record", "list")] == [kept["id"]]
    for was, now in zip(told, (level_kg(home, "A"), level_kg(home, "B")), strict=True):
        assert now == (None if was is None else pytest.approx(was, rel=1e-4))  # a second of use lies between
    with pytest.raises(BadInput, match="undone before"):
        run("record", "undo", str(kept["id"]))


def test_an_exchange_changes_the_level_from_its_time_on(run: Run, home: Path) -> None:
    run("reading", "B", "--weighs", "35 lb", "--at", "3 h ago")
    tare = load(home / "site.toml").cylinder("B").tare_kg
    assert level_kg(home, "B") == pytest.approx(35 * POUND - tare, abs=0.2)
    run("record", "exchange", "B", "--tare", "20 lb", "--water-capacity", "47.6 lb", "--at", "2 h ago")
    assert level_kg(home, "B") is None  # another cylinder, not weighed: neither the old level nor a full one
    run("reading", "B", "--weighs", "31 lb", "--at", "1 h ago")
    assert level_kg(home, "B") == pytest.approx(11 * POUND, abs=0.2)
    run("record", "undo", "1")
    back = level_kg(home, "B")  # the first cylinder again, of which 4 lb went within two hours: the filter is wary
    assert back is not None
    assert 31 * POUND - tare - 0.2 <= back <= 35 * POUND - tare + 0.2


def test_a_service_that_runs_notices_an_exchange(run: Run, home: Path) -> None:
    levels, site = Levels(), load(home / "site.toml")
    run("reading", "B", "--weighs", "35 lb", "--at", "3 h ago")

    def now() -> tuple[float, Any]:
        with Store.open(home / "b.db") as store:
            found = levels.now(site, store, datetime.now(UTC), None).levels[1]
        return found.left_kg, found.reading_time

    assert now()[1] is not None
    b = site.cylinder("B")  # the same stamps: only the time of the exchange tells them apart
    stamps = (f"{b.tare_kg} kg", f"{b.water_capacity_kg} kg")
    run("record", "exchange", "B", "--tare", stamps[0], "--water-capacity", stamps[1], "--at", "2 h ago")
    assert now()[1] is None
    run("reading", "B", "--weighs", "25 lb")
    assert now()[0] == pytest.approx(25 * POUND - b.tare_kg, abs=0.1)


def test_what_is_wrong_with_a_fill_is_said_at_once(run: Run) -> None:
    short = run("record", "fill", "A", "--before", "45 lb", "--after", "68 lb", "--paid", "26 lb")
    assert short["check"]["short_kg"] == pytest.approx(3 * POUND)
    assert short["warnings"][0].startswith("Short fill: 3.0 lb less")
    over = run("record", "fill", "A", "--before", "45 lb", "--after", "74 lb", "--paid", "29 lb")
    assert over["check"]["over_kg"] == pytest.approx(4 * POUND, abs=0.01)
    assert over["warnings"][0].startswith("DANGER: filled above its limit by 4.0 lb")
    good = run("record", "fill", "A", "--before", "45 lb", "--after", "70 lb", "--paid", "25 lb")
    assert (good["check"]["short_kg"], good["check"]["over_kg"]) == (0.0, 0.0)
    assert "may not be filled" in good["warnings"][0]  # made in 2014-03 and never requalified
    leak = run("record", "leak-check", "--result", "leak")
    assert "licensed fitter" in leak["warnings"][0]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("exchange", "B", "--tare", "18 lb"), "--water-capacity.*never assumed"),
        (("exchange", "B", "--tare", "18 lb", "--water-capacity", "47.6 lb", "--weighs", "50 lb"), "is the tare right"),
        (("exchange", "B", "--tare", "18", "--water-capacity", "47.6 lb"), "--tare"),
        (("fill", "A", "--after", "20 lb"), "--after.*between the tare"),
        (("fill", "A", "--before", "60 lb", "--after", "55 lb"), "more than before"),
        (("fill", "C", "--after", "20 lb"), "one of: A, B"),
        (("fill", "A"), "nothing told"),
        (("marks", "A", "--requalified", "2999-01"), "not to come"),
        (("marks", "A", "--requalification", "looked at"), "external visual"),
        (("leak-check",), "tight or leak"),
        (("purchase", "--what", "gloves", "--price", "$12"), "without its sign"),
        (("trip", "--at", "2999-01-01 12:00"), "still to come"),
        (("undo", "7"), "number of an entry"),
    ],
)
def test_bad_input_is_named_and_nothing_is_kept(run: Run, words: tuple[str, ...], says: str) -> None:
    with pytest.raises(BadInput, match=f"(?s){says}"):
        run("record", *words)
    assert run("record", "list", "--all") == []
    assert run("reading", "--list") == []


def test_a_reading_is_corrected_once_and_a_weight_far_below_the_tare_is_refused(run: Run) -> None:
    run("reading", "A", "--weighs", "60 lb")
    run("reading", "A", "--weighs", "58 lb", "--correct", "1")
    with pytest.raises(BadInput, match="--correct 2"):
        run("reading", "A", "--weighs", "59 lb", "--correct", "1")
    run("reading", "A", "--weighs", "59 lb", "--correct", "2")
    with pytest.raises(BadInput, match="far below the empty cylinder"):
        run("reading", "A", "--weighs", "15 lb")
    assert len(run("reading", "--list")) == 3
    run("reading", "A", "--weighs", "29 lb")  # a pound below its 30 lb: stamps and scales err so


def test_what_falls_due(run: Run) -> None:
    run("record", "hose", "--made", "2020-01")
    run("record", "marks", "B", "--manufactured", "2020-02")
    rows = {r["what"]: r for r in run("record", "due")}
    assert rows["requalification of A"] == {
        "what": "requalification of A", "by": "2026-03-01T00:00:00+00:00",
        "overdue": datetime.now(UTC) >= datetime(2026, 3, 1, tzinfo=UTC),
    }  # fmt: skip
    assert rows["requalification of B"]["by"].startswith("2032-02-01")
    assert rows["leak check"]["by"] is None
    assert rows["hose replacement"]["by"].startswith(("2029-12-31", "2030-01-01"))  # ten years of 365.25 days
    run("record", "leak-check", "--result", "tight", "--at", "2025-06-01 12:00")
    assert {r["what"]: r for r in run("record", "due")}["leak check"]["by"].startswith("2026-06-01")


BAD = (
    ("2999-01-01 12:00", "fill", "A", "68", "", ""),
    ("2025-01-01 12:00", "refuel", "A", "68", "", ""),
    ("2025-01-01 12:00", "fill", "Z", "68", "", ""),
    ("2025-01-01 12:00", "fill", "A", "much", "", ""),
    ("2025-01-01 12:00", "fill", "A", "15", "", ""),
)


def test_import_quotes_the_column_that_was_meant(run: Run, home: Path) -> None:
    (home / "r.csv").write_text("time,knid,cylinder\n", encoding="utf-8")
    with pytest.raises(BadInput, match='did you mean "kind"'):
        run("record", "import", str(home / "r.csv"))


def test_import_takes_the_good_and_lists_the_bad_by_line(run: Run, home: Path) -> None:
    path = home / "r.csv"
    lines = _bulk(path)
    tried = run("record", "import", str(path), "--dry-run")
    assert (tried["taken"], tried["bad"]) == (9_950, 50)
    assert run("record", "list") == []
    begin = time.process_time()  # of this process: what others do does not count
    done = run("record", "import", str(path))
    assert time.process_time() - begin < 60.0  # about 2 s on an undisturbed machine
    assert (done["taken"], done["known"], done["bad"]) == (9_950, 0, 50)
    listed = {int(f.split("line ", 1)[1].split(":", 1)[0]) for f in done["faults"]}
    assert listed == set(lines)
    assert len(run("record", "list", "--limit", "100000")) == 9_950
    again = run("record", "import", str(path))
    assert (again["taken"], again["known"], again["bad"]) == (0, 9_950, 50)


def test_import_says_what_must_be_said_and_takes_plans_and_sheets(run: Run, home: Path) -> None:
    path = home / "r.csv"
    plan = (datetime.now(UTC) + timedelta(days=3)).replace(microsecond=0)
    rows = [
        ("time", "kind", "cylinder", "after_gross_lb", "result", "steps"),
        ("2025-03-01 12:00", "fill", "A", "80", "", ""),  # overfilled too, and filled again since
        ("2025-04-01 12:00", "fill", "A", "68", "", ""),
        ("2025-04-01 12:00", "fill", "B", "45", "", ""),
        ("2025-05-01 12:00", "leak-check", "", "", "leak", ""),
        ("2025-05-02 12:00", "first-start", "", "", "", "air; Tell"),
        ("2025-05-03 12:00", "first-start", "", "", "", "air, whistle"),
        (plan.isoformat(), "planned-refill", "B", "", "", ""),
    ]
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    for words in (("--dry-run",), ()):
        done = run("record", "import", str(path), *words)
        assert (done["taken"], done["bad"]) == (6, 1)
        assert '"whistle"' in done["faults"][0]
        over, leak = sorted(done["warnings"], key=lambda text: "LEAK" in text)
        assert over.startswith("B, ")
        assert "DANGER: filled above its limit" in over
        assert "LEAK" in leak
    sheet = next(e for e in run("record", "list") if e["kind"] == "first-start")
    assert sheet["payload"] == {"steps": ["air", "tell"]}
    due = {r["what"]: r for r in run("record", "due")}
    assert due["planned refill of B"]["by"] == plan.isoformat()


def _bulk(path: Path) -> list[int]:
    """10,000 rows, 50 of them bad in five ways; a cylinder is exchanged halfway, and weights follow its tare."""
    bad_lines, start = [], datetime(2010, 1, 1, 18, tzinfo=UTC)
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(("time", "kind", "cylinder", "after_gross_lb", "price", "tare", "water_capacity"))
        for k in range(10_000):
            at = (start + timedelta(hours=13) * k).isoformat()
            if k == 5_000:
                out.writerow((at, "exchange", "A", "", "", "20 lb", "95.2 lb"))
            elif k % 200 == 7:
                out.writerow((*BAD[k // 200 % 5][:4], "", "", ""))
                bad_lines.append(k + 2)
            else:
                least = 60 if k < 5_000 else 22  # 22 lb is far below the first one's tare, and fits the second's
                out.writerow((at, "fill", "A", str(least + k % 9), "30.5", "", ""))
    return bad_lines


def test_a_file_of_no_use_is_refused_whole(run: Run, home: Path) -> None:
    path = home / "r.csv"
    path.write_text("time,kind,cylindr,paid\n", encoding="utf-8")
    with pytest.raises(BadInput, match=r'(?s)did you mean "cylinder".*no "cylinder"'):
        run("record", "import", str(path))


def test_an_entry_and_its_reading_are_kept_together_or_not_at_all(home: Path) -> None:
    from monitor.model.reading import Quantity, Reading

    now = datetime.now(UTC)
    with Store.open(home / "b.db") as store:
        weighed = Reading(now, now, "A", Quantity.GROSS_WEIGHT, 20.0, "hand")
        with pytest.raises(BadInput):
            store.add_entry(Event("fill", "A", now, now, {"x": float("nan")}), [weighed])
        assert store.readings() == []
        assert store.entries() == []
        number = store.add_entry(Event("fill", "A", now, now), [weighed])
        store.undo_event(number, now)
        assert store.readings() == []
        assert store.latest_readings() == []
        assert len(store.readings(include_corrected=True)) == 2


def test_a_way_driven_is_told_in_miles_and_asked_for_as_a_distance(run: Run) -> None:
    trip = ("record", "trip", "--cost", "6.5", "--duration", "50 min", "--distance", "14 mi")
    assert "cost 6.50; distance 14 mi; duration 50 min" in run(*trip, plain=True)
    assert run("record", "list")[0]["payload"]["distance_m"] == pytest.approx(14 * 1609.344)
    with pytest.raises(BadInput, match=r'expected a distance such as "14 mi" or "22 km"') as error:
        run("record", "trip", "--distance", "14")
    assert " in" not in error.value.problems[0].hint


def test_an_hour_of_one_digit_and_a_decimal_comma_are_read_and_what_could_be_either_is_not(run: Run) -> None:
    kept = run("record", "trip", "--cost", "6,50", "--at", "2025-06-01 8:00")
    assert kept["payload"]["cost"] == 6.5
    assert kept["time"] == "2025-06-01T13:00:00+00:00"
    for words in (("trip", "--cost", "1,250"), ("trip", "--at", "2025-06-1 8:00"), ("delivery",)):
        with pytest.raises(BadInput):
            run("record", *words)


def test_a_day_to_come_is_listed_by_the_sites_clock(run: Run) -> None:
    run("record", "planned-refill", "tomorrow 22:00")  # of the next day already in UTC
    local = datetime.now(ZoneInfo("America/Chicago")) + timedelta(days=1)
    assert f"planned refill: by {local:%Y-%m-%d} ({local:%Y-%m-%d} 22:00" in run("record", "due", plain=True)
    assert "requalification of A: by 2026-03-01 (" in run("record", "due", plain=True)  # a stamp's month, of no zone
    with pytest.raises(BadInput, match=r"^when: got nothing"):
        run("record", "planned-refill")


def test_a_planned_refill_is_a_time_to_come(run: Run, home: Path) -> None:
    zone = ZoneInfo(load(home / "site.toml").timezone)
    tomorrow = (datetime.now(zone) + timedelta(days=1)).date()
    kept = run("record", "planned-refill", "tomorrow 9:30", "A")
    local = datetime.fromisoformat(kept["time"]).astimezone(zone)
    assert (kept["subject"], local.date(), f"{local:%H:%M}") == ("A", tomorrow, "09:30")
    kept = run("record", "planned-refill", f"{tomorrow}")
    local = datetime.fromisoformat(kept["time"]).astimezone(zone)
    assert (kept["subject"], local.date(), f"{local:%H:%M}") == ("site", tomorrow, "18:00")
    for wrong in ("", "soon", "2020-01-01", "2199-01-01 10:00", "2 h ago", "tomorrow 25:00", "2027-02-31"):
        with pytest.raises(BadInput, match=r"to come|a time such as"):
            run("record", "planned-refill", wrong)
    assert len(run("record", "list")) == 2
    run("record", "undo", "1")
    assert [e["id"] for e in run("record", "list")] == [2]


def test_more_paid_for_than_fits_is_told_at_once(run: Run) -> None:
    told = run("record", "fill", "A", "--paid", "55 lb", "--price", "30")["warnings"]
    assert "more than A takes" in told[0]
    assert "Weigh it before it goes into use" in told[0]
    assert not any("takes" in w for w in run("record", "fill", "A", "--paid", "38 lb")["warnings"])


def test_an_undo_without_a_number_shows_the_newest_entries(
    run: Run, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(BadInput, match="nothing is in the record yet"):
        run("record", "undo")
    for k in range(7):
        run("record", "trip", "--cost", f"{k + 1}.25")
    with pytest.raises(BadInput, match="such as `boiloff record undo 7`"):
        _record_list.undo(None, "", _record.Asked(home / "site.toml", home / "b.db"))
    told = capsys.readouterr().err
    assert [cost for cost in range(1, 8) if f"cost {cost}.25" in told] == [3, 4, 5, 6, 7]
    assert run("record", "list")[0]["id"] == 7  # nothing was taken back
