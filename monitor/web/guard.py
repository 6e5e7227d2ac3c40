"""Who may use the page: Host check, sessions, log-in with a slow hash and a limit, and a token in every form.

On loopback no password is needed; beyond it the service refuses to start without a password or a trusted proxy's
header. A session and its form token live in memory: a restart asks for the password again; nothing secret is kept.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from monitor.model.errors import BadInput, Problem

COOKIE = "boiloff_session"
SESSION_S = 30 * 86_400.0
OPEN_PATHS = ("/static/", "/login", "/healthz", "/manifest.webmanifest")
MOST_BODY = 1_000_000
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

Call = Callable[[Request], Awaitable[Response]]


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
    monotonic: Callable[[], float] = field(default=lambda: 0.0)
    sessions: dict[str, Session] = field(default_factory=dict)
    tries: dict[str, Tries] = field(default_factory=dict)
    most_tries: int = 5
    tries_window_s: float = 300.0

    def session(self, request: Request) -> Session | None:
        """Return the request's session where it has a live one."""
        key = request.cookies.get(COOKIE, "")
        found = self.sessions.get(key)
        if found is not None and self.monotonic() - found.began > SESSION_S:
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
            COOKIE, key, max_age=int(SESSION_S), httponly=True, samesite="strict", secure=secure, path="/"
        )
        return made

    def blocked(self, address: str) -> bool:
        """Whether `address` has failed too often of late."""
        record = self.tries.get(address)
        if record is None or self.monotonic() - record.began > self.tries_window_s:
            return False
        return record.count >= self.most_tries

    def check_password(self, address: str, password: str) -> bool:
        """Compare a password with the stored hash (argon2id, slow on purpose) and count a failure."""
        from argon2 import PasswordHasher
        from argon2.exceptions import Argon2Error, InvalidHashError

        try:
            PasswordHasher().verify(self.password_hash, password)
        except (Argon2Error, InvalidHashError):
            record = self.tries.get(address)
            if record is None or self.monotonic() - record.began > self.tries_window_s:
                if len(self.tries) > 10_000:
                    self.tries.clear()
                record = self.tries[address] = Tries(self.monotonic())
            record.count += 1
            return False
        self.tries.pop(address, None)
        return True


def hosts_for(listen: str, extra: tuple[str, ...] = ()) -> frozenset[str]:
    """Return the Host names that are answered: loopback's own, the address listened on, and those configured."""
    return frozenset({"127.0.0.1", "localhost", "[::1]", listen, *extra})


def check_listen(listen: str, guard: Guard) -> None:
    """Refuse to open the page beyond loopback without a password or a proxy's header.

    Raises BadInput naming `service.listen`.
    """
    try:
        loopback = ip_address(listen).is_loopback
    except ValueError:
        loopback = listen == "localhost"
    if not loopback and not guard.password_hash and not guard.proxy_header:
        raise BadInput(
            Problem(
                "service.listen",
                listen,
                "a loopback address, or a password for anything beyond",
                "set service.password_file (made by `boiloff password`), or service.proxy_header behind a proxy",
            )
        )


def _host_of(request: Request) -> str:
    try:
        parts = urlsplit(f"//{request.headers.get('host', '')}")
        name = parts.hostname or ""
    except ValueError:
        return ""
    return f"[{name}]" if ":" in name else name


def _same_origin(request: Request) -> bool:
    origin = request.headers.get("origin")
    if origin is None:
        return request.headers.get("sec-fetch-site", "same-origin") in {"same-origin", "none"}
    return urlsplit(origin).netloc == request.headers.get("host")


async def admit(guard: Guard, request: Request, call_next: Call) -> Response:
    """Run one request through the door; what is refused gets a short plain answer."""
    if _host_of(request) not in guard.hosts:  # a foreign name that resolves to us: DNS rebinding
        return PlainTextResponse("This name is not served here.", 421)
    length = request.headers.get("content-length", "0")
    if not length.isdigit() or int(length) > MOST_BODY:
        return PlainTextResponse("The request is too large.", 413)
    if request.method not in {"GET", "HEAD"} and not _same_origin(request):
        return PlainTextResponse("The request came from another site.", 403)
    session = guard.session(request)
    needs_login = bool(guard.password_hash) and session is None and not request.url.path.startswith(OPEN_PATHS)
    if guard.proxy_header and request.headers.get(guard.proxy_header):
        needs_login = False
    elif guard.proxy_header and not guard.password_hash and not request.url.path.startswith(OPEN_PATHS):
        return PlainTextResponse("The proxy in front did not name a user.", 403)
    if needs_login:
        if request.method == "GET" and not request.url.path.startswith("/v1/"):
            return _finish(RedirectResponse("/login", 303))
        return _finish(PlainTextResponse("Log in first.", 401))
    return _finish(await call_next(request))


def _finish(response: Response) -> Response:
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    return response


def right_token(session: Session | None, given: str) -> bool:
    """Whether a form carries its session's token."""
    return session is not None and hmac.compare_digest(session.token, given)
