"""Makes the guard from the site file's settings."""

from __future__ import annotations

import time

from monitor.model.site import Site
from monitor.web import secret
from monitor.web.guard import SESSION_S, Guard, check_listen, split_address


def make(site: Site) -> Guard:
    """Return the guard. Raises BadInput where the page would be open beyond loopback, or the hash cannot be read."""
    settings = site.settings
    listen = str(settings.get("service.listen", "127.0.0.1:8087"))
    password_file = str(settings.get("service.password_file", "") or "")
    names = [str(n).lower().rstrip(".") for n in settings.get("service.hosts", ())]
    made = Guard(
        hosts=frozenset({"localhost", split_address(listen)[0].lower(), *names}),
        password_hash=secret.read(password_file) if password_file else "",
        proxy_header=str(settings.get("service.proxy_user_header", "") or ""),
        proxies=frozenset(str(a) for a in settings.get("service.trusted_proxies", ("127.0.0.1", "::1"))),
        monotonic=time.monotonic,
        session_s=float(settings.get("page.session", SESSION_S)),
    )
    check_listen(listen, made)
    return made
