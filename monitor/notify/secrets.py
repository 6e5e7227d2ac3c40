"""Keeps secrets out of logs, the database and pages: a channel's URL is one, with all its tokens."""

from __future__ import annotations

import re
from urllib.parse import unquote, urlsplit

from monitor.model.errors import BadInput, Problem
from monitor.model.site import Channel
from monitor.secretfile import read_secret

_LEAST = 4  # shorter pieces are no secrets, and replacing them would make nonsense of a message
_PLAIN = {"json", "http", "https", "mail", "notify", "true", "false", "html", "text", "post", "localhost"}


def read_url(channel: Channel) -> str:
    """Return the channel's URL, from its file where one is named.

    Raises BadInput where the file is missing, empty, or readable by everyone.
    """
    if not channel.url_file:
        return channel.url.strip()
    path, key = channel.url_file, f"channel {channel.name}: url_file"
    try:
        return read_secret(path)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise BadInput(Problem(key, path, "a file with one URL that others cannot read", f"{reason}.")) from None


def pieces(url: str) -> tuple[str, ...]:
    """Return the parts of `url` that may be secret, longest first: user, password, path and query values."""
    found: set[str] = {url}
    try:
        parts = urlsplit(url)
    except ValueError:
        return (url,)
    found |= set(re.split(r"[/:@?&=#+]", url.split("://", 1)[-1])) - {parts.hostname or ""}
    found |= {unquote(p) for p in found}
    return tuple(sorted((p for p in found if len(p) >= _LEAST and p.lower() not in _PLAIN), key=len, reverse=True))


def redact(text: str, url: str) -> str:
    """Return `text` on one line, at most 300 characters, without any part of `url` that may be secret."""
    for piece in pieces(url):
        text = text.replace(piece, "***")
    return " ".join(text.split())[:300]
