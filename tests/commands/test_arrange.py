"""`boiloff arrange`: what it prints and refuses, past winters from a file, Ctrl-C, and a site file that is run on."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.commands._arrange_past import read_past
from monitor.model.errors import BadInput
from monitor.site import load

RANGE = ("--appliance", "Range=65000 Btu/h", "--use", "0.4 kg/day")
PLACE = ("--name", "Mill Lane (invented)", "--latitude", "45", "--longitude", "90 W", "--timezone", "America/Chicago")


def boiloff(*args: str) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"}
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", *args], capture_output=True, text=True, check=False, env=env
    )


def winter(path: Path, days: int = 60, start: str = "2019-12-01T00:00+00:00", cold: float = -20.0) -> Path:
    """An invented winter: mild, with one night of cold."""
    first = datetime.fromisoformat(start)
    lines = ["time,air_temperature_c"]
    for k in range(24 * days):
        value = cold if 24 * 30 <= k < 24 * 30 + 18 else 12.0
        lines.append(f"{(first + timedelta(hours=k)).isoformat()},{value}")
    path.write_text("\n".join(lines) + "\n")
    return path


def test_the_tables_fit_80_columns_and_say_what_they_mean() -> None:
    done = boiloff("arrange", *RANGE, "--coldest", "5 degF", "--carry", "80 lb", "--no-delivery", "--gas", "0.95/lb",
                   "--trip", "10", "--price", "40 lb=160", "--all")  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert max(len(line.rstrip()) for line in done.stdout.splitlines()) <= 80
    text = " ".join(done.stdout.split())
    assert re.search(r"1 4×40 lb \d:\d\d/\d:\d\d/\d:\d\d", text)
    for said in ("chart: as trade charts reckon", "floor: the same, but stopping at the regulator's lowest inlet",
                 "no supplier who will come", "171.0 lb full, to carry 80.0 lb", "licensed fitter",
                 "never filled beyond the limit", "Not priced: 30 lb", "checked against the collar"):  # fmt: skip
        assert said in text, said


def test_in_short_it_says_what_comes_first_and_why(tmp_path: Path) -> None:
    asked = ("arrange", *RANGE, "--coldest", "5 degF", "--carry", "80 lb", "--no-delivery")
    done = boiloff(*asked)
    lines = [line.rstrip() for line in done.stdout.splitlines()]
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 45
    best = json.loads(boiloff(*asked, "--json").stdout)["arrangements"][0]
    text = " ".join(done.stdout.split())
    said = text.split(f"FIRST CHOICE: {best['name']}. ", 1)[1].split(" # arrangement", 1)[0]
    assert 3 <= len(re.findall(r"\.(?= |$)", said)) <= 6
    minutes = [int(best["hold_s"]["weather"][share] / 60) for share in ("100", "50", "20")]
    table = re.search(r" 1 (\S+ lb) (\d+):(\d\d) (\d+):(\d\d) (\d+):(\d\d) ", text)
    assert table is not None
    hours = [int(x) for x in table.groups()[1:]]
    assert [60 * h + m for h, m in zip(hours[::2], hours[1::2], strict=True)] == minutes
    assert "–" not in text, "a column that has nothing is left out"
    assert "worst" not in text
    for warning in ("6 facts of its supply train", "licensed fitter", "--all", "Not priced: ", "too heavy to carry"):
        assert warning in text, warning
    assert text.index("Fell out: ") < text.index("A comparison, no permission")
    counts = [int(n) for n in re.findall(r"(\d+) (?:do not|too|need)", text.split("Fell out: ")[1])]
    assert sum(counts) == len(json.loads(boiloff(*asked, "--json").stdout)["out"])
    past = winter(tmp_path / "past.csv")
    nights = " ".join(boiloff("arrange", *RANGE, "--winters", str(past), "--size", "20 lb", *PLACE).stdout.split())
    assert re.search(r"# arrangement short worst full half 20 % ", nights)
    assert "It comes first because it has the fewest short nights" in nights
    priced = boiloff(*asked, "--size", "40 lb", "--price", "40 lb=160", "--gas", "0.95/lb", "--trip", "10", "--mind",
                     "cost").stdout  # fmt: skip
    assert re.search(r"a piece lb +first +a year", priced)
    assert "It comes first because it costs least a year." in priced.replace("\n", " ").replace("  ", " ")


def test_in_short_of_a_heater_alone_and_of_too_great_a_cold() -> None:
    heater = boiloff("arrange", "--heater", "Heater=20000 Btu/h", "--use", "0.4 kg/day", "--coldest", "10 degF",
                     "--no-delivery")  # fmt: skip
    text = " ".join(heater.stdout.split())
    assert "because, half full, it carries everything without end in the coldest air" in text
    assert "–" not in text, "no burn was stated, so no column of one"
    assert "down to °F" not in text
    cold = boiloff("arrange", *RANGE, "--coldest", "-40 degF", "--no-delivery")
    text = " ".join(cold.stdout.split())
    assert "NONE CARRIES IT" in text
    assert "None of those within your limits burns a minute at that cold" in text
    assert "NEAREST: 4 × 100 lb together." in text, "not the smallest, which are as near to nothing"


def test_json_is_in_si_and_says_what_is_not_known() -> None:
    done = boiloff("arrange", *RANGE, "--coldest", "5 degF", "--size", "40 lb", "--most", "2", "--json")
    found = json.loads(done.stdout)
    assert found["complete"] is True
    assert found["coldest_c"] == pytest.approx(-15.0)
    assert found["demand_w"] == pytest.approx(19_049.6, abs=0.1)
    assert [a["name"] for a in found["arrangements"]] == ["2 × 40 lb together", "2 × 40 lb changeover"]
    assert [a["name"] for a in found["out"]] == ["1 × 40 lb"]
    assert found["out"][0]["why_out"] == ["full, at 5 °F everything burns for 53 min, 1 h asked"]
    best = found["arrangements"][0]
    assert best["short_nights"] is None
    assert best["first_cost"] is None
    assert best["prices_missing"] == ["40 lb", "gas", "trip"]
    assert best["level_needed"]["weather"] is None
    assert 0.30 < best["level_needed"]["chart"] < 0.45
    assert list(best["hold_s"]["weather"]) == ["100", "50", "20"]
    assert {f["state"] for f in best["findings"]} <= {"good", "look", "unknown"}
    assert best["findings"]


def test_past_winters_count_short_nights(tmp_path: Path) -> None:
    past = winter(tmp_path / "past.csv")
    done = boiloff("arrange", *RANGE, "--winters", str(past), "--size", "20 lb", "--most", "2", *PLACE, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["coldest_c"] == -20.0
    by_name = {a["name"]: a["short_nights"] for a in found["arrangements"]}
    assert by_name["1 × 20 lb"]["by_winter"]["2019/20"] >= by_name["2 × 20 lb together"]["by_winter"]["2019/20"] >= 1.0
    assert by_name["1 × 20 lb"]["nights_seen"] in {60, 61}
    assert "calm assumed" in " ".join(found["notes"])
    names = [a["name"] for a in found["arrangements"]]
    assert names[-1] == "1 × 20 lb"


def test_winters_of_many_years_are_read_and_their_errors_placed(tmp_path: Path) -> None:
    path = tmp_path / "years.csv"
    first = winter(path, 40, "2010-12-01T00:00+00:00").read_text()
    second = winter(path, 40, "2017-12-01T00:00+00:00").read_text().split("\n", 1)[1]
    path.write_text(first + second)
    past = read_past(path)
    assert past.start == datetime(2010, 12, 1, tzinfo=UTC)
    assert past.air_k.size == int((datetime(2018, 1, 10, tzinfo=UTC) - past.start) / timedelta(hours=1))
    assert past.air_k[0] == pytest.approx(285.15)
    lines = path.read_text().splitlines()
    lines[5], lines[1500] = lines[5].replace("12.0", "120"), lines[1500].replace("12.0", "warm")
    path.write_text("\n".join(lines))
    with pytest.raises(BadInput) as error:
        read_past(path)
    assert [p.line for p in error.value.problems] == [6, 1501]


@pytest.mark.parametrize("text", ["", "time,air_temperature_c\n", "\n\n", "a,b\n1,2\n", "time\n2020-01-01T00:00Z\n"])
def test_a_file_that_is_no_winter_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "no.csv"
    path.write_text(text)
    with pytest.raises(BadInput):
        read_past(path)


def test_everything_wrong_is_told_at_once() -> None:
    done = boiloff("arrange", "--use", "3", "--gas", "1", "--size", "41 lb", "--mind", "x", "--coldest", "-10",
                   "--price", "4", "--carry", "50 in", "--trip", "nan")  # fmt: skip
    assert done.returncode == 2
    for key in ("--appliance", "--use", "--coldest", "--mind", "--price", "--gas", "--size", "--carry", "--trip"):
        assert f"{key}: got" in done.stderr, key
    done = boiloff("arrange", *RANGE)
    assert done.returncode == 2
    assert "--winters FILE.csv" in done.stderr
    for text in ("Range=65000", "Range=65000 Btu/h, hold ever", "=3 kW", "Range=65000 Btu/h, when 25-3"):
        done = boiloff("arrange", "--appliance", text, "--use", "0.4 kg/day", "--coldest", "5 degF")
        assert done.returncode == 2, text
        assert "Traceback" not in done.stderr


@pytest.mark.parametrize(("size", "most"), [("40 lb", "4"), ("120 gal", "1"), ("20 lb", "4")])
def test_the_site_file_validates_and_says_what_to_check(tmp_path: Path, size: str, most: str) -> None:
    file = tmp_path / "site.toml"
    done = boiloff("arrange", "--appliance", "Range=30000 Btu/h, hold 45 min, when 06-22",
                   "--heater", "Lamp=1000 Btu/h",
                   "--use", "0.4 kg/day", "--coldest", "30 degF", "--size", size, "--most", most,
                   *PLACE, "--regulator", "160000 Btu/h", "--write", str(file), "--choose", "1")  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert boiloff("validate", "--site", str(file)).returncode == 0
    site = load(file)
    assert len(site.cylinders) == int(most)
    burner = site.appliances[0]
    assert (burner.name, burner.hold_s, burner.first_hour, burner.continuous) == ("Range", 2700.0, 6, False)
    assert site.appliances[1].continuous
    assert site.timezone == "America/Chicago"
    text = file.read_text()
    assert text.count("to be checked against the collar") == int(most)
    if size.endswith("lb"):
        assert "water_capacity" in site.cylinders[0].assumed
    else:
        assert site.cylinders[0].shape == "horizontal"
    again = boiloff("arrange", *RANGE, "--coldest", "30 degF", *PLACE, "--write", str(file))
    assert again.returncode == 2
    assert file.read_text() == text


def test_a_changeover_is_written_with_its_sides(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    asked = (*RANGE, "--coldest", "30 degF", "--size", "40 lb", "--most", "2", *PLACE)
    found = json.loads(boiloff("arrange", *asked, "--json").stdout)
    number = [a["feed"] for a in found["arrangements"]].index("changeover") + 1
    done = boiloff("arrange", *asked, "--write", str(file), "--choose", str(number))
    assert done.returncode == 0, done.stderr
    site = load(file)
    assert site.supply.feed == "changeover"
    assert [c.side for c in site.cylinders] == ["service", "reserve"]
    assert boiloff("arrange", *asked, "--write", str(tmp_path / "b.toml"), "--choose", "99").returncode == 2
    from_site = boiloff("arrange", "--site", str(file), "--use", "0.4 kg/day", "--coldest", "30 degF", "--json",
                        "--size", "40 lb", "--most", "2")  # fmt: skip
    assert json.loads(from_site.stdout)["arrangements"] == found["arrangements"]


def test_the_service_runs_on_the_file(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    done = boiloff("arrange", *RANGE, "--coldest", "30 degF", "--size", "40 lb", *PLACE, "--write", str(file))
    assert done.returncode == 0, done.stderr
    text = file.read_text().replace('kind = "open-meteo"', 'kind = "file"\npath = "none.csv"')
    file.write_text(text + '\n[service]\nlisten = "127.0.0.1:0"\n')
    store = tmp_path / "store.db"
    serve = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "serve", "--site", str(file), "--store", str(store)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    try:
        deadline = time.monotonic() + 60.0
        while time.monotonic() < deadline and serve.poll() is None:
            shown = boiloff("status", "--site", str(file), "--store", str(store))
            if shown.returncode in {0, 1} and "A" in shown.stdout:
                break
            time.sleep(0.5)
        assert serve.poll() is None, serve.communicate()[0]
        assert shown.returncode in {0, 1}, shown.stderr
        assert "D" in shown.stdout
    finally:
        serve.send_signal(signal.SIGTERM)
        out, _ = serve.communicate(timeout=60)
    assert serve.returncode == 0, out


def test_ctrl_c_prints_what_is_done_and_exits_130(tmp_path: Path) -> None:
    past = tmp_path / "past.csv"
    parts = [winter(past, 150, f"{1990 + k}-11-01T00:00+00:00").read_text().split("\n", 1) for k in range(12)]
    past.write_text(parts[0][0] + "\n" + "".join(body for _, body in parts))
    # Python that tells when the second kind is begun, so that the key is pressed in the midst of the work
    code = (
        "import signal, sys\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a shell's background job would ignore the key
        "from monitor import cli\n"
        "from monitor.outlook import arrange as a\n"
        "whole, seen = a._of_kind, []\n"
        "def told(*args):\n"
        "    seen.append(1)\n"
        "    if len(seen) == 3:\n"
        "        print('begun', file=sys.stderr, flush=True)\n"
        "        sys.stdin.readline()\n"  # so that it is not done before the key is pressed
        "    yield from whole(*args)\n"
        "a._of_kind = told\n"
        "cli.main()\n"
    )
    args = ("arrange", *RANGE, "--winters", str(past), "--most", "26", *PLACE)
    run = subprocess.Popen(
        [sys.executable, "-c", code, *args], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, env={**os.environ, "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert run.stderr is not None
    assert run.stderr.readline() == "begun\n"
    run.send_signal(signal.SIGINT)
    out, err = run.communicate("\n", timeout=300)
    assert run.returncode == 130, err
    done = re.search(r"Broken off: (\d+) of (\d+) arrangements worked out", err)
    assert done is not None
    assert 30 <= int(done[1]) < int(done[2])
    assert "Broken off: what had not been worked out is missing above." in out
    assert "5 lb" in out
    assert "Traceback" not in err
