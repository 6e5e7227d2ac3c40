"""What is told regularly: the sign of life to a watcher of one's own, and the summary for those who want one."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from monitor.model.alert import Notice
from monitor.model.errors import BadInput
from monitor.model.site import Site
from monitor.notify import heartbeat, summary
from monitor.service.callout import StillHanging
from monitor.service.core import Core

if TYPE_CHECKING:
    from monitor.service.round import Found
    from monitor.store import Store

SUMMARY = "summary"  # under which the store keeps when the last one was made
_CALL_S = 30.0
_GOOD = timedelta(minutes=75)  # a round is made each hour at least: an older one is no sign of life
_GIVEN_UP = timedelta(hours=1)  # a watcher that cannot be reached for as long is told on the other ways


async def heartbeat_job(core: Core) -> None:
    """Call the watcher, where there is one and the last round was good; silence is the alarm."""
    board, now = core.board, core.clock.now()
    try:
        url = heartbeat.address(core.site)
    except BadInput as error:
        board.fails(heartbeat.NAME, "channel", " ".join(str(error).split()), permanent=True, value=1.0)
        return
    last = board.get("outlook")
    if not url or last is None or not last.working or last.ok_at is None or now - last.ok_at > _GOOD:
        return
    try:
        outcome = await core.calls.call(heartbeat.NAME, lambda: heartbeat.beat(url), _CALL_S)
    except (TimeoutError, StillHanging) as error:
        words, permanent = str(error), False
    else:
        words, permanent = outcome.error, outcome.permanent
    if not words:
        board.works(heartbeat.NAME, "channel")
        return
    before = board.get(heartbeat.NAME)
    since = before.since if before is not None and before.error else now
    board.fails(heartbeat.NAME, "channel", words, permanent=permanent, value=float(now - since >= _GIVEN_UP))


def summarize(site: Site, store: Store, found: Found, core: Core) -> Notice | None:
    """Return the summary where its hour has come, None where it has not, and note that it was made."""
    kept = store.get(SUMMARY)
    if not summary.due(site, datetime.fromisoformat(kept) if kept else None, found.at):
        return None
    store.put(SUMMARY, found.at.isoformat())
    return summary.make(site, found.outlook, found.levels, store.alert_states(), core.board.all(), found.at)
