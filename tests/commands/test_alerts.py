"""The alert commands on a store of their own."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner, Result

from monitor import outlook as outlooks
from monitor.alerts import conditions, judge, when
from monitor.commands import _replay
from monitor.commands import alerts as command
from monitor.model.errors import BadInput
from monitor.notify.channels import names
from monitor.site import load
from monitor.store import Store
from tests.alerts.scene import health, level, outlook
from tests.notify.sinks import web_server
from tests.support.broker import free_port

SITE = """
[site]
name = "Larch Hollow (invented)"
latitude = 44.0
longitude = -90.0
timezone = "America/Chicago"
[[cylinder]]
name = "A"
size = "40 lb"
[[cylinder]]
name = "B"
size = "40 lb"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
"""
Run = Callable[..., Result]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text(SITE)
    return tmp_path


@pytest.fixture
def run(place: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("COLUMNS", "200")
    app = typer.Typer()
    app.callback()(lambda: None)
    command.register(app)

    def call(*args: str, store: bool = True) -> Result:
        more = ["--store", str(place / "b.db")] if store else []
        site = ["--site", str(place / "site.toml")] if args[0] != "kinds" else []
        return CliRunner().invoke(app, ["alerts", *args, *site, *(more if site else [])])

    return call


def fill(place: Path, *, hours: int = 3, share: float = 0.1, start: datetime | None = None) -> datetime:
    """Judge some hours of a cold and empty household into the store; return the last time."""
    site = load(place / "site.toml")
    at = start or datetime.now(UTC) - timedelta(hours=hours)
    with Store.open(place / "b.db") as store:
        for _ in range(hours):
            at += timedelta(hours=1)
            levels = (level("A", share, now=at), level("B", share, now=at))
            made = outlook({9: 600.0, 10: 300.0}, levels=levels, now=at)
            store.add_outlook(at, outlooks.jsonable(made, site))
            found = conditions(made, levels, site, at, health(now=at))
            store.commit_judgement(judge(found, store.alert_states(), at, site), names(site))
    return at


def said(result: Result) -> Any:
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def test_what_is_too_far_ahead_to_be_told_is_said_with_its_day(place: Path, run: Run) -> None:
    now = datetime.now(UTC)
    with Store.open(place / "b.db") as store:
        store.add_outlook(now, {"uncovered": [{"from": (now + timedelta(days=7, minutes=5)).isoformat()}]})
    text = " ".join(run("list").output.split())
    day = when.moment(now + timedelta(days=2, minutes=5), "America/Chicago", now)
    assert "No alert stands" in text
    assert f"told on {day}" in text
    assert "5 days before, if the odds are then 50 % or more (20 % in the last two days)" in text


def test_nothing_stands(place: Path, run: Run) -> None:
    Store.open(place / "b.db").close()
    assert "No alert stands. That covers only what boiloff sees" in run("list").output
    assert said(run("list", "--json")) == []


def test_list_and_show(place: Path, run: Run) -> None:
    fill(place)
    text = run("list").output
    assert "cold-shortfall/site" in text
    assert "stands, not acknowledged" in text
    assert "10 % of the fuel is left, at or below 15 %" in text
    states = {s["key"]: s for s in said(run("list", "--json"))}
    assert states["low-fuel/site"]["state"] == "unacknowledged"
    one = said(run("show", "low-fuel", "--json"))
    assert [(t["before"], t["after"]) for t in one["history"]] == [("pending", "unacknowledged"), ("normal", "pending")]
    assert one["history"][0]["reason"] == "10 % of the fuel is left, at or below 15 %"
    assert one["notices"][0]["channel"] == "log"
    shown = run("show", "low-fuel").output
    assert "What to do: have a cylinder filled or exchanged" in shown
    assert "seen, its delay runs -> stands, not acknowledged: 10 % of the fuel is left" in shown
    assert "raised by log, waiting" in shown


def test_the_list_is_readable_on_80_columns(place: Path, run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(place)
    monkeypatch.setenv("COLUMNS", "80")
    lines = run("list").output.splitlines()
    assert {"cold-shortfall/site", "low-fuel/site"} <= set(lines)  # each by its whole key, on a line of its own
    assert max(map(len, lines)) <= 80
    at = lines.index("low-fuel/site")
    assert lines[at + 1].startswith("    stands, not acknowledged; since ")
    assert lines[at + 2] == "    10 % of the fuel is left, at or below 15 %"


def test_hands_on_an_alert(place: Path, run: Run) -> None:
    fill(place)
    assert "low-fuel/site: stands, acknowledged" in run("acknowledge", "low-fuel", "--by", "Kim").output
    assert "by Kim" in run("list").output
    assert isinstance(run("acknowledge", "low-fuel").exception, BadInput)
    assert "low-fuel/site: shelved until" in run("shelve", "low-fuel", "--for", "3 h").output
    assert "shelved" in run("list").output
    assert "low-fuel/site: stands, acknowledged" in run("unshelve", "low-fuel").output
    assert "out of service" in run("out-of-service", "low-fuel", "--why", "tank away").output
    assert "normal" in run("into-service", "low-fuel").output
    reasons = [t["reason"] for t in said(run("show", "low-fuel", "--json"))["history"]]
    assert reasons[1].startswith("taken out of service by ")
    assert reasons[1].endswith(": tank away")
    assert "acknowledged by Kim" in reasons


def test_what_is_refused(place: Path, run: Run) -> None:
    fill(place)
    for args, text in (
        (("show", "nonsense"), "one alert's key"),
        (("show", "site"), "Known: cold-shortfall/site, low-fuel/site"),
        (("shelve", "low-fuel", "--for", "soon"), "a length of time"),
        (("shelve", "low-fuel", "--for", "90 days"), "within 14 days"),
        (("unshelve", "low-fuel"), "a shelved alert"),
    ):
        result = run(*args)
        assert isinstance(result.exception, BadInput), args
        assert text in str(result.exception), args


def test_another_sites_database_is_named(place: Path, run: Run) -> None:
    fill(place)
    with Store.open(place / "b.db") as store:
        store.put("place", json.dumps({"name": "Elsewhere (invented)", "latitude": 1.0, "longitude": 2.0}))
    result = run("list")
    assert "Elsewhere (invented)" in result.output
    refused = run("acknowledge", "low-fuel")
    assert isinstance(refused.exception, BadInput)
    assert "boiloff same-place" in str(refused.exception)


def test_kinds_are_rationalized(run: Run) -> None:
    listed = said(run("kinds", "--json"))
    assert len(listed) >= 20
    for kind in listed:
        assert all(kind[field] for field in ("cause", "consequence", "todo", "time_to_act")), kind["name"]
    assert "gas-detected: Gas detected" in run("kinds").output


def test_kinds_say_beside_gas_what_to_do_on_a_smell(run: Run) -> None:
    parts = re.split(r"\n(?=\S)", run("kinds").output)
    smell = {part.split(":", 1)[0] for part in parts if "If you smell gas" in part and "no gas detector" in part}
    assert smell == {"gas-detected", "leak-found"}


def test_test_tells_the_real_answer(place: Path, run: Run) -> None:
    with web_server() as web:
        more = f'[[channel]]\nname = "push"\nurl = "json://127.0.0.1:{web.port}/?rto=30"\n'
        (place / "site.toml").write_text(SITE + more)
        assert "push: handed over" in run("test", store=False).output
        web.answers(401)
        result = run("test", "--channel", "push", store=False)
        assert result.exit_code == 3
        assert "did not get through: the server answers 401 Unauthorized" in result.output
    (place / "site.toml").write_text(SITE + f'[[channel]]\nname = "x"\nurl = "json://127.0.0.1:{free_port()}"\n')
    result = run("test", "--json", store=False)
    assert result.exit_code == 3
    answer = {"channel": "x", "delivered": False, "error": "the server refuses the connection", "permanent": False}
    assert json.loads(result.output) == [answer]
    (place / "site.toml").write_text(SITE)
    assert isinstance(run("test", store=False).exception, BadInput)


def test_replay_with_other_settings(place: Path, run: Run) -> None:
    start = datetime(2026, 1, 5, 12, tzinfo=UTC)
    fill(place, hours=30, share=0.18, start=start)
    span = ("replay", "--since", "2026-01-05", "--until", "2026-01-08", "--json")
    told = [(n["key"], n["what"]) for n in said(run(*span)) if n["key"] == "low-fuel/site"]
    assert told == [("low-fuel/site", "raised")]
    assert said(run(*span, "--set", "low_fuel=15 %, 10 %", "--kind", "low-fuel")) == []
    cold = said(run(*span, "--kind", "cold-shortfall"))
    assert cold[0]["what"] == "raised"
    assert said(run(*span, "--set", "lead=2 h", "--kind", "cold-shortfall")) == []
    text = run(*span[:-1]).output
    assert "2 raised" in text
    assert "needs the health of sources" in text
    for change in ("nonsense=1", "low_fuel", "low_fuel=soon", "cold_delay=-5"):
        assert isinstance(run(*span, "--set", change).exception, BadInput), change
    assert isinstance(run(*span, "--kind", "leak-check").exception, BadInput)
    assert isinstance(run("replay", "--since", "winter").exception, BadInput)


def test_an_outlook_survives_being_kept(place: Path) -> None:
    site = load(place / "site.toml")
    made = outlook({9: 600.0}, odds={9: 0.4}, gaps=[20])
    again = _replay.rebuilt(json.loads(json.dumps(outlooks.jsonable(made, site))))
    at = made.at
    first = {c.key: c for c in conditions(made, made.levels, site, at, {})}
    second = {c.key: c for c in conditions(again, again.levels, site, at, {})}
    assert first.keys() == second.keys()
    for key, c in first.items():
        assert (c.holds, c.rank, c.severity) == (second[key].holds, second[key].rank, second[key].severity), key
