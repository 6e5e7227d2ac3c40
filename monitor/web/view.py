"""What every page shares: the context lent by the service, the templates, the form of a request."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from monitor.alerts.cautions import SMELL
from monitor.model.health import SourceHealth
from monitor.model.reading import AHEAD
from monitor.model.site import Site
from monitor.model.units_out import number, unit
from monitor.store import Store
from monitor.web import chart, gather, guard, words
from monitor.web.costs import Costs

HERE = Path(__file__).parent
DAILY = 5  # so many of the pages stay in sight on a phone, the others fold away
SHEETS = (
    ("/", "Now"),
    ("/outlook", "Outlook"),
    ("/trip", "Refill"),
    ("/enter", "Enter"),
    ("/alerts", "Alerts"),
    ("/map", "Coverage"),
    ("/record", "Record"),
    ("/past", "Past"),
    ("/suppose", "What if"),
    ("/arrange", "Arrange"),
    ("/inputs", "Inputs"),
)


class Writes(Protocol):
    """What the page needs of the one writer."""

    def submit(self, function: Callable[[Store], Any]) -> Future[Any]:
        """Run `function` on the store in the writer's thread."""


@dataclass(frozen=True, slots=True)
class Context:
    """What the service lends to the page. `site` is asked each time: it may have been read again.

    `health` is the service's own board; without it, what the store was told last is shown.
    """

    site: Callable[[], Site]
    store_path: Path
    writer: Writes
    now: Callable[[], datetime]
    guard: guard.Guard
    health: Callable[[], Mapping[str, SourceHealth]] | None = None
    site_path: Path | None = None
    costs: Costs = field(default_factory=Costs)


class Refused(Exception):
    """A request that is not done, with the reason for the person who made it."""


def static_stamp() -> str:
    """Return a short hash of the static files: their addresses change with their content, so they may be kept long."""
    made = hashlib.sha256()
    for path in sorted((HERE / "static").iterdir()):
        made.update(path.read_bytes())
    return made.hexdigest()[:10]


def _curve_class(name: str, index: int) -> str:
    known = {"chart", "floor", "weather", "air", "liquid", "hold"}
    return name if name in known else ("second" if index % 2 else "first")


def templates() -> Environment:
    """Return the templates, escaping everything that goes into them."""
    made = Environment(
        loader=PackageLoader("monitor.web"), autoescape=select_autoescape(), undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.filters["curve_class"] = _curve_class
    made.filters["whole"] = words.whole
    return made


class View:
    """Renders pages."""

    def __init__(self, context: Context) -> None:
        self.context = context
        self.env = templates()

    @cached_property
    def stamp(self) -> str:
        """Stamp of the static files."""
        return static_stamp()

    async def facts(self) -> gather.Facts:
        """Look at the store."""
        context = self.context
        seen = await gather.facts(context.store_path, context.now(), context.health() if context.health else None)
        return gather.in_file(context.site(), seen)

    async def standing(self) -> tuple[gather.Facts, Site]:
        """Look at the store; return the site with its valves as last read."""
        facts = await self.facts()
        return facts, gather.as_it_stands(self.context.site(), facts)

    async def ask(self, what: Callable[[Store], Any]) -> Any:
        """Run one query on the store."""
        return await gather.ask(self.context.store_path, what)

    async def write(self, what: Callable[[Store], Any]) -> Any:
        """Run one change in the writer's thread."""
        return await asyncio.wrap_future(self.context.writer.submit(what))

    async def credits(self) -> list[str]:
        """Return what the forecast's service asks to be shown."""
        forecast = await self.ask(lambda store: store.latest_forecast(until=self.context.now() + AHEAD))
        return [forecast.credit] if forecast is not None and forecast.credit else []

    async def form(self, request: Request) -> dict[str, str]:
        """Return a form's fields as short texts. Raises Refused where it does not carry its session's token."""
        given = await request.form(max_files=0, max_fields=40)
        found = {name: value[:500] for name, value in given.items() if isinstance(value, str)}
        if not guard.right_token(self.context.guard.session(request), found.get("token", "")):
            raise Refused("The form is old, or came from elsewhere: load the page again and repeat.")
        return found

    def page(self, request: Request, name: str, title: str, status: int = 200, **values: Any) -> Response:
        """Render one template."""
        site = self.context.site()
        zone = ZoneInfo(site.timezone)
        door = self.context.guard
        session = door.session(request)
        response = HTMLResponse("", status)
        if session is None and (not door.password_hash or request.url.path != "/login"):
            session = door.begin(response, secure=request.url.scheme == "https")
        now = self.context.now()
        values.setdefault("credits", ())
        text = self.env.get_template(name).render(
            site=site, title=title, sheets=SHEETS, daily=DAILY, here=request.url.path, stamp=self.stamp,
            token=session.token if session is not None else "", may_log_out=bool(door.password_hash),
            smell=SMELL, now_shown=words.day_clock_zone(now, zone), **values,
        )  # fmt: skip
        response.body = text.encode()
        response.headers["content-length"] = str(len(response.body))
        response.headers["cache-control"] = "no-cache, private"
        return response

    def not_done(self, request: Request, why: str, status: int = 400) -> Response:
        """Say that something was not done, and why."""
        return self.page(request, "not_done.html", "Not done", status, why=why)


def whole(text: str | None, otherwise: int, least: int, most: int) -> int:
    """A whole number from a query or a form, held within bounds."""
    if text is None or not text.isdecimal() or len(text) > 9:
        return otherwise
    return min(most, max(least, int(text)))


def shown_in(site: Site) -> chart.Shown:
    """Return the converters for a site's units."""
    return chart.Shown(
        temperature=lambda c: number(c + 273.15, "temperature", site.units),
        temperature_unit=unit("temperature", site.units),
        power=lambda w: number(w, "power", site.units),
        power_unit=unit("power", site.units),
        mass=lambda kg: number(kg, "mass", site.units),
        mass_unit=unit("mass", site.units),
    )
