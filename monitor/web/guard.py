"""Who may use the page: Host check, sessions, log-in with a slow hash and a limit, and a token in every form.

On loopback no password is needed; beyond it the service refuses to start without a password or a trusted proxy's
header. A session and its form token live in memory: a restart asks for the password again; nothing secret is kept.
"""

from __future__ import annotations

import asyncio
import hmac
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.model.errors import BadInput, Problem

COOKIE = "boiloff_session"
SESSION_S = 30 * 86_400.0
OPEN_PATHS = ("/static/", "/login", "/healthz", "/manifest.webmanifest")
MOST_BODY = 100_000  # bytes: forms are small
TEST_EVERY_S = 10.0
BODY_S = 10.0  # for the whole body of a form
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


@dataclass(slots=True)
class Session:
    """One browser's session: when it began (monotonic seconds) and the token its forms must carry."""

    began: float
    token: str


@dataclass(slots=True)
class Tries:
    """Failed log-ins from one address since `began` (monotonic seconds)."""

    began: float
    count: int = 0


@dataclass(slots=True)
class Guard:
    """State of the door. `password_hash` is argon2's text; "" = no password, which only loopback may have."""

    hosts: frozenset[str]
    password_hash: str = ""
    proxy_header: str = ""  # name of a header that a trusted reverse proxy sets for a user it has let in
    proxies: frozenset[str] = frozenset({"127.0.0.1", "::1"})  # addresses whose headers are believed
    session_s: float = SESSION_S
    monotonic: Callable[[], float] = field(default=lambda: 0.0)
    sessions: dict[str, Session] = field(default_factory=dict)
    tries: dict[str, Tries] = field(default_factory=dict)
    most_tries: int = 5
    tries_window_s: float = 300.0
    tested_at: float = float("-inf")
    one_at_a_time: threading.Lock = field(default_factory=threading.Lock)

    def session(self, request: Request) -> Session | None:
        """Return the request's session where it has a live one."""
        key = request.cookies.get(COOKIE, "")
        found = self.sessions.get(key)
        if found is not None and self.monotonic() - found.began > self.session_s:
            del self.sessions[key]
            return None
        return found

    def begin(self, response: Response, *, secure: bool) -> Session:
        """Open a session and set its cookie on `response`."""
        if len(self.sessions) > 1000:  # a client that keeps no cookies must not fill the memory
            oldest = min(self.sessions, key=lambda k: self.sessions[k].began)
            del self.sessions[oldest]
        key, made = secrets.token_urlsafe(32), Session(self.monotonic(), secrets.token_urlsafe(32))
        self.sessions[key] = made
        response.set_cookie(
            COOKIE, key, max_age=int(self.session_s), httponly=True, samesite="strict", secure=secure, path="/"
        )
        return made

    def end(self, request: Request, response: Response) -> None:
        """End the request's session."""
        self.sessions.pop(request.cookies.get(COOKIE, ""), None)
        response.delete_cookie(COOKIE, path="/")

    def may_test(self) -> bool:
        """Whether a test notice may go out: one in ten seconds, so that the page cannot flood a phone."""
        now = self.monotonic()
        if now - self.tested_at < TEST_EVERY_S:
            return False
        self.tested_at = now
        return True

    def blocked(self, address: str) -> bool:
        """Whether `address` has failed too often of late."""
        record = self.tries.get(address)
        if record is None or self.monotonic() - record.began > self.tries_window_s:
            return False
        return record.count >= self.most_tries

    def check_password(self, address: str, password: str) -> bool:
        """Compare a password with the stored hash (argon2id, slow on purpose); each failure counts.

        A try counts before it is judged, so that many at once gain nothing; one is judged at a time, as each takes
        the memory that the hash was made with.
        """
        from argon2 import PasswordHasher
        from argon2.exceptions import Argon2Error, InvalidHashError

        with self.one_at_a_time:
            if self.blocked(address):
                return False
            record = self.tries.get(address)
            if record is None or self.monotonic() - record.began > self.tries_window_s:
                if len(self.tries) > 10_000:
                    self.tries.clear()
                record = self.tries[address] = Tries(self.monotonic())
            record.count += 1
            try:
                PasswordHasher().verify(self.password_hash, password)
            except (Argon2Error, InvalidHashError):
                return False
            self.tries.pop(address, None)
            return True


def split_address(listen: str) -> tuple[str, int]:
    """Return host (an IPv6 address without its brackets) and port of "host:port"."""
    host, _, port = listen.rpartition(":")
    return host.strip("[]"), int(port)


def check_listen(listen: str, guard: Guard) -> None:
    """Refuse to open the page beyond loopback without a password or a proxy's header.

    Raises BadInput naming `service.listen`.
    """
    host, _ = split_address(listen)
    try:
        loopback = ip_address(host).is_loopback
    except ValueError:
        loopback = host == "localhost"
    if not loopback and not guard.password_hash and not guard.proxy_header:
        raise BadInput(
            Problem(
                "service.listen",
                listen,
                "a loopback address, or a password for anything beyond",
                "set service.password_file (made by `boiloff password`), or service.proxy_user_header behind a proxy",
            )
        )


def _served(guard: Guard, request: Request) -> bool:
    """Whether the request's Host is ours. An address is: only a name can be pointed at us by somebody else's DNS."""
    try:
        name = (urlsplit(f"//{request.headers.get('host', '')}").hostname or "").rstrip(".")
    except ValueError:
        return False
    if name in guard.hosts or name == "localhost":
        return True
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def _same_origin(request: Request) -> bool:
    origin = request.headers.get("origin")
    if origin is None:
        return request.headers.get("sec-fetch-site", "same-origin") in {"same-origin", "none"}
    return urlsplit(origin).netloc == request.headers.get("host")


def address_of(guard: Guard, request: Request) -> str:
    """Return the address a request comes from: the peer's, or the one a trusted proxy names."""
    peer = request.client.host if request.client else "?"
    if peer in guard.proxies and guard.proxy_header:
        return request.headers.get("x-forwarded-for", peer).rsplit(",", 1)[-1].strip()[:64] or peer
    return peer


def _named_by_proxy(guard: Guard, request: Request) -> bool:
    peer = request.client.host if request.client else "?"
    return bool(guard.proxy_header) and peer in guard.proxies and bool(request.headers.get(guard.proxy_header))


def refusal(guard: Guard, request: Request) -> Response | None:
    """Return the short plain answer to a request that is not let in, None where it is."""
    if not _served(guard, request):  # a foreign name that resolves to us: DNS rebinding
        return PlainTextResponse("This name is not served here (see service.hosts in the site file).", 421)
    length = request.headers.get("content-length", "0")
    if not length.isdecimal() or len(length) > 12 or int(length) > MOST_BODY:
        return PlainTextResponse("The request is too large.", 413)
    if request.method not in {"GET", "HEAD"} and not _same_origin(request):
        return PlainTextResponse("The request came from another site.", 403)
    path = request.url.path
    if path.startswith(OPEN_PATHS) or _named_by_proxy(guard, request):
        return None
    if guard.password_hash:
        if guard.session(request) is not None:
            return None
        if request.method in {"GET", "HEAD"} and not path.startswith(("/v1/", "/metrics")):
            return RedirectResponse("/login", 303)
        return PlainTextResponse("Log in first.", 401)
    if guard.proxy_header:
        return PlainTextResponse("The proxy in front did not name a user.", 403)
    return None


class Door:
    """The outermost layer: lets a request in or not, reads its body within bounds, and sets the headers of all answers.

    A plain ASGI layer, so that a body that is too long or too slow is cut off while it comes in.
    """

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        self.app = app
        self.guard = guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1003})
            return
        request = Request(scope)

        async def finish(message: Message) -> None:
            if message["type"] == "http.response.start":
                _add_headers(message)
            await send(message)

        answer = refusal(self.guard, request)
        if answer is None and request.method not in {"GET", "HEAD"}:
            body = await _body(receive)
            if isinstance(body, bytes):
                receive = _replay(body, receive)
            else:
                answer = body
        if answer is not None:
            answer.headers["connection"] = "close"
            await answer(scope, receive, finish)
        else:
            await self.app(scope, receive, finish)


async def _body(receive: Receive) -> bytes | Response:
    """Return the whole body, or the answer where it is too long or too slow."""
    parts: list[bytes] = []
    size = 0
    try:
        async with asyncio.timeout(BODY_S):
            while True:
                message = await receive()
                if message["type"] == "http.disconnect":
                    return PlainTextResponse("Gone.", 400)
                parts.append(message.get("body", b""))
                size += len(parts[-1])
                if size > MOST_BODY:
                    return PlainTextResponse("The request is too large.", 413)
                if not message.get("more_body", False):
                    return b"".join(parts)
    except TimeoutError:
        return PlainTextResponse("The request took too long.", 408)


def _replay(body: bytes, receive: Receive) -> Receive:
    sent = False

    async def again() -> Message:
        nonlocal sent
        if sent:
            return await receive()
        sent = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again


def _add_headers(message: Message) -> None:
    there = {name.lower() for name, _ in message["headers"]}
    extra = [(n.lower().encode(), v.encode()) for n, v in HEADERS.items()]
    message["headers"] = [*message["headers"], *((n, v) for n, v in extra if n not in there)]


def right_token(session: Session | None, given: str) -> bool:
    """Whether a form carries its session's token."""
    return session is not None and hmac.compare_digest(session.token, given)
