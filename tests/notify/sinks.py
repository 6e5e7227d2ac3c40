"""Real servers on loopback: a mail server (plain, STARTTLS, TLS, with log-in) and a web server with every fault."""

from __future__ import annotations

import datetime as dt
import json
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from email import message_from_bytes
from email.message import Message
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from tests.support.broker import free_port

USER, PASSWORD = "larch@example.org", "w0od-sm0ke/9"


def certificate(folder: Path) -> tuple[Path, Path]:
    """Write a certificate of its own for 127.0.0.1 and localhost; return (certificate, key)."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    now = dt.datetime.now(dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=2))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    cert_path, key_path = folder / "cert.pem", folder / "key.pem"
    cert_path.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    key_path.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return cert_path, key_path


class Letters:
    """aiosmtpd handler: keeps what was accepted; `answer` may refuse."""

    def __init__(self) -> None:
        self.taken: list[Message] = []
        self.recipients: list[list[str]] = []
        self.answer: Callable[[int], str] = lambda _: "250 OK"
        self.recipient_answer: Callable[[str], str] = lambda _: "250 OK"
        self.tries = 0

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:  # noqa: N802
        answer = self.recipient_answer(address)
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        self.tries += 1
        answer = self.answer(self.tries)
        if answer.startswith("250"):
            self.taken.append(message_from_bytes(envelope.content))
            self.recipients.append(list(envelope.rcpt_tos))
        return answer


def _login(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
    fine = data.login == USER.encode() and data.password == PASSWORD.encode()
    return AuthResult(success=fine, handled=fine)


class _Tls(Controller):  # type: ignore[misc]
    """A server that wants log-in and offers TLS from the first byte or by STARTTLS."""

    def __init__(self, handler: Letters, mode: str, context: ssl.SSLContext | None, auth: bool) -> None:
        self._mode, self._context, self._auth = mode, context, auth
        super().__init__(
            handler, hostname="127.0.0.1", port=free_port(), ssl_context=context if mode == "ssl" else None
        )

    def factory(self) -> SMTP:
        return SMTP(
            self.handler,
            hostname="localhost",
            tls_context=self._context if self._mode == "starttls" else None,
            require_starttls=self._mode == "starttls",
            authenticator=_login if self._auth else None,
            auth_required=self._auth,
            auth_require_tls=self._mode == "starttls",
        )


@contextmanager
def mail_server(
    mode: str = "insecure", cert: tuple[Path, Path] | None = None, *, auth: bool = False
) -> Iterator[tuple[Letters, int]]:
    """Run a mail server; yield what it took and its port."""
    context = None
    if cert is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*cert)
    letters = Letters()
    controller = _Tls(letters, mode, context, auth)
    controller.start()
    try:
        yield letters, int(controller.port)
    finally:
        controller.stop()


class Web:
    """A web server whose next answers are set by `plan`: a status, "hang" or "cut"; the last one stays."""

    def __init__(self) -> None:
        self.plan: list[tuple[int | str, dict[str, str]]] = [(200, {})]
        self.got: list[tuple[dict[str, str], dict[str, Any]]] = []
        self.times: list[float] = []
        self.release = threading.Event()
        self._lock = threading.Lock()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                outer._answer(self)

            def log_message(self, format: str, *args: Any) -> None:  # noqa: A002
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.port = int(self.server.server_address[1])
        self._thread = threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True)

    def answers(self, *plan: int | str, headers: dict[str, str] | None = None) -> None:
        self.plan = [(p, headers or {}) for p in plan]

    def _answer(self, handler: BaseHTTPRequestHandler) -> None:
        length = int(handler.headers.get("Content-Length", 0))
        body = handler.rfile.read(length)
        if len(body) < length:  # whoever sent it died
            handler.close_connection = True
            return
        with self._lock:
            what, headers = self.plan.pop(0) if len(self.plan) > 1 else self.plan[0]
            self.times.append(time.monotonic())
            if what == "cut after":  # taken, but the answer never gets there
                self.got.append((dict(handler.headers), json.loads(body)))
        if what == "hang":
            self.release.wait(60)
            return
        if what in {"cut", "cut after"}:
            handler.close_connection = True
            handler.connection.shutdown(socket.SHUT_RDWR)
            return
        assert isinstance(what, int)
        if 200 <= what < 300:
            with self._lock:
                self.got.append((dict(handler.headers), json.loads(body)))
        handler.send_response(what)
        for key, value in headers.items():
            handler.send_header(key, value)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    @property
    def ids(self) -> list[str]:
        """The notice ids that were taken, in order."""
        return [headers["Idempotency-Key"] for headers, _ in self.got]


@contextmanager
def web_server(web: Web | None = None) -> Iterator[Web]:
    web = web or Web()
    web._thread.start()
    try:
        yield web
    finally:
        web.release.set()
        web.server.shutdown()
        web.server.server_close()
