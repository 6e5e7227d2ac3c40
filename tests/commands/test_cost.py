"""`boiloff cost` and `boiloff year` on the store of an invented household."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from monitor.commands import _cost, _sheet, _year
from monitor.model.alert import Judgement, Transition
from monitor.model.reading import Quantity, Reading
from monitor.outlook import cost
from monitor.service.due import reminders
from monitor.site import load
from monitor.store import Store
from monitor.store.record import Event

SITE = """
[site]
name = "Test yard (invented)"
latitude = 45.0
longitude = -90.0
timezone = "America/Chicago"
units = "{units}"
[[cylinder]]
name = "A"
size = "40 lb"
manufactured = "2014-03"
[[cylinder]]
name = "B"
size = "40 lb"
valve = "closed"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
[[weather]]
kind = "open-meteo"
[cost]
currency = "USD"
trip = 6.0
burner_efficiency = "45 %"
[[offer]]
name = "Delivery (invented)"
price = "1.00 / kg"
tank = "120 gal"
contract = "2 years"
fees = [
  {{ name = "Tank rent", amount = 60.0, per = "year" }},
  {{ name = "Call-out", amount = 9.5, per = "delivery" }},
  {{ name = "Taking away", amount = 80.0, per = "end of the contract" }},
]
"""
FIRST = datetime(2025, 10, 1, 5, tzinfo=UTC)  # local midnight
DAYS, KG_D = 92, 0.3
NOW = datetime(2026, 1, 15, 18, tzinfo=UTC)


def keep(store: Store, kind: str, when: datetime, subject: str = "A", /, **payload: Any) -> int:
    return store.add_event(Event(kind, subject, when, when, payload))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """October to December 2025: 0.3 kg a day from A, weighed each six hours; filled twice, one fill without a price."""
    path = tmp_path_factory.mktemp("cost")
    for units in ("us", "metric"):
        (path / f"{units}.toml").write_text(SITE.format(units=units))
    site = load(path / "us.toml")
    tare = site.cylinder("A").tare_kg
    fills = {31: 15.0, 61: 15.0}
    readings, left = [], 17.0
    with Store.open(path / "b.db") as store:
        for k in range(DAYS * 4):
            day, at = k // 4, FIRST + timedelta(hours=6 * k)
            if k % 4 == 2 and day in fills:
                before, left = left, fills[day]
                paid = {"price": 24.0} if day == 31 else {}
                keep(store, "fill", at, before_gross_kg=tare + before, after_gross_kg=tare + left, **paid)
            readings.append(Reading(at, at, "A", Quantity.GROSS_WEIGHT, tare + left, "scale", noise=0.02))
            air = 255.0 if (day, k % 4) == (70, 1) else 262.0 if k % 4 == 2 else 272.0
            air = 240.0 if (day, k % 4) == (20, 2) else air  # at noon: colder, but no night
            readings.append(Reading(at, at, "site", Quantity.AIR_TEMPERATURE, air, "yard"))
            left -= KG_D / 4
        store.add_readings(readings)
        keep(store, "leak-check", FIRST + timedelta(days=5), "site", result="tight", method="soap water")
        keep(store, "hose", FIRST + timedelta(days=6), "site", price=18.0)
        wrong = keep(store, "purchase", FIRST + timedelta(days=7), "site", what="scale", price=999.0)
        store.undo_event(wrong, FIRST + timedelta(days=8))
        at = FIRST + timedelta(days=40)
        steps = [
            Transition("low-fuel/A", "o1", at, "normal", "unacknowledged", "test"),
            Transition("low-fuel/A", "o1", at, "acknowledged", "unacknowledged", "worse"),
            Transition("low-fuel/A", "o2", at, "normal", "unacknowledged", "test"),
        ]
        store.commit_judgement(Judgement((), tuple(steps), ()), [])
    return path


def boiloff(folder: Path, *args: str, units: str = "us") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", args[0], "--site", str(folder / f"{units}.toml"),
         "--store", str(folder / "b.db"), *args[1:]],
        capture_output=True, text=True, timeout=60, check=False, env={**os.environ, "COLUMNS": "100"},
    )  # fmt: skip


def test_json_by_hand(folder: Path) -> None:
    done = boiloff(folder, "cost", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    months = {m["span"]: m for m in found["months"]}
    assert list(months) == ["2025-10", "2025-11", "2025-12"]
    assert months["2025-11"]["used_kg"] == pytest.approx(30 * KG_D, rel=0.06)
    assert months["2025-11"]["fuel"] == {"amount": 24.0, "entries": 1, "without_price": 0}
    assert months["2025-11"]["together"] == pytest.approx(30.0)
    assert months["2025-12"]["fuel"] == {"amount": None, "entries": 1, "without_price": 1}
    assert months["2025-12"]["missing"] == ["1 of 1 fills has no price"]
    assert months["2025-10"]["other"]["amount"] == 18.0, "what was undone does not count"
    added = 15.0 - (17.0 - 31.5 * KG_D)
    assert found["price"]["gas"]["kg"] == pytest.approx(24.0 / added, rel=1e-6)
    assert found["price"]["burner_efficiency"] == 0.45
    assert found["use"]["kg_year"] == pytest.approx(KG_D * 365.25, rel=0.06)
    assert "seasons" in found["use"]["basis"]


def test_offer_in_json(folder: Path) -> None:
    """100 kg a year: 100 + 60 + one delivery in two years (120 gal x 4.24 lb x 0.5 = 115 kg) + 80 / 2."""
    found = json.loads(boiloff(folder, "cost", "--json", "--use", "50 kg").stdout)
    (offer,) = found["offers"]
    assert offer["deliveries"] == pytest.approx(0.5)
    assert offer["year"] == pytest.approx(50.0 + 60.0 + 9.5 / 2 + 40.0)
    assert found["cylinders"]["year"] == pytest.approx(50.0 * found["price"]["gas"]["kg"] + 6.0 * round_up(50.0, found))
    spans = offer["cheaper"]
    assert spans[0]["cheaper"] == "cylinders"
    assert spans[-1]["cheaper"] == "Delivery (invented)"
    assert spans[0]["from_kg_year"] == 0.0


def round_up(kg: float, found: dict[str, Any]) -> int:
    """Trips for so much, each as large as the two in the record on average."""
    masses = [m["taken_kg"] for m in found["months"] if m["taken_kg"]]
    return -int(-kg // (sum(masses) / len(masses)))


@pytest.mark.parametrize("units", ["us", "metric"])
def test_text(folder: Path, units: str) -> None:
    done = boiloff(folder, "cost", units=units)
    assert done.returncode == 0, done.stderr
    assert "2025-12: 1 of 1 fills has no price" in done.stdout
    assert "Delivery (invented)" in done.stdout
    assert "cheaper" in done.stdout
    assert ("gallon" in done.stdout) == (units == "us")
    assert ("litre" in done.stdout) == (units == "metric")


def test_csv(folder: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(boiloff(folder, "cost", "--csv").stdout)))
    assert [r["month"] for r in rows] == ["2025-10", "2025-11", "2025-12"]
    assert rows[2]["fuel_cost"] == ""
    assert rows[2]["fills_without_price"] == "1"
    year = list(csv.DictReader(io.StringIO(boiloff(folder, "cost", "--csv", "--by", "year").stdout)))
    assert [r["year"] for r in year] == ["2025"]
    assert float(year[0]["fuel_cost"]) == 24.0
    days = list(csv.DictReader(io.StringIO(boiloff(folder, "cost", "--csv", "--by", "day").stdout)))
    assert len(days) == DAYS - 1, "the first day began before the first reading, so its use is not known"
    assert float(days[-2]["used_kg"]) == pytest.approx(KG_D, rel=0.3)


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("cost", "--by", "week"), "--by"),
        (("cost", "--csv", "--json"), "--csv"),
        (("cost", "--use", "12"), "--use"),
        (("cost", "--use", "0 kg"), "--use"),
        (("year", "3000"), "YEAR"),
    ],
)
def test_bad_input_is_named(folder: Path, args: tuple[str, ...], said: str) -> None:
    done = boiloff(folder, *args)
    assert done.returncode == 2
    assert said in done.stderr


def test_no_database_is_said(folder: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "cost", "--site", str(folder / "us.toml"), "--store",
         str(tmp_path / "none.db")], capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 3
    assert "no database" in done.stderr


def test_an_empty_record_is_said(tmp_path: Path, folder: Path) -> None:
    with Store.open(tmp_path / "b.db") as store:
        found = _cost.money(load(folder / "us.toml"), store, NOW)
        assert found.price.kg is None
        assert found.months == ()
        assert found.use_kg is None
        sheet = _sheet.text("t", _year.sections(_year.gather(found.site, store, 2025, NOW)))
    assert "Nothing is known of this year" in sheet
    assert "Price of gas: not known" in sheet
    assert "no outdoor thermometer" in sheet
    assert "no date is known" in sheet


# -- the year ---------------------------------------------------------------------------------------------------------


def gathered(folder: Path, year: int = 2025, units: str = "us") -> _year.Year:
    with Store.open(folder / "b.db", readonly=True) as store:
        return _year.gather(load(folder / f"{units}.toml"), store, year, NOW)


def test_year_by_hand(folder: Path) -> None:
    found = _year.plain(gathered(folder))
    assert found["whole"] is True
    assert found["sums"]["used_kg"] == pytest.approx(DAYS * KG_D, rel=0.06)
    assert found["sums"]["fuel"] == {"amount": 24.0, "entries": 2, "without_price": 1}
    assert found["price"]["basis"] == "1 of 2 fills has a price and a mass"
    assert _year.plain(gathered(folder, 2026))["price"]["gas"] is None, "no fill of that year has a price"
    assert found["coldest_night"]["air_k"] == 255.0, "what was colder came at noon"
    assert found["alerts"] == [{"kind": "Fuel low", "raised": 2}]
    assert [d["what"] for d in found["done"]] == ["leak check: tight (soap water)", "hose replaced"]
    due = {d["what"]: d["by"] for d in found["due"]}
    assert due["leak check"].startswith("2026-10-06"), "365.25 days after the last one"
    assert due["requalification of A"].startswith("2026-03"), "12 years from manufacture: 49 CFR 180.209"
    assert due["requalification of B"] is None


@pytest.mark.parametrize("units", ["us", "metric"])
def test_sheet_fits_a_page_of_80_columns(folder: Path, units: str) -> None:
    found = gathered(folder, units=units)
    lines = _sheet.text(_year.title(found), _year.sections(found)).splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) + 12 - len(found.months) <= 66  # lines of a printed page, with every month there


def test_wide_text_is_wrapped() -> None:
    table = _sheet.Table(("a", "b"), (("x" * 30, "y " * 40),))
    lines = _sheet.text("title " * 30, [_sheet.Section("s", ("word " * 60,), table)]).splitlines()
    assert max(map(len, lines)) <= 80


class Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.loads: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        self.loads += [v or "" for k, v in attrs if k in {"src", "href"}]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_html_stands_alone(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "year.html"
    done = boiloff(folder, "year", "2025", "--html", str(file))
    assert done.returncode == 0, done.stderr
    page = Page()
    page.feed(file.read_text(encoding="utf-8"))
    assert page.open == []
    assert page.loads == []
    assert not {"script", "img", "link"} & set(page.seen)
    assert page.seen.count("tr") == 1 + 3 + 1
    failed = boiloff(folder, "year", "2025", "--html", str(tmp_path / "none" / "year.html"))
    assert failed.returncode == 3


def test_html_escapes() -> None:
    made = _sheet.html("<b>", [_sheet.Section("<i>", ("<u>",), _sheet.Table(("<s>",), (("<q>",),)))])
    assert not any(f"<{tag}>" in made for tag in "biusq")


def test_year_command(folder: Path) -> None:
    done = boiloff(folder, "year", "2025")
    assert done.returncode == 0, done.stderr
    assert "gas in 2025" in done.stdout
    found = json.loads(boiloff(folder, "year", "2025", "--json").stdout)
    assert found["year"] == 2025
    assert found["forecast"] == []


def test_what_falls_due(folder: Path, tmp_path: Path) -> None:
    """A leak that was found stands until a check finds it mended; a hose is due at the age its maker gives."""
    text = SITE.format(units="us") + '[record]\nhose_every = "1 year"\n'
    (tmp_path / "site.toml").write_text(text)
    site = load(tmp_path / "site.toml")
    with Store.open(tmp_path / "b.db") as store:
        keep(store, "leak-check", NOW - timedelta(days=30), "site", result="tight")
        keep(store, "leak-check", NOW - timedelta(days=20), "site", result="leak")
        keep(store, "hose", NOW - timedelta(days=200), "site")
        due = {d.what: d.by for d in _year.gather(site, store, 2026, NOW).due}
        assert due["a check that finds the leak mended"] == NOW - timedelta(days=20)
        assert due["hose replacement"] == NOW + timedelta(days=165.25)
        keep(store, "planned-refill", NOW + timedelta(days=3), "site")
        listed = {d.what: d.by for d in reminders(site, store.entries(), NOW)}  # what `boiloff record due` prints
        year = _year.gather(site, store, 2026, NOW).due
        near = {what: by for what, by in listed.items() if by is None or by < NOW + _year.AHEAD}
        assert {d.what: d.by for d in year} == near
        assert [d.what for d in year] == sorted((d.what for d in year), key=list(listed).index)
        sheet = _sheet.text("t", _year.sections(_year.gather(site, store, 2026, NOW)))
        assert "A check that finds the leak mended: OVERDUE" in sheet
        keep(store, "leak-check", NOW - timedelta(days=10), "site", result="tight")
        due = {d.what: d.by for d in _year.gather(site, store, 2026, NOW).due}
        assert due["leak check"] == NOW + timedelta(days=355.25)


def test_part_known_is_marked() -> None:
    span = cost.Span("2026-01", 31, 9.0, 12, 10.0, 2, 1, cost.Sum(5.0, 1, 2), cost.Sum(None, 0, 1), cost.Sum(0.0, 0, 0))
    assert _cost.part(span.fuel) == "5.00 +?"
    assert _cost.part(span.trips) == "?"
    assert _cost.part(span.things) == "-"
    assert _cost.total(span) == "5.00 +?"
    assert _cost.used(span, "metric") == "9.0 kg (12 d)"
    assert _cost.taken_in(span, "metric") == "10.0 kg +?"
