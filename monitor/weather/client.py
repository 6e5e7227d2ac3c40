"""A polite client for one service: who we say we are, how long all tries together may take, what is tried again."""

from __future__ import annotations

import re
import time
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version

import tenacity

from monitor.model.site import Site, WeatherSource
from monitor.weather import http
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context
from monitor.weather.series import nearest_grid

DEFAULT_DEADLINE_S = 30.0
TRY_AGAIN = frozenset({500, 502, 504})  # usually gone at the next try; 429 and 503 ask to be left alone


class _Again(Exception):
    def __init__(self, answer: http.Answer | None, error: WeatherError | None) -> None:
        super().__init__()
        self.answer, self.error = answer, error


def agent(contact: str) -> str:
    """Return the User-Agent: program, version and the contact that the services' rules ask for."""
    try:
        number = version("boiloff")
    except PackageNotFoundError:
        number = "0"
    return f"boiloff/{number} ({contact})" if contact else f"boiloff/{number}"


def contact_of(source: WeatherSource, site: Site) -> str:
    """Return the contact for `source`, the site's own where the source names none, "" where there is neither."""
    text = str(source.contact or site.settings.get("forecast.contact") or "")
    return re.sub(r"[^\x20-\x7e]", "", text).strip()


def place_of(site: Site, most_decimals: int = 4) -> tuple[str, str]:
    """Return latitude and longitude as text, rounded as the site says (2 decimals where it says nothing)."""
    decimals = site.settings.get("forecast.decimals")
    return nearest_grid(site.latitude, site.longitude, min(2 if decimals is None else int(decimals), most_decimals))


def deadline_of(source: WeatherSource, site: Site) -> float:
    """Return the total time (s) that `source` gets."""
    value = source.options.get("timeout") or site.settings.get("forecast.timeout") or DEFAULT_DEADLINE_S
    if isinstance(value, str):
        from monitor.site import units

        try:
            value = units.parse(value, "time")
        except ValueError as error:
            raise WeatherError("permanent", f"timeout of the {source.kind} source: {error}") from error
    return float(value)


def told(text: object) -> str:
    """Return what a server said, cut short and printable throughout: it goes into logs, pages and the store."""
    return " ".join("".join(c if c.isprintable() else " " for c in str(text)[:1000]).split())[:200]


@dataclass(frozen=True)
class Client:
    """Asks one service on behalf of one site. `who` is its name in messages."""

    who: str
    agent: str
    deadline_s: float
    ends: float  # on the monotonic clock: all requests of one fetch share the deadline
    context: Context
    tries: int = 3
    first_wait_s: float = 2.0

    @classmethod
    def of(cls, who: str, source: WeatherSource, site: Site, context: Context) -> Client:
        """Return the client for one fetch from `source`; its time runs from now."""
        deadline_s = deadline_of(source, site)
        return cls(who, agent(contact_of(source, site)), deadline_s, time.monotonic() + deadline_s, context)

    def get(
        self, url: str, params: Mapping[str, str] | None = None, headers: Mapping[str, str] | None = None
    ) -> http.Answer:
        """GET `url`; connection troubles and 500, 502, 504 are tried again with growing random waits.

        All tries, and all requests of this client, keep to one deadline. Returns the last answer whatever its
        status; raises WeatherError where there was none.
        """

        def once() -> http.Answer:
            left = self.ends - time.monotonic()
            if left <= 0.0:
                raise WeatherError("temporary", f"{self.who} took longer than {self.deadline_s:.0f} s to answer")
            try:
                answer = http.get(url, who=self.who, agent=self.agent, deadline_s=left, params=params, headers=headers)
            except WeatherError as error:
                if error.kind == "temporary" and "more than any forecast" not in error.message:
                    raise _Again(None, error) from error
                raise
            if answer.status in TRY_AGAIN:
                raise _Again(answer, None)
            return answer

        retrying = tenacity.Retrying(
            stop=tenacity.stop_after_attempt(self.tries)
            | tenacity.stop_before_delay(max(self.ends - time.monotonic(), 0.0)),
            wait=tenacity.wait_random_exponential(multiplier=self.first_wait_s, max=10.0),
            retry=tenacity.retry_if_exception_type(_Again),
            sleep=self.context.sleep,
            reraise=True,
        )
        try:
            return retrying(once)
        except _Again as again:
            if again.answer is not None:
                return again.answer
            raise again.error or WeatherError("temporary", f"{self.who} did not answer") from again
