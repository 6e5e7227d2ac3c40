"""The test notice, the sign of life and the summary."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from monitor.model.errors import BadInput
from monitor.model.health import SourceHealth
from monitor.model.site import Channel
from monitor.notify import heartbeat, summary
from monitor.notify.outcome import Outcome
from monitor.notify.trial import problem, try_now
from tests.alerts.scene import NOW as THEN
from tests.alerts.scene import health, level, outlook
from tests.notify.memory import NOW, active, notice, site
from tests.notify.sinks import web_server
from tests.support.broker import free_port


def test_a_test_notice_says_so_and_the_answer_is_told() -> None:
    with web_server() as web:
        home = site(Channel("push", f"json://127.0.0.1:{web.port}/?rto=30"))
        assert try_now(home, "push", NOW) == Outcome()
        assert web.got[0][1]["title"].startswith("Test from boiloff at Larch Hollow")
        assert "Nothing is wrong" in web.got[0][1]["message"]
        web.answers(403)
        assert try_now(home, "push", NOW).error == "the server answers 403 Forbidden: not allowed"
        web.answers("hang")
        assert try_now(home, "push", NOW, deadline_s=0.1).error == "no answer within 0 s"
        assert try_now(home, "log", NOW).ok


def test_a_channel_that_is_not_there_or_cannot_be_read() -> None:
    home = site(Channel("push", "nonsense://x"))
    with pytest.raises(BadInput, match="one of log, push"):
        try_now(home, "mail", NOW)
    with pytest.raises(BadInput, match="an apprise URL"):
        try_now(home, "push", NOW)
    assert "an apprise URL" in problem(home, "push")
    assert problem(home, "log") == ""


class Watcher(BaseHTTPRequestHandler):
    status = 200
    calls: list[str] = []  # noqa: RUF012

    def do_GET(self) -> None:
        self.calls.append(self.path)
        self.send_response(self.status)
        if self.status == 302:
            self.send_header("Location", "/elsewhere")
        self.send_header("Content-Length", "2")
        self.end_headers()
        self.wfile.write(b"OK")

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002
        pass


@pytest.fixture
def watcher() -> Iterator[tuple[type[Watcher], str]]:
    handler = type("Own", (Watcher,), {"calls": []})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
    yield handler, f"http://127.0.0.1:{server.server_address[1]}/beat-secret"
    server.shutdown()
    server.server_close()


def test_heartbeat(watcher: tuple[type[Watcher], str]) -> None:
    handler, url = watcher
    assert heartbeat.beat(url).ok
    assert handler.calls == ["/beat-secret"]
    handler.status = 500
    assert heartbeat.beat(url) == Outcome("the watcher answers 500")
    handler.status = 302
    assert heartbeat.beat(url) == Outcome("the watcher answers 302", permanent=True)
    assert "/elsewhere" not in handler.calls
    gone = heartbeat.beat(f"http://127.0.0.1:{free_port()}/beat-secret")
    assert gone.error == "the server refuses the connection"


def test_where_the_heartbeat_goes(tmp_path: Path) -> None:
    home = site()
    assert heartbeat.address(home) == ""
    named = replace(home, settings={"service.heartbeat_url": "https://example.org/x"})
    assert heartbeat.address(named) == "https://example.org/x"
    path = tmp_path / "url"
    path.write_text("https://example.org/secret\n")
    path.chmod(0o600)
    filed = replace(home, settings={"service.heartbeat_url": "", "service.heartbeat_url_file": str(path)})
    assert heartbeat.address(filed) == "https://example.org/secret"
    path.chmod(0o604)
    with pytest.raises(BadInput, match="chmod"):
        heartbeat.address(filed)


def local(day: int, hour: int) -> datetime:
    return datetime(2026, 1, day, hour, 30, tzinfo=UTC) + timedelta(hours=6)


def test_when_a_summary_is_due() -> None:
    daily, weekly = site(summary="daily", summary_hour=18), site(summary="weekly", summary_hour=18)
    assert not summary.due(site(), None, local(5, 18))
    assert summary.due(daily, None, local(5, 18))
    assert not summary.due(daily, local(5, 18), local(5, 19))
    assert summary.due(daily, local(5, 18), local(6, 18))
    assert not summary.due(daily, None, local(6, 3))  # missed by hours: not made up for
    assert summary.due(daily, local(20, 18), local(6, 18))  # the clock was ahead when the last one was made
    assert not summary.due(weekly, None, local(5, 18))  # a Monday
    assert summary.due(weekly, local(4, 17), local(4, 19))  # Sunday


def test_the_summary_says_how_things_stand() -> None:
    levels = (level("A", 0.5), level("B", 0.3))
    made = summary.make(site(), outlook({42: 600.0}), levels, {}, {}, THEN)
    assert made.headline == "Larch Hollow (invented): uncovered from Wed 02:00; fuel 40 %"
    assert "Coldest ahead: 7 °F, Wed 02:00." in made.body
    assert "A: 20.0 lb, 50 % (weighed 1 h ago)." in made.body
    assert made.id == "summary/site@2026-01-05#1"
    low = notice(at=THEN)
    failing = health(SourceHealth("mail", "channel", THEN - timedelta(hours=3), error="535 wrong password"))
    made = summary.make(site(), None, (), {low.key: active(low)}, failing, THEN)
    assert "the coming cold cannot be judged; fuel not known; 1 alerts stand" in made.headline
    assert "- Fuel low (site), since Mon 08:00" in made.body
    assert "- mail: 535 wrong password, for 3 h" in made.body
    assert summary.make(site(), outlook(), levels, {}, {}, THEN).headline.startswith(
        "Larch Hollow (invented): covered until Fri"
    )
