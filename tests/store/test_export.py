"""CSV of everything: what is in the files is what is in the store; the commands as they are typed."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.store import Store, backup
from monitor.store.record import Event
from tests.store.support import HOUR, NOW, fill, weight

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "home.db"
    with Store.open(path) as store:
        fill(store, 60)
        store.add_readings([weight(1.0, 61, source="hand", note='=HYPERLINK("x")')])
    return path


def boiloff(*args: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *args], capture_output=True, text=True, timeout=60, check=False, cwd=cwd,
        env={"PYTHONPATH": str(ROOT), "COLUMNS": "100", "PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8"},
    )  # fmt: skip


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_fact_is_in_a_file(path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "csv"
    done = boiloff("export", str(folder), "--store", str(path), "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    rows = json.loads(done.stdout)["rows"]
    assert rows == {
        "readings": 64, "set_aside": 1, "record": 3, "transitions": 3, "notices": 3, "outbox": 6, "alerts": 3,
        "health": 1, "forecasts": 48, "outlooks": 1000, "entries": 1, "levels": 0, "nights": 0, "run_outs": 0,
        "shortfalls": 0,
    }  # fmt: skip
    assert {name: len(table(folder / f"{name}.csv")) for name in rows} == rows
    readings = table(folder / "readings.csv")
    assert [r["value"] for r in readings if r["corrected_by"]] == ["52.4"]
    assert {r["unit"] for r in readings} == {"kg"}
    assert readings[0]["time"] == "2026-01-05T12:00:00Z"
    assert [r["value"] for r in readings if r["source"] == "hand" and r["corrects"]] == ["23.8"]
    assert readings[-1]["note"] == '\'=HYPERLINK("x")'  # a spreadsheet shows it and does not run it
    bad = next(r for r in readings if r["value"] == "")
    assert bad["subject"] == "A"
    forecast = table(folder / "forecasts.csv")
    assert forecast[5]["air_temperature_c"] == ""  # a gap in a member stays a gap
    assert forecast[0]["members"] == "3"
    assert float(forecast[0]["cloud_cover_pct"]) == 50.0
    assert table(folder / "outlooks.csv")[3]["sustained_w_chart"] == "3"
    assert json.loads(table(folder / "record.csv")[0]["payload"]) == {"to_kg": 18.1}


def test_the_record_in_force_has_columns_of_its_own(path: Path, tmp_path: Path) -> None:
    with Store.open(path) as store:
        number = store.add_event(Event("fill", "A", NOW + HOUR, NOW, {"paid_kg": 9.5, "price": 21.0, "note": "=1"}))
        store.undo_event(store.add_event(Event("fill", "A", NOW, NOW, {"price": 99.0})), NOW)
    boiloff("export", "out", "--store", str(path), "--only", "entries", cwd=tmp_path)
    rows = table(tmp_path / "out" / "entries.csv")
    last = rows[-1]
    assert (last["number"], last["kind"], last["paid_kg"], last["price"]) == (str(number), "fill", "9.5", "21.0")
    assert last["note"] == "'=1"
    assert not [r for r in rows if r["price"] == "99.0"], "what was undone is in record.csv alone"


def test_every_part_of_an_outlook_is_in_a_file(path: Path, tmp_path: Path) -> None:
    """Also what older outlooks did not say yet, and what is not known in the newest."""
    band = {"p10": 1.0, "p50": 2.0, "p90": 3.0}
    later = {
        "hours": [{"time": "x", "new": 7}],
        "levels": [{"cylinder": "A", "left_kg": 5.0}],
        "nights": [{"from": "n", "coldest_c": band}, {"from": "m", "coldest_c": None}],
        "fuel": [{"subject": "site", "dry": None, "usable": band}],
        "uncovered": [{"from": "u", "why": "hold"}],
    }
    with Store.open(path) as store:
        store.add_outlook(NOW + 1000 * HOUR, later)
    boiloff("export", "out", "--store", str(path), cwd=tmp_path)
    folder = tmp_path / "out"
    assert table(folder / "outlooks.csv")[-1]["new"] == "7"
    assert [r["left_kg"] for r in table(folder / "levels.csv")] == ["5.0"]
    assert [r["coldest_c_p50"] for r in table(folder / "nights.csv")] == ["2.0", ""]
    (run_out,) = table(folder / "run_outs.csv")
    assert (run_out["dry_p50"], run_out["usable_p90"]) == ("", "3.0")
    assert [r["why"] for r in table(folder / "shortfalls.csv")] == ["hold"]


def test_a_span_a_choice_and_members(path: Path, tmp_path: Path) -> None:
    with Store.open(path) as store:
        store.add_readings([weight(5.0, 60 * 24)])
    done = boiloff(
        "export", "out", "--store", str(path), "--only", "readings", "--only", "forecasts", "--members",
        "--since", "2026-01-05T12:30:00+00:00", "--json", cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["rows"] == {"readings": 32, "forecasts": 0}
    done = boiloff("export", "all", "--store", str(path), "--only", "forecasts", "--members", cwd=tmp_path)
    assert done.stdout == "all/forecasts.csv: 144 rows\n"
    assert {r["member"] for r in table(tmp_path / "all" / "forecasts.csv")} == {"0", "1", "2"}


def test_files_that_are_there_are_not_written_over_unasked(path: Path, tmp_path: Path) -> None:
    (tmp_path / "readings.csv").write_text("mine")
    done = boiloff("export", ".", "--store", str(path), cwd=tmp_path)
    assert done.returncode == 2
    assert "readings.csv; expected no file of that name yet" in done.stderr
    assert (tmp_path / "readings.csv").read_text() == "mine"
    assert not (tmp_path / "record.csv").exists()
    assert boiloff("export", ".", "--store", str(path), "--overwrite", cwd=tmp_path).returncode == 0
    assert len(table(tmp_path / "readings.csv")) == 64


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["--only", "dreams"], "--only: got dreams; expected one of readings"),
        (["--since", "soon"], '--since: got "soon"; expected a day'),
    ],
)
def test_what_cannot_be_is_said(path: Path, tmp_path: Path, args: list[str], says: str) -> None:
    done = boiloff("export", "out", "--store", str(path), *args, cwd=tmp_path)
    assert done.returncode == 2
    assert says in done.stderr


def test_backup_list_and_restore_as_typed(path: Path, tmp_path: Path) -> None:
    made = boiloff("backup", "--store", str(path), "--to", "copies", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    assert ": 64 readings, 0.1 MB, looked through and sound" in made.stdout
    copy = backup.copies(path, tmp_path / "copies")[0]
    with Store.open(path) as store:
        store.add_readings([weight(5.0, 60 * 24)])
    (tmp_path / "copies" / "home-20200101T000000Z.db").write_text("spoilt")
    listed = json.loads(
        boiloff("backup", "--list", "--json", "--store", str(path), "--to", "copies", cwd=tmp_path).stdout
    )
    assert [(c["sound"], c.get("readings")) for c in listed["copies"]] == [(True, 64), (False, None)]
    done = boiloff("restore", str(copy), "--store", str(path), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "the one before is kept as" in done.stdout
    with Store.open(path) as store:
        assert len(store.readings(include_corrected=True)) == 64


def test_restore_waits_for_no_running_service(path: Path, tmp_path: Path) -> None:
    from monitor.service.lock import Lock

    copy = backup.backup(path, tmp_path / "copies", NOW + HOUR)
    with Lock(path):
        done = boiloff("restore", str(copy.path), "--store", str(path), cwd=tmp_path)
    assert done.returncode == 2
    assert "a store that no other service is using" in done.stderr


def test_only_export_loads_sqlite_utils_and_pandas(path: Path, tmp_path: Path) -> None:
    """sqlite-utils loads pandas where it finds it: that stays off the service's path and off every other command's."""
    code = (
        "import sys; from pathlib import Path; import monitor.store, monitor.store.writer, monitor.store.repair, "
        "monitor.store.backup; w = monitor.store.writer.Writer(Path(sys.argv[1])); w.flush().result(); w.close(); "
        "monitor.store.backup.backup(Path(sys.argv[1]), Path(sys.argv[2]), __import__('datetime').datetime.now("
        "__import__('datetime').UTC)); print([m for m in ('pandas', 'sqlite_utils') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path), str(tmp_path / "copies")], capture_output=True, text=True, check=False
    )
    assert done.stdout == "[]\n", done.stderr


def facts(path: Path) -> tuple[object, ...]:
    with Store.open(path, readonly=True) as store:
        readings = sorted(store.readings(include_corrected=True), key=lambda r: r.id or 0)
        return readings, store.events(), store.entries(), store.latest_readings()


def test_an_export_comes_back_whole_into_an_empty_database(path: Path, tmp_path: Path) -> None:
    with Store.open(path) as store:  # a correction of what was read later by its own time, a formula, a gap
        number = store.add_readings([weight(12.5, 90, source="hand")])[0]
        store.add_readings([weight(11.5, 80, source="hand", corrects=number, note="-1 lb, \u00b0")])
    folder, new = tmp_path / "csv", tmp_path / "new.db"
    assert boiloff("export", str(folder), "--store", str(path), cwd=tmp_path).returncode == 0
    site = str(ROOT / "config" / "demo.toml")
    done = boiloff("import", str(folder), "--site", site, "--store", str(new), "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {"readings": 66, "record": 3}
    assert facts(new) == facts(path)
    again = boiloff("import", str(folder), "--site", site, "--store", str(new), cwd=tmp_path)
    assert again.returncode == 2
    assert "a database without readings and entries" in " ".join(again.stderr.split())
    assert facts(new) == facts(path)


@pytest.mark.parametrize(
    ("change", "said"),
    [(("quantity", "kwantity"), "no column quantity"), ((",gross_weight,", ",mood,"), "readings.csv, line 2"),
     (("2026-01-05T12:00:00Z", "2026-01-05T12:00:00"), "has no offset"),
     (("\n2,", "\n1,"), "an export as boiloff wrote it")],
)  # fmt: skip
def test_a_file_of_no_use_brings_nothing_back(path: Path, tmp_path: Path, change: tuple[str, str], said: str) -> None:
    folder, new = tmp_path / "csv", tmp_path / "new.db"
    assert boiloff("export", str(folder), "--store", str(path), cwd=tmp_path).returncode == 0
    file = folder / "readings.csv"
    file.write_text(file.read_text().replace(*change))
    site = str(ROOT / "config" / "demo.toml")
    done = boiloff("import", str(folder), "--site", site, "--store", str(new), cwd=tmp_path)
    assert done.returncode == 2
    assert said in " ".join(done.stderr.split())
    assert facts(new) == ([], [], [], [])
