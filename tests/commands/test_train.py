"""`boiloff train`, `fit-out`, `questions` and `first-start`, run as a person runs them."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor import site as site_file
from monitor.site import check, fit_out
from monitor.store import Store

EXAMPLE = Path(__file__).parents[2] / "config" / "example.toml"


def run(*words: str, code: int = 0) -> str:
    done = subprocess.run([sys.executable, "-m", "monitor.cli", *words], capture_output=True, text=True, check=False)
    assert done.returncode == code, done.stderr
    return done.stderr if code else done.stdout


def found(*words: str) -> dict[str, dict[str, Any]]:
    said = json.loads(run("train", "--site", str(EXAMPLE), "--json", *words))
    return {f["part"]: f for f in said["findings"]}


def test_an_appliance_more_turns_the_findings() -> None:
    before, after = found("--coldest", "40 degF"), found("--coldest", "40 degF", "--add", "Dryer=80000 Btu/h")
    assert (before["hose"]["state"], after["hose"]["state"]) == ("good", "look")
    assert (before["regulator"]["state"], after["regulator"]["state"]) == (
        "good",
        "look",
    )  # 41 % and 91 % of its rating
    assert all(f["source"] and (f["state"] == "good" or f["ask"]) for f in after.values())


def test_text_names_consequence_source_and_the_fitter() -> None:
    text = " ".join(run("train", "--site", str(EXAMPLE)).split())
    for part in ("not checked: excess flow", "What follows:", "Source: common practice, no source.", "licensed fitter"):
        assert part in text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--add", "Heater"), "NAME=INPUT"),
        (("--add", "Range=10 kW"), "a name that no appliance has yet"),
        (("--coldest", "5"), "--coldest"),
        (("--charge", "0 %"), "--charge"),
    ],
)
def test_bad_options_are_named(words: tuple[str, ...], says: str) -> None:
    assert says in run("train", "--site", str(EXAMPLE), *words, code=2)


def test_a_pipe_too_thin_is_told_by_validate(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8").replace('size = "3/4"', 'size = "1/2"').replace('"30 ft"', '"300 ft"')
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    assert [w.key for w in check.train(site_file.read(path).site)] == ["pipe[1]"]
    assert "a pipe for its load" in " ".join(run("validate", "--site", str(path)).split())
    path.write_text(text.replace('size = "1/2"', 'size = "7/8"'), encoding="utf-8")
    refused = run("validate", "--site", str(path), code=2)
    assert "1/2, 3/4, 1, 1-1/4" in " ".join(refused.split())


def test_what_to_get_follows_the_arrangement(tmp_path: Path) -> None:
    text = run("fit-out", "--site", str(EXAMPLE))
    assert "2 x pigtail, high pressure, for cylinders to 40 lb" in text
    assert "from a list: check the collar" in text  # B's stamped values are the catalogue's
    large = tmp_path / "site.toml"
    large.write_text(
        EXAMPLE.read_text(encoding="utf-8").replace('\nsize = "40 lb"', '\nsize = "100 lb"', 1), encoding="utf-8"
    )
    assert "1 x pigtail, high pressure, for larger cylinders" in run("fit-out", "--site", str(large))


def test_questions_mark_each_figure() -> None:
    said = json.loads(run("questions", "--site", str(EXAMPLE), "--json"))["questions"]
    assert {"indoors", "openings", "fixed appliances", "conversion", "transport"} <= {q["topic"] for q in said}
    assert all("source" in q["source"] or "NFPA" in q["source"] or "CFR" in q["source"] for q in said)


def test_the_sheet_goes_into_the_record(tmp_path: Path) -> None:
    store = tmp_path / "b.db"
    words = ("first-start", "--site", str(EXAMPLE), "--store", str(store))
    run(*words, "--done", "leak check", "--done", "flame", "--at", "2026-01-02 10:00", "--note", "by the fitter")
    with Store.open(store) as kept:
        sheet, check = kept.events()
    assert (sheet.kind, sheet.payload["steps"]) == ("first-start", ["leak check", "flame"])
    assert (check.kind, check.payload["result"]) == ("leak-check", "tight")
    assert sheet.time.isoformat() == "2026-01-02T16:00:00+00:00"
    assert "leak check, purge" in run(*words, "--done", "leaks", code=2)
    assert "still to come" in run(*words, "--done", "all", "--at", "2999-01-01 10:00", code=2)
    with Store.open(store) as kept:
        assert len(kept.events()) == 2
    run(*words, "--done", "air", "--at", "yesterday 18:30")  # as every other command reads a time
    with Store.open(store) as kept:
        newest = kept.events(kind="first-start")[-1]
    local = newest.time.astimezone(ZoneInfo("America/Chicago"))
    assert (local.hour, local.minute) == (18, 30)
    assert 0 <= (datetime.now(local.tzinfo).date() - local.date()).days - 1 <= 1


def test_the_sheet_has_every_part_asked_of_it() -> None:
    sheet = run("first-start", "--site", str(EXAMPLE))
    assert [name for name in fit_out.NAMES if f") {name}" not in sheet] == []
    for part in ("leak", "purge", "one by one", "blue", "licensed fitter", "gas detector"):
        assert part in sheet
    plain = " ".join(sheet.split())
    assert "It goes on hissing, or you smell gas: close it, and find the joint that leaks before" in plain
    assert "STOP if: If" not in plain
