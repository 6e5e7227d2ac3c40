"""`boiloff listen` against our own org.bluez; the lines that it prints are read back by the site file's own parser."""

from __future__ import annotations

import json
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from monitor.commands import listen
from monitor.model.errors import BadInput, SourceFailed
from monitor.sensors import advert, sig, survey
from monitor.sensors.advert import Advert
from monitor.sensors.bthome import UUID
from monitor.sensors.survey import Survey
from monitor.site import load
from tests.sensors.test_hand import FILE
from tests.support.bluez import Bluez

ONE, TWO, THREE = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02", "C0:FF:EE:00:00:03"


@pytest.fixture
def bluez(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bluez]:
    fake = Bluez()
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", fake.address)
    yield fake
    fake.close()


@contextmanager
def air(bluez: Bluez) -> Iterator[None]:
    """Three senders on the air: a scale, an encrypted one, and one of nobody's form."""
    over = threading.Event()

    def send() -> None:
        while not over.wait(0.05):
            bluez.advertise(ONE, service={UUID: bytes.fromhex("40 01 58 06 5E 0B")}, name="scale", rssi=-50)
            bluez.advertise(TWO, service={UUID: bytes.fromhex("41 E445F3C9962B 33221100 6C7C4519")}, rssi=-70)
            bluez.advertise(THREE, manufacturer={0xFFFF: b"\xa1\x02\x03"}, rssi=-40)

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def run(*arguments: str) -> str:
    app = typer.Typer()
    listen.register(app)
    app.command("other")(lambda: None)
    done = CliRunner().invoke(app, ["listen", *arguments])
    if done.exception is not None:
        raise done.exception
    return done.stdout


def test_what_is_in_the_air_and_the_lines_for_the_site_file(bluez: Bluez, tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(FILE)
    with air(bluez):
        for seconds in ("1", "5", "30"):  # longer where the machine is so slow that not all were heard
            text = run("--seconds", seconds, "--site", str(file))
            if "mass 29.1 kg" in " ".join(text.split()) and "1 more senders" in text:
                break
        for seconds in ("1", "5", "30"):
            everything = json.loads(run("--seconds", seconds, "--site", str(file), "--all", "--json"))
            if len(everything) >= 3:
                break
    assert "mass 29.1 kg" in " ".join(text.split())
    assert "encrypted" in text
    assert "1 more senders" in text
    assert {s["address"] for s in everything} == {ONE, TWO, THREE}
    by = {s["address"]: s for s in everything}
    assert by[ONE]["says"] == {"battery": "88 %", "mass": "29.1 kg"}
    assert by[ONE]["rssi_dbm"] == -50
    assert by[THREE]["raw"] == {"company 0xffff": "a1 02 03"}


def test_the_lines_are_taken_by_the_site_file(tmp_path: Path) -> None:
    found = Survey()
    found.add(Advert(ONE, -50, service={UUID: bytes.fromhex("40 01 58 02 5D 09 02 00 0A 06 5E 0B 40 0C 00")}), 0.0)
    found.add(Advert(TWO, -50, service={UUID: bytes.fromhex("41 E445F3C9962B 33221100 6C7C4519")}), 0.0)
    found.add(Advert(THREE, -50, manufacturer={0xFFFF: b"\xa1\x02\x03"}), 0.0)
    found.add(Advert("C0:FF:EE:00:00:04", -50, uuids=(sig.WEIGHT_SCALE, sig.BATTERY)), 0.0)
    found.add(Advert("C0:FF:EE:00:00:05", -50, service={"0000abcd-0000-1000-8000-00805f9b34fb": b"\x01\x02"}), 0.0)
    pasted = "\n".join(survey.lines(h, "A") for h in found.rows(everything=True))
    (tmp_path / "site.toml").write_text(FILE + pasted)
    site = load(tmp_path / "site.toml")
    assert len(site.sensors) == len(tomllib.loads(pasted)["sensor"]) == 10
    ways = {s.name: advert.way(s) for s in site.sensors}  # each description can be used
    assert ways["temperature 2 00:01"].nth == 2
    assert {s.quantity for s in site.sensors} >= {"gross_weight", "air_temperature", "battery", "height_from_top"}


def test_no_radio_is_a_failed_source(bluez: Bluez, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "site.toml"
    file.write_text(FILE)
    bluez.remove_adapter()
    with pytest.raises(SourceFailed, match="No Bluetooth adapters found"):
        run("--seconds", "1", "--site", str(file))
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nonexistent/bus")
    with pytest.raises(SourceFailed, match="is bluez installed"):
        run("--seconds", "1", "--site", str(file))


def test_nothing_heard_is_said(bluez: Bluez, tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(FILE)
    assert "No sender" in run("--seconds", "1", "--site", str(file))


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        (f'address = "{ONE}"\ncompany = 1\nlayout = {{ format = "u17" }}', "u17"),
        (f'address = "{ONE}"\nobject = "weight"', "none of BTHome"),
        ('topic = "a/b"\nformat = "number"\npointer = "/a"', "no use for the pointer"),
    ],
)
def test_a_description_that_cannot_be_used_is_refused_with_the_file(tmp_path: Path, lines: str, why: str) -> None:
    broker = '[broker]\nhost = "127.0.0.1"\n'
    sensor = f'[[sensor]]\nname = "s"\ncylinder = "A"\nquantity = "gross_weight"\n{lines}\n'
    (tmp_path / "site.toml").write_text(FILE + broker + sensor)
    with pytest.raises(BadInput, match=why):
        load(tmp_path / "site.toml")
