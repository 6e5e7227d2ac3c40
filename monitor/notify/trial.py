"""A test notice, sent at once and past every queue, so that a person sees what the other side really answers."""

from __future__ import annotations

from datetime import datetime

from monitor.alerts import when
from monitor.model.alert import Notice
from monitor.model.errors import BadInput
from monitor.model.site import Site
from monitor.notify import channels
from monitor.notify.attempt import Attempts
from monitor.notify.outcome import Outcome

DEADLINE_S = 60.0


def trial_notice(site: Site, channel: str, now: datetime) -> Notice:
    """Return a notice that says it is a test."""
    key = f"test/{channel}"
    at = when.moment(now, site.timezone, now)
    headline = f"Test from boiloff at {site.name}: notices by {channel} arrive"
    body = (
        f"{headline}.\n\nSent {at} because someone asked for it. Nothing is wrong, and nothing needs doing.\n"
        "boiloff is no gas detector."
    )
    notice_id = f"{key}@{now.isoformat(timespec='milliseconds')}#1"
    return Notice(notice_id, key, "", now, "test", "Minor", "Past", "Observed", headline, body)


def try_now(site: Site, channel: str, now: datetime, deadline_s: float = DEADLINE_S) -> Outcome:
    """Send a test notice by `channel` and return what came of it.

    Raises BadInput where the site has no such channel, or its URL cannot be read.
    """
    way = channels.open_way(channels.find(site, channel))
    notice = trial_notice(site, channel, now)
    return Attempts(channel, deadline_s).run(0, lambda: way.send(notice, now))


def problem(site: Site, channel: str) -> str:
    """Return what is wrong with a channel's description, "" where nothing is; sends nothing."""
    try:
        channels.open_way(channels.find(site, channel))
    except BadInput as error:
        return str(error)
    return ""
