"""Attacks that must be refused while the page stays up."""

from __future__ import annotations

import contextlib
import re
import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from monitor.model.errors import BadInput
from monitor.web import door, guard, secret, server
from tests.support.stalls import running
from tests.web import house
from tests.web.house import House

PASSWORD = "five plain words in row"


@pytest.fixture
def client(home: House) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=home.url) as made:
        yield made


def _token(client: httpx.Client, path: str = "/enter") -> str:
    found = re.search(r'name="token" value="([^"]+)"', client.get(path).text)
    assert found is not None
    return found[1]


def _up(home: House) -> bool:
    return httpx.get(home.url + "/", timeout=60).status_code == 200


@pytest.mark.parametrize("name", ["evil.example", "evil.example:8087", "localhost.evil.example", "", "[::1", "a b"])
def test_a_foreign_name_that_resolves_to_us_is_refused(home: House, name: str) -> None:
    with socket.create_connection(("127.0.0.1", home.port)) as raw:
        raw.sendall(f"GET / HTTP/1.1\r\nHost: {name}\r\nConnection: close\r\n\r\n".encode())
        answer = raw.makefile("rb").read()
    assert answer.startswith((b"HTTP/1.1 421", b"HTTP/1.1 400"))
    assert b"left" not in answer


@pytest.mark.parametrize("name", ["localhost", "127.0.0.1", "[::1]:8087", "LOCALHOST:1", "192.0.2.7"])
def test_our_own_names_and_addresses_are_served(client: httpx.Client, name: str) -> None:
    assert client.get("/healthz", headers={"host": name}).status_code == 200


def test_every_answer_carries_the_policy(client: httpx.Client) -> None:
    for path in ("/", "/nope", "/v1/outlook", "/static/chart.js", "/v1/past.csv"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy, path
        assert "script-src 'self'" in policy, path
        assert "unsafe" not in policy, path
        assert headers["x-content-type-options"] == "nosniff", path


def test_pages_hold_no_inline_script_or_style(client: httpx.Client) -> None:
    for path in ("/", "/outlook", "/past", "/alerts", "/suppose"):
        text = client.get(path).text
        assert not re.search(r"<script(?![^>]*\bsrc=)|\son\w+=|\sstyle=|<style", text), path


def test_a_form_without_its_token_changes_nothing(home: House, client: httpx.Client) -> None:
    client.get("/enter")
    fields = {"cylinder": "A", "how": "weighs", "amount": "50 lb", "at": ""}
    for token in ("", "x" * 43):
        answer = client.post("/enter", data={**fields, "token": token})
        assert answer.status_code == 400
        assert "load the page again" in answer.text
    for path in ("/alerts/acknowledge", "/alerts/shelve", "/alerts/unshelve", "/valve", "/inputs/test", "/logout"):
        assert client.post(path, data={"key": "x"}).status_code == 400, path


def test_the_token_of_another_session_is_refused(home: House, client: httpx.Client) -> None:
    with httpx.Client(base_url=home.url) as other:
        stolen = _token(other)
    client.get("/enter")
    fields = {"cylinder": "A", "how": "weighs", "amount": "50 lb", "token": stolen}
    assert client.post("/enter", data=fields).status_code == 400


@pytest.mark.parametrize(
    "headers",
    [{"origin": "http://evil.example"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"},
     {"sec-fetch-site": "same-site"}],
)  # fmt: skip
def test_a_form_sent_from_another_site_is_refused(client: httpx.Client, headers: dict[str, str]) -> None:
    token = _token(client)
    fields = {"cylinder": "A", "how": "weighs", "amount": "50 lb", "token": token}
    assert client.post("/enter", data=fields, headers=headers).status_code == 403


def test_the_session_cookie_is_kept_from_scripts_and_other_sites(client: httpx.Client) -> None:
    cookie = client.get("/").headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_a_body_that_says_it_is_100_mb_is_refused_before_it_is_read(home: House) -> None:
    with socket.create_connection(("127.0.0.1", home.port)) as raw:
        raw.sendall(b"POST /enter HTTP/1.1\r\nHost: localhost\r\nContent-Length: 104857600\r\n\r\n")
        assert raw.makefile("rb").read(12) == b"HTTP/1.1 413"
    assert _up(home)


def test_a_body_without_a_length_is_cut_off(home: House) -> None:
    with socket.create_connection(("127.0.0.1", home.port)) as raw:
        raw.sendall(b"POST /enter HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n")
        sent, chunk = 0, b"10000\r\n" + b"x" * 65536 + b"\r\n"
        try:
            while sent < 100_000_000:
                raw.sendall(chunk)
                sent += 65536
        except OSError:
            pass
        assert sent < 20_000_000  # what the kernel took before the connection was closed
    assert _up(home)


def test_a_slow_body_is_given_up(home: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_S", 0.3)
    with socket.create_connection(("127.0.0.1", home.port)) as raw:
        raw.settimeout(60)
        raw.sendall(b"POST /enter HTTP/1.1\r\nHost: localhost\r\nContent-Length: 50\r\n\r\nx=")
        assert raw.makefile("rb").read(12) == b"HTTP/1.1 408"


def test_a_slow_head_is_given_up(home: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "HEAD_S", 0.3)
    with socket.create_connection(("127.0.0.1", home.port)) as raw:
        raw.settimeout(60)
        raw.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
        with running() as took, _closed():
            assert raw.recv(100) == b""
        assert took.s < 3


class _closed:  # noqa: N801  reads as a word where it is used
    """A connection may be closed in an orderly way or be reset."""

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> bool:
        return kind is not None and issubclass(kind, ConnectionResetError)


@pytest.mark.parametrize("sent", [b"", b"POST /enter HTTP/1.1\r\nHost: localhost\r\nContent-Length: 50\r\n\r\nx="])
def test_five_hundred_connections_leave_room_for_the_household(home: House, sent: bytes) -> None:
    held = []
    try:
        for _ in range(500):
            one = socket.create_connection(("127.0.0.1", home.port))
            with contextlib.suppress(OSError):
                one.sendall(sent)
            held.append(one)
        assert _up(home)
    finally:
        for one in held:
            one.close()


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/guard.py", "/static//etc/passwd",
     "/static/....//app.py", "/static/..\\app.py", "/static/%00"],
)  # fmt: skip
def test_no_file_outside_the_static_folder_is_served(home: House, path: str) -> None:
    with socket.create_connection(("127.0.0.1", home.port)) as raw:
        raw.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        answer = raw.makefile("rb").read()
    assert re.match(rb"HTTP/1.1 (404|400)", answer)
    assert b"import" not in answer
    assert b"root:" not in answer


def test_script_in_names_is_text(tmp_path: Path) -> None:
    evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"
    plain = house.site()
    path = tmp_path / "store.db"
    house.fill(path, plain)
    first = replace(plain.cylinders[0], name=evil)
    named = replace(plain, name=evil, cylinders=(first, *plain.cylinders[1:]), channels=())
    with house.served(path, named) as made, httpx.Client(base_url=made.url) as client:
        for page in ("/", "/enter", "/valve", "/suppose", "/suppose?heater=" + "%3Cscript%3E", "/site", "/past",
                     "/flame", "/map", "/explain"):  # fmt: skip
            text = client.get(page).text
            assert "<script>" not in text, page
            assert "<img" not in text, page


def test_a_cell_is_no_formula() -> None:
    from monitor.web.api import _cell

    assert _cell("=cmd()") == "'=cmd()"
    assert _cell("@x") == "'@x"
    assert _cell(-3.5) == -3.5
    assert _cell("A") == "A"


@pytest.fixture
def locked(filled: Path) -> Iterator[House]:
    with house.served(filled, house.site(), password_hash=secret.hash_of(PASSWORD)) as made:
        yield made


def test_without_the_password_nothing_is_told(locked: House) -> None:
    with httpx.Client(base_url=locked.url) as client:
        for path in ("/", "/outlook", "/past", "/alerts", "/site"):
            answer = client.get(path)
            assert answer.status_code == 303, path
            assert answer.headers["location"] == "/login", path
        for path in ("/v1/outlook", "/v1/readings", "/metrics", "/v1/past.csv", "/v1/openapi.json"):
            assert client.get(path).status_code == 401, path
        assert client.post("/enter", data={"cylinder": "A"}).status_code == 401


def test_the_password_opens_and_the_log_out_closes(locked: House) -> None:
    with httpx.Client(base_url=locked.url) as client:
        assert client.post("/login", data={"password": "no"}).status_code == 401
        assert client.post("/login", data={"password": PASSWORD}).status_code == 303
        assert client.get("/").status_code == 200
        kept = dict(client.cookies)
        assert client.post("/logout", data={"token": _token(client)}).headers["location"] == "/login"
        header = "; ".join(f"{name}={value}" for name, value in kept.items())
        assert httpx.get(locked.url, headers={"cookie": header}).status_code == 303


def test_guessing_is_stopped_even_with_the_right_word_at_last(locked: House) -> None:
    with httpx.Client(base_url=locked.url) as client:
        for _ in range(5):
            assert client.post("/login", data={"password": "guess"}).status_code == 401
        assert client.post("/login", data={"password": PASSWORD}).status_code == 429
        locked.guard.tries.clear()
        assert client.post("/login", data={"password": PASSWORD}).status_code == 303


def test_a_proxy_is_believed_only_from_where_it_should_be(filled: Path) -> None:
    with house.served(filled, house.site(), proxy_header="x-user") as made:
        assert httpx.get(made.url, headers={"x-user": "ann"}).status_code == 200
        assert httpx.get(made.url).status_code == 403
    with house.served(filled, house.site(), proxy_header="x-user", proxies=frozenset({"192.0.2.1"})) as made:
        assert httpx.get(made.url, headers={"x-user": "ann"}).status_code == 403


@pytest.mark.parametrize("listen", ["0.0.0.0:8087", "192.168.1.2:80", "[::]:8087", "house.lan:8087"])
def test_beyond_loopback_only_with_a_password(listen: str, tmp_path: Path) -> None:
    plain = house.site()
    beyond = replace(plain, settings={**plain.settings, "service.listen": listen})
    with pytest.raises(BadInput, match=r"service\.listen"):
        door.make(beyond)
    file = tmp_path / "hash"
    secret.write(file, secret.hash_of(PASSWORD))
    assert file.stat().st_mode & 0o077 == 0
    made = door.make(replace(beyond, settings={**beyond.settings, "service.password_file": str(file)}))
    assert made.password_hash.startswith("$argon2id$")


@pytest.mark.parametrize("text", ["", "hunter2", "$2b$12$abc"])
def test_a_file_without_a_hash_is_refused(tmp_path: Path, text: str) -> None:
    file = tmp_path / "hash"
    file.write_text(text)
    file.chmod(0o600)
    with pytest.raises(BadInput, match=r"argon2id"):
        secret.read(str(file))
    with pytest.raises(BadInput, match=r"password_file"):
        secret.read(str(tmp_path / "absent"))
