"""Faults on the line, each against a real socket: what takes long ends on time, what is too big is dropped."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator

import pytest

from monitor.weather import WeatherError, http
from monitor.weather.client import told
from tests.support.certs import Authority
from tests.support.stalls import running
from tests.weather.servers.base import Asked, Loopback, Reply, html, json_reply


class Plain(Loopback):
    def honest(self, asked: Asked) -> Reply:
        return json_reply({"fine": True, "path": asked.path})


@pytest.fixture
def server() -> Iterator[Plain]:
    with Plain() as running:
        yield running


def get(server: Plain, deadline_s: float = 30.0, path: str = "/a", max_bytes: int = http.MAX_BYTES) -> http.Answer:
    return http.get(
        server.url + path, who="Test", agent="boiloff/1 (x@example.org)", deadline_s=deadline_s, max_bytes=max_bytes
    )


def test_an_honest_answer(server: Plain) -> None:
    answer = get(server)
    assert answer.status == 200
    assert answer.json("Test") == {"fine": True, "path": "/a"}
    assert server.asked[0].headers["user-agent"] == "boiloff/1 (x@example.org)"
    assert "cookie" not in server.asked[0].headers


def test_no_credentials_from_a_netrc_file(
    server: Plain, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path_factory.mktemp("home") / "netrc"
    file.write_text("machine 127.0.0.1 login me password mine\n")
    monkeypatch.setenv("NETRC", str(file))
    get(server)
    assert "authorization" not in server.asked[0].headers


@pytest.mark.parametrize("how", ["drip", "drip-head", "hang"])
def test_a_slow_answer_ends_on_time(server: Plain, how: str) -> None:
    server.trap(Reply(200, b'{"a": "' + b"x" * 10_000 + b'"}', how=how))
    began = time.monotonic()
    with running() as took, pytest.raises(WeatherError, match=r"took longer than|no answer in time") as caught:
        get(server, deadline_s=0.7)
    assert caught.value.kind == "temporary"
    assert time.monotonic() - began > 0.6
    assert took.s < 2.0


def test_a_body_cut_off_half_way(server: Plain) -> None:
    server.trap(Reply(200, b'{"a": "' + b"x" * 10_000 + b'"}', how="cut"))
    with pytest.raises(WeatherError, match="broke off") as caught:
        get(server)
    assert caught.value.kind == "temporary"


def test_fifty_megabytes_are_refused_early(server: Plain) -> None:
    server.trap(Reply(how="huge"))
    with running() as took, pytest.raises(WeatherError, match="more than any forecast"):
        get(server, deadline_s=20.0)
    assert took.s < 10.0


def test_a_length_that_is_too_much_is_refused_unread(server: Plain) -> None:
    server.trap(Reply(200, b"{}", {"Content-Length": str(50 * 1024 * 1024)}, how="cut"))
    with pytest.raises(WeatherError, match="52,428,800 bytes"):
        get(server)


def test_a_small_answer_that_unpacks_to_much_is_refused(server: Plain) -> None:
    server.trap(Reply(200, b"[" + b" " * (50 * 1024 * 1024) + b"]"))
    with pytest.raises(WeatherError, match="more than any forecast"):
        get(server)


def test_a_redirect_within_the_host_is_followed(server: Plain) -> None:
    server.trap(Reply(301, headers={"Location": "/b"}), times=1)
    assert get(server).json("Test")["path"] == "/b"


@pytest.mark.parametrize("target", ["http://localhost:{port}/b", "http://example.invalid/b", "//example.invalid/b"])
def test_a_redirect_to_elsewhere_is_refused(server: Plain, target: str) -> None:
    server.trap(Reply(302, headers={"Location": target.format(port=server.url.rsplit(":", 1)[1])}))
    with pytest.raises(WeatherError, match="another place") as caught:
        get(server)
    assert caught.value.kind == "permanent"
    assert len(server.asked) == 1


def test_redirects_in_a_circle_end(server: Plain) -> None:
    server.trap(Reply(307, headers={"Location": "/a"}))
    with pytest.raises(WeatherError, match="keeps sending"):
        get(server)
    assert len(server.asked) == http.MAX_REDIRECTS


def test_nothing_listens() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        with pytest.raises(WeatherError, match="nothing listens") as caught:
            http.get(f"http://127.0.0.1:{port}/", who="Test", agent="a", deadline_s=30.0)
    assert str(port) not in caught.value.message


@pytest.mark.parametrize(
    ("reply", "words"),
    [
        (Reply(200, b""), "with nothing"),
        (html(200), "web page"),
        (Reply(200, b'{"hourly":{"time":[1,2,3]Something went wrong'), "broken JSON"),
        (Reply(200, b"\xff\xfe\x00rubbish"), "broken JSON"),
    ],
)
def test_a_body_that_is_no_json(server: Plain, reply: Reply, words: str) -> None:
    server.trap(reply)
    answer = get(server)
    with pytest.raises(WeatherError, match=words) as caught:
        answer.json("Test")
    assert caught.value.kind == "temporary"


def test_a_server_that_is_no_http() -> None:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(1)

        def greet() -> None:
            peer, _ = listener.accept()
            with peer:
                peer.sendall(b"220 mail ready\r\n")

        thread = threading.Thread(target=greet, daemon=True)
        thread.start()
        with pytest.raises(WeatherError) as caught:
            http.get(f"http://127.0.0.1:{listener.getsockname()[1]}/", who="Test", agent="a", deadline_s=30.0)
        thread.join(30.0)
    assert caught.value.kind == "temporary"


def test_http_dates() -> None:
    assert http.parse_date("Tue, 06 Jan 2026 10:11:12 GMT") is not None
    assert http.parse_date("soon") is None
    assert http.parse_date("") is None


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("ca"))


def test_tls_with_a_certificate_that_is_trusted(authority: Authority, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(authority.certificate))
    with Plain().secure(authority.sign("server", server=True)) as server:
        assert get(server).json("Test")["fine"] is True


def test_tls_with_a_certificate_that_is_not(authority: Authority) -> None:
    with Plain().secure(authority.sign("server", server=True)) as server:
        with pytest.raises(WeatherError, match="certificate is not trusted"):
            get(server)
        assert server.asked == []


@pytest.mark.parametrize("how", ["drip", "drip-head", "hang", "cut"])
def test_faults_within_tls(authority: Authority, monkeypatch: pytest.MonkeyPatch, how: str) -> None:
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(authority.certificate))
    with Plain().secure(authority.sign("server", server=True)) as server:
        server.trap(Reply(200, b'{"a": "' + b"x" * 10_000 + b'"}', how=how))
        with running() as took, pytest.raises(WeatherError) as caught:
            get(server, deadline_s=1.0)
        assert caught.value.kind == "temporary"
        assert took.s < 3.0


def test_no_downgrade_from_tls(authority: Authority, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(authority.certificate))
    with Plain() as plain, Plain().secure(authority.sign("server", server=True)) as server:
        server.trap(Reply(302, headers={"Location": plain.url + "/a"}))
        with pytest.raises(WeatherError, match="another place"):
            get(server)
        assert plain.asked == []


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("outside the grid", "outside the grid"),
        ("two\nlines\tand\x00more", "two lines and more"),
        ("half a pair \ud800, no letter \u0e78, \u202eturned", "half a pair , no letter , turned"),
        ("°C é ß", "°C é ß"),
        ("x" * 5_000, "x" * 200),
    ],
)
def test_what_a_server_says_is_printable_and_short(sent: str, kept: str) -> None:
    assert told(sent) == kept
    assert kept.isprintable()
