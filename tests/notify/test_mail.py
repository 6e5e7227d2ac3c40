"""Mail through a real server: TLS and log-in, one id for a notice, the server's real answer."""

from __future__ import annotations

import re
from email.header import decode_header, make_header
from pathlib import Path
from urllib.parse import quote

import pytest

from monitor.model.errors import BadInput
from monitor.model.site import Channel
from monitor.notify import channels, mail
from monitor.notify.outcome import Outcome
from tests.notify.memory import NOW, notice
from tests.notify.sinks import PASSWORD, USER, Letters, certificate, mail_server
from tests.support.broker import free_port

# The test's server does so on purpose: the plain mode is tried too.
pytestmark = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")


def url(port: int, mode: str = "insecure", *, password: str = PASSWORD, login: bool = True, more: str = "") -> str:
    scheme = "mailto" if mode == "insecure" else "mailtos"
    user = f"{quote(USER, safe='')}:{quote(password, safe='')}@" if login else ""
    return (
        f"{scheme}://{user}localhost:{port}/?smtp=localhost&mode={mode}&from=boiloff%40example.org"
        f"&to=kim%40example.net{more}"
    )


def send(address: str, n: object = None) -> Outcome:
    way = channels.open_way(Channel("mail", address))
    return way.send(notice() if n is None else n, NOW)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def cert(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return certificate(tmp_path_factory.mktemp("cert"))


@pytest.mark.parametrize("mode", ["insecure", "starttls", "ssl"])
def test_mail_arrives_with_log_in(mode: str, cert: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(cert[0]))
    with mail_server(mode, cert, auth=True) as (letters, port):
        n = notice(headline="Wed 02:00-05:00: full burners hold 22 of 60 min at -14 °C")
        assert send(url(port, mode), n) == Outcome()
    (letter,) = letters.taken
    assert letters.recipients == [["kim@example.net"]]
    assert letter.get_all("Message-ID") == [mail.message_id(n.id, "mail", "example.org")]
    assert letter["Auto-Submitted"] == "auto-generated"
    assert letter["In-Reply-To"] is None
    payload = letter.get_payload(decode=True)
    assert isinstance(payload, bytes)
    assert payload.decode().strip() == n.body.strip()


def test_the_id_is_the_same_at_each_attempt_and_valid() -> None:
    with mail_server() as (letters, port):
        address = url(port, login=False)
        later = notice(number=2, what="updated")
        for n in (notice(), notice(), later):
            assert send(address, n).ok
    a, b, c = letters.taken
    assert a["Message-ID"] == b["Message-ID"] != c["Message-ID"]
    assert c["In-Reply-To"] == c["References"] == a["Message-ID"]
    # RFC 5322 3.6.4: "<" dot-atom-text "@" dot-atom-text ">"
    atom = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
    assert re.fullmatch(rf"<{atom}(\.{atom})*@{atom}(\.{atom})*>", str(a["Message-ID"]))


def test_names_in_any_script_pass() -> None:
    with mail_server() as (letters, port):
        n = notice("sensor-silent/Küche 厨房", headline="Küche 厨房: -14 °C\nBcc: x@example.org")
        assert send(url(port, login=False), n).ok
    (letter,) = letters.taken
    subject = make_header(decode_header(str(letter["Subject"])))
    assert str(subject) == "Küche 厨房: -14 °C Bcc: x@example.org"
    assert letter["Bcc"] is None


def test_ids_of_unlike_notices_never_meet() -> None:
    made = {mail.message_id(i, c, "example.org") for i in ("a/b@x#1", "a-b@x#1", "a/b@x#11") for c in ("m", "n")}
    assert len(made) == 6


def test_wrong_password_is_for_good_and_stays_secret(cert: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(cert[0]))
    with mail_server("starttls", cert, auth=True) as (letters, port):
        outcome = send(url(port, "starttls", password="not-the-one"))
    assert outcome.permanent
    assert outcome.error.startswith("the server refuses user or password: 535")
    assert "not-the-one" not in outcome.error
    assert letters.taken == []


@pytest.mark.parametrize(
    ("answer", "permanent"),
    [("451 try later", False), ("452 full", False), ("552 too big", True), ("554 spam", True)],
)
def test_the_servers_answer_is_kept(answer: str, permanent: bool) -> None:
    with mail_server() as (letters, port):
        letters.answer = lambda _: answer
        outcome = send(url(port, login=False))
    assert (outcome.error, outcome.permanent) == (f"the server answers {answer}", permanent)


@pytest.mark.parametrize(("code", "permanent"), [("550 no such user", True), ("450 greylisted", False)])
def test_refused_recipients(code: str, permanent: bool) -> None:
    with mail_server() as (letters, port):
        letters.recipient_answer = lambda _: code
        outcome = send(url(port, login=False))
    assert outcome.permanent is permanent
    assert code in outcome.error


def test_one_recipient_of_two_refused_counts_as_delivered(caplog: pytest.LogCaptureFixture) -> None:
    with mail_server() as (letters, port):
        letters.recipient_answer = lambda a: "550 unknown" if a.startswith("lee") else "250 OK"
        assert send(url(port, login=False, more="%2Clee%40example.net")).ok
    assert letters.recipients == [["kim@example.net"]]
    assert "one recipient is refused: 550 unknown" in caplog.text


def test_a_server_that_is_not_there() -> None:
    outcome = send(url(free_port(), login=False))
    assert outcome == Outcome("the server refuses the connection")


def test_a_certificate_that_is_not_trusted(cert: tuple[Path, Path]) -> None:
    with mail_server("ssl", cert) as (_, port):
        outcome = send(url(port, "ssl", login=False))
    assert "certificate is not trusted" in outcome.error
    assert not outcome.permanent


def test_a_server_without_tls_is_not_spoken_to_in_the_clear() -> None:
    with mail_server() as (letters, port):
        outcome = send(url(port, "starttls"))
    assert outcome.permanent
    assert letters.taken == []


def test_a_server_that_cuts_may_have_taken_it() -> None:
    class Cut(Letters):
        async def handle_DATA(self, server, session, envelope):  # type: ignore[no-untyped-def]  # noqa: N802
            server.transport.abort()
            return "250 OK"

    with mail_server() as (letters, port):
        letters.__class__ = Cut
        outcome = send(url(port, login=False))
    assert outcome.unsure
    assert not outcome.permanent
    assert outcome.error == "the server cut the connection"


def test_mail_signed_by_pgp_is_refused_plainly() -> None:
    with pytest.raises(BadInput, match="without pgp"):
        channels.open_way(Channel("mail", "mailto://u:p@localhost/?pgp=sign&from=a@b.example"))
