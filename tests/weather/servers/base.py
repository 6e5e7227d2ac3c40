"""A loopback HTTP server for tests: every request is noted, every answer can be made to go wrong on purpose."""

from __future__ import annotations

import gzip
import json
import ssl
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self
from urllib.parse import parse_qs, urlsplit

from tests.support.certs import Pair


@dataclass
class Asked:
    """One request as it came in. Header names are lower case."""

    path: str
    query: dict[str, str]
    headers: dict[str, str]


@dataclass
class Reply:
    """One answer. `how` says what goes wrong on the line: "" nothing, "cut", "drip", "drip-head", "hang", "huge"."""

    status: int = 200
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)
    how: str = ""


def json_reply(payload: Any, status: int = 200, kind: str = "application/json; charset=utf-8") -> Reply:
    return Reply(status, json.dumps(payload, ensure_ascii=False).encode(), {"Content-Type": kind})


def html(status: int, text: str = "Something is wrong here") -> Reply:
    page = f"<!DOCTYPE html><html><body><h1>{text}</h1></body></html>"
    return Reply(status, page.encode(), {"Content-Type": "text/html"})


class Loopback:
    """Serves on a free loopback port. A subclass answers honestly in `honest`; `traps` answer first, in turn.

    `trap(reply, times)` puts a faulty answer in front of the next `times` requests (-1: all that follow).
    """

    def __init__(self) -> None:
        self.asked: list[Asked] = []
        self._traps: list[tuple[Callable[[Asked], Reply | None], int]] = []
        self._over = threading.Event()
        self._scheme = "http"
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                outer.serve(self)

            def log_message(self, *_: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            block_on_close = False

            def handle_error(self, *_: object) -> None:
                pass  # a client that breaks off is what many of these tests are about

        self._server = Server(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)

    @property
    def url(self) -> str:
        return f"{self._scheme}://127.0.0.1:{self._server.server_port}"

    def secure(self, pair: Pair) -> Self:
        """Speak TLS with the certificate and key of `pair`."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(pair.certificate, pair.key)
        self._server.socket = context.wrap_socket(self._server.socket, server_side=True, do_handshake_on_connect=False)
        self._scheme = "https"
        return self

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._server.shutdown()
        self._server.server_close()

    def honest(self, asked: Asked) -> Reply:
        raise NotImplementedError

    def trap(self, reply: Reply | Callable[[Asked], Reply | None], times: int = -1) -> None:
        """The next `times` answers are `reply`; a function may return None to let the honest answer through."""
        self._traps.append((reply if callable(reply) else lambda _: reply, times))

    def clear(self) -> None:
        self._traps.clear()

    def serve(self, handler: BaseHTTPRequestHandler) -> None:
        parts = urlsplit(handler.path)
        query = {k: v[-1] for k, v in parse_qs(parts.query, keep_blank_values=True).items()}
        asked = Asked(parts.path, query, {k.lower(): v for k, v in handler.headers.items()})
        self.asked.append(asked)
        reply = self._trapped(asked) or self.honest(asked)
        getattr(self, "_send_" + (reply.how or "whole").replace("-", "_"))(handler, reply)

    def _trapped(self, asked: Asked) -> Reply | None:
        while self._traps:
            make, times = self._traps[0]
            if times == 0:
                self._traps.pop(0)
                continue
            self._traps[0] = (make, times - 1)
            return make(asked)
        return None

    def _head(self, handler: BaseHTTPRequestHandler, status: int, headers: Mapping[str, str], length: int) -> None:
        handler.send_response(status)
        for name, value in headers.items():
            handler.send_header(name, value)
        if "Content-Length" not in headers:
            handler.send_header("Content-Length", str(length))
        handler.end_headers()

    def _send_whole(self, handler: BaseHTTPRequestHandler, reply: Reply) -> None:
        body, headers = reply.body, dict(reply.headers)
        if body and "gzip" in handler.headers.get("Accept-Encoding", ""):
            body = gzip.compress(body, 1)
            headers["Content-Encoding"] = "gzip"
        self._head(handler, reply.status, headers, len(body))
        if reply.status != 304:
            handler.wfile.write(body)

    def _send_cut(self, handler: BaseHTTPRequestHandler, reply: Reply) -> None:
        self._head(handler, reply.status, reply.headers, len(reply.body))
        handler.wfile.write(reply.body[: len(reply.body) // 2])
        handler.wfile.flush()
        handler.close_connection = True
        handler.connection.close()

    def _send_drip(self, handler: BaseHTTPRequestHandler, reply: Reply) -> None:
        self._head(handler, reply.status, reply.headers, len(reply.body))
        for i in range(len(reply.body)):
            handler.wfile.write(reply.body[i : i + 1])
            handler.wfile.flush()
            if self._over.wait(0.05):
                return

    def _send_drip_head(self, handler: BaseHTTPRequestHandler, reply: Reply) -> None:
        for byte in b"HTTP/1.1 200 OK\r\nX-Slow: " + b"a" * 60_000:
            handler.wfile.write(bytes([byte]))
            handler.wfile.flush()
            if self._over.wait(0.05):
                return

    def _send_hang(self, handler: BaseHTTPRequestHandler, reply: Reply) -> None:
        self._over.wait(60.0)

    def _send_huge(self, handler: BaseHTTPRequestHandler, reply: Reply) -> None:
        """50 MB of JSON without a length, sent as fast as it is taken."""
        handler.send_response(200)
        handler.send_header("Content-Type", "application/json")
        handler.send_header("Connection", "close")
        handler.end_headers()
        handler.close_connection = True
        part = b'{"hourly":[' + b"0," * 32_768
        ends = time.monotonic() + 20.0
        for _ in range(50 * 1024 * 1024 // len(part) + 1):
            handler.wfile.write(part)
            if time.monotonic() > ends:
                return
