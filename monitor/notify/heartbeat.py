"""A sign of life to a watcher of the household's own. It comes after a good round only: its absence is the alarm.

Any service (or a second machine) that raises an alarm when a URL was not called in time will do. The URL is a secret.
"""

from __future__ import annotations

from monitor.model.site import Channel, Site
from monitor.notify.outcome import DELIVERED, Outcome
from monitor.notify.secrets import read_url

NAME = "heartbeat"
_STEP_S = 10.0
_MOST_BYTES = 4096


def address(site: Site) -> str:
    """Return the URL to call, "" where none is set. Raises BadInput where its file cannot be used."""
    settings = site.settings
    url, path = str(settings.get("service.heartbeat_url") or ""), str(settings.get("service.heartbeat_url_file") or "")
    return read_url(Channel(NAME, url, path)) if url or path else ""


def beat(url: str) -> Outcome:
    """Call the URL once; never raises for what a server or network does. Redirects are not followed."""
    import requests

    from monitor.notify.observe import describe, retry_after_s

    try:
        with requests.get(
            url, timeout=_STEP_S, stream=True, allow_redirects=False, headers={"User-Agent": "boiloff"}
        ) as response:
            response.raw.read(_MOST_BYTES)
            code, wait = response.status_code, retry_after_s(response.headers.get("Retry-After"))
    except (requests.RequestException, OSError) as error:
        return Outcome(describe(error))
    if 200 <= code < 300:
        return DELIVERED
    return Outcome(f"the watcher answers {code}", 300 <= code < 500 and code not in {408, 425, 429}, wait)
