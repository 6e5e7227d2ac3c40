"""Ways out for notices. The log is always one; the others come from the site file."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Protocol

from monitor.model.alert import Notice
from monitor.model.errors import BadInput, Problem
from monitor.model.site import Channel, Site
from monitor.notify.mail import Mailbox
from monitor.notify.outcome import DELIVERED, Outcome
from monitor.notify.push import Push
from monitor.notify.secrets import read_url

LOG = "log"
logger = logging.getLogger("monitor.notices")


class Way(Protocol):
    """Anything that can hand a notice over. `send` never raises for what the other side does."""

    def send(self, notice: Notice, now: datetime) -> Outcome:
        """Try once."""


class Log:
    """The service's own log: always there, never fails, and the last to know when all else does."""

    def send(self, notice: Notice, now: datetime) -> Outcome:  # noqa: ARG002
        """Write headline and id as one line."""
        level = logging.WARNING if notice.severity in {"Severe", "Extreme"} else logging.INFO
        logger.log(level, "%s: %s [%s]", notice.what, " ".join(notice.headline.split()), notice.id)
        return DELIVERED


def names(site: Site) -> tuple[str, ...]:
    """Return the names of all ways out, the log first."""
    return (LOG, *(c.name for c in site.channels if c.name != LOG))


def find(site: Site, name: str) -> Channel:
    """Return the channel called `name`. Raises BadInput where there is none."""
    for channel in (Channel(LOG), *site.channels):
        if channel.name == name:
            return channel
    raise BadInput(Problem("channel", name, f"one of {', '.join(names(site))}"))


def open_way(channel: Channel) -> Way:
    """Return the way out that the channel describes; loads apprise when it is first needed.

    Raises BadInput where the URL is missing or not understood; the URL itself is never in the message.
    """
    if channel.name == LOG:
        return Log()
    url = read_url(channel)
    if not url:
        raise BadInput(Problem(f"channel {channel.name}: url", '""', "an apprise URL such as mailto://… or ntfy://…"))
    plugin = _plugin(url)
    if plugin is None:
        scheme = url.split("://", 1)[0] if "://" in url else "no scheme"
        hint = "Check it against apprise's list of services; the rest of the URL is kept secret here."
        raise BadInput(Problem(f"channel {channel.name}: url", f"{scheme}://…", "an apprise URL", hint))
    if type(plugin).__name__ == "NotifyEmail":
        return Mailbox.of(channel.name, url, plugin)
    return Push(channel.name, url, plugin)


def _plugin(url: str) -> Any:
    import apprise

    # apprise logs the URLs that it cannot read, tokens and all.
    quiet = logging.getLogger("apprise")
    # Nor does what it logs while sending belong in ours: it names hosts and paths. Its warnings are read, not kept.
    quiet.propagate = False
    quiet.setLevel(logging.WARNING)
    logging.getLogger("urllib3").setLevel(logging.INFO)  # its debug lines hold whole paths, tokens and all
    before, quiet.disabled = quiet.disabled, True
    try:
        return apprise.Apprise.instantiate(url, asset=apprise.AppriseAsset(app_id="boiloff", secure_logging=True))
    finally:
        quiet.disabled = before


def check(channels: Sequence[Channel]) -> list[Problem]:
    """Return what is wrong with the channels' URLs, without sending anything."""
    found: list[Problem] = []
    for channel in channels:
        try:
            open_way(channel)
        except BadInput as error:
            found += error.problems
    return found
