"""Keeps secrets out of logs, the database and pages: a channel's URL is one, with all its tokens."""

from __future__ import annotations

import re
import stat
from pathlib import Path
from urllib.parse import unquote, urlsplit

from monitor.model.errors import BadInput, Problem
from monitor.model.site import Channel

_LEAST = 4  # shorter pieces are no secrets, and replacing them would make nonsense of a message
_PLAIN = {"json", "http", "https", "mail", "notify", "true", "false", "html", "text", "post", "localhost"}


def read_url(channel: Channel) -> str:
    """Return the channel's URL, from its file where one is named.

    Raises BadInput where the file is missing, empty, or readable by everyone.
    """
    if not channel.url_file:
        return channel.url.strip()
    path, key = Path(channel.url_file), f"channel {channel.name}: url_file"
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not text"
        raise BadInput(Problem(key, str(path), "a file with one URL", f"{reason}.")) from None
    if mode & (stat.S_IROTH | stat.S_IWOTH):
        raise BadInput(Problem(key, str(path), "a file that others cannot read", f"Run: chmod o-rwx {path}"))
    if not text or "\n" in text:
        raise BadInput(Problem(key, str(path), "a file with one URL", "It is empty or has several lines."))
    return text


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
