"""The page and its API, on the service's own event loop. Handlers are async; the store is read in threads."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.responses import HTMLResponse, RedirectResponse, Response

from monitor import __version__
from monitor.model.errors import BadInput
from monitor.model.site import BASES, Basis, Site
from monitor.model.units_out import number, unit
from monitor.store import Store
from monitor.web import api, chart, coverage, gather, guard, pages, words
from monitor.web.answer import answer, nights

HERE = Path(__file__).parent
SHEETS = (
    ("/", "Now"),
    ("/outlook", "Outlook"),
    ("/map", "Coverage"),
    ("/enter", "Enter"),
    ("/alerts", "Alerts"),
    ("/readings", "Readings"),
    ("/inputs", "Inputs"),
)
SPANS = ((24, "24 hours"), (72, "3 days"), (168, "7 days"), (240, "10 days"))
TITLES = {
    "all": "Air, capacity against demand, hold time and fuel over the coming hours",
    "air": "Air and liquid",
    "capacity": "Capacity of all open cylinders against full-burner demand",
    "hold": "Hold time from rest, all burners on",
    "fuel": "Fuel left by cylinder",
}
WAYS = (
    ("weighs", "weight on a scale, cylinder and gas"),
    ("left", "propane left"),
    ("gauge", "gauge on the cylinder (% of volume)"),
    ("share", "share of a full cylinder"),
    ("line", "warm-water line (rough: half, 40 %)"),
    ("valve", "its valve: open or closed"),
)


class Writes(Protocol):
    """What the page needs of the one writer."""

    def submit(self, function: Callable[[Store], Any]) -> Future[Any]:
        """Run `function` on the store in the writer's thread."""


@dataclass(frozen=True, slots=True)
class Context:
    """What the service lends to the page. `site` is asked each time: it may have been read again."""

    site: Callable[[], Site]
    store_path: Path
    writer: Writes
    now: Callable[[], datetime]
    guard: guard.Guard


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
    return made


class Pages:
    """The handlers of the HTML pages."""

    def __init__(self, context: Context) -> None:
        self.context = context
        self.env = templates()

    async def _facts(self) -> gather.Facts:
        return await gather.facts(self.context.store_path, self.context.now())

    def _render(self, request: Request, name: str, title: str, status: int = 200, **values: Any) -> Response:
        site = self.context.site()
        zone = ZoneInfo(site.timezone)
        session = self.context.guard.session(request)
        new = session is None and not self.context.guard.password_hash
        response = HTMLResponse("", status)
        if new:
            session = self.context.guard.begin(response, secure=request.url.scheme == "https")
        text = self.env.get_template(name).render(
            site=site, title=title, sheets=SHEETS, here=request.url.path, version=__version__,
            token=session.token if session is not None else "", credits=values.pop("credits", ()),
            now_shown=words.day(self.context.now(), zone) + " " + words.clock(self.context.now(), zone), **values,
        )  # fmt: skip
        response.body = text.encode()
        response.headers["content-length"] = str(len(response.body))
        return response

    async def now(self, request: Request) -> Response:
        """Are we covered, how long does the fuel last, can I trust this?"""
        facts, site = await self._facts(), self.context.site()
        views = await asyncio.to_thread(pages.cylinders, facts, site)
        alerts = pages.alert_views(facts, site)
        return self._render(
            request, "now.html", "Now",
            answer=answer(facts.payload, facts.health, site, facts.now),
            alerts=alerts, cylinders=views, inputs=pages.inputs(facts, site),
            nights=nights(facts.payload, site) if facts.payload else [],
            next_step=_next_step(alerts), basis_words=pages.BASIS_WORDS[site.supply.basis],
            credits=await self._credits(),
        )  # fmt: skip

    async def _credits(self) -> list[str]:
        forecast = await gather.ask(self.context.store_path, lambda store: store.latest_forecast())
        return [forecast.credit] if forecast is not None and forecast.credit else []

    async def outlook(self, request: Request) -> Response:
        """The outlook chart."""
        facts, site = await self._facts(), self.context.site()
        hours = _whole(request.query_params.get("hours"), 72, 1, 400)
        drawn, first = None, ""
        if facts.payload is not None and facts.payload["hours"]:
            drawn = chart.outlook_chart(facts.payload, shown_in(site), ZoneInfo(site.timezone), hours)
            first = pages.hour_text(facts.payload["hours"][0], site)
        return self._render(
            request, "outlook.html", "Outlook", chart=drawn, titles=TITLES, spans=SPANS, hours=hours, first_text=first,
            credits=await self._credits(),
        )  # fmt: skip

    async def map(self, request: Request) -> Response:
        """The coverage map."""
        facts, site = await self._facts(), self.context.site()
        asked = request.query_params.get("basis", site.supply.basis)
        basis: Basis = asked if asked in BASES else site.supply.basis
        picture = await asyncio.to_thread(coverage.draw, site, facts.payload, basis, facts.now)
        return self._render(
            request, "map.html", "Coverage map", picture=picture, bases=BASES, basis_words=pages.BASIS_WORDS[basis],
            unit=unit("temperature", site.units),
            label="Map of temperature and charge: carried, held for the stated burn, or not carried",
        )  # fmt: skip

    async def flame(self, request: Request) -> Response:
        """What to check when the flame drops, and what never to do."""
        facts, site = await self._facts(), self.context.site()
        return self._render(
            request, "flame.html", "The flame is dropping", valve_words=pages.valve_words(site),
            left_words=pages.left_words(facts, site),
        )  # fmt: skip

    async def alerts(self, request: Request) -> Response:
        """Standing alerts and what happened."""
        facts, site = await self._facts(), self.context.site()
        zone = ZoneInfo(site.timezone)
        steps = await gather.ask(self.context.store_path, lambda store: store.transitions(limit=100))
        rows = [
            {"at": f"{words.day(t.at, zone)} {words.clock(t.at, zone)}", "key": t.key, "reason": t.reason,
             "before": t.before.replace("_", " "), "after": t.after.replace("_", " ")}
            for t in steps
        ]  # fmt: skip
        return self._render(request, "alerts.html", "Alerts", alerts=pages.alert_views(facts, site), steps=rows)

    async def alert_done(self, request: Request) -> Response:
        """Acknowledge or shelve, as the form says."""
        from monitor.alerts import operate
        from monitor.alerts.wording import words as wording

        form = await request.form()
        if not guard.right_token(self.context.guard.session(request), str(form.get("token", ""))):
            return self._refused(request, "The form is old: load the page again and repeat.")
        key, site, now = str(form.get("key", "")), self.context.site(), self.context.now()
        shelving = request.url.path.endswith("/shelve")
        until = now + timedelta(hours=_whole(str(form.get("hours", "")), 12, 1, 24 * 14))

        def act(store: Store) -> None:
            state = store.alert_states().get(key)
            if state is None:
                return
            say = wording(site)
            if shelving:
                done = operate.shelve(state, now, until, "the page", say)
            else:
                done = operate.acknowledge(state, now, "the page", say)
            store.commit_judgement(done, ["log", *(c.name for c in site.channels if c.name != "log")])

        try:
            await asyncio.wrap_future(self.context.writer.submit(act))
        except BadInput as error:
            return self._refused(request, str(error))
        return RedirectResponse("/alerts", 303)

    def _refused(self, request: Request, why: str) -> Response:
        part = {"title": "Not done", "rows": [], "head": [], "empty": why}
        return self._render(request, "table.html", "Not done", 400, intro="", parts=[part])

    async def enter(self, request: Request) -> Response:
        """Enter a reading: the form, or what came of it."""
        site = self.context.site()
        given = {"cylinder": site.cylinders[0].name, "how": "weighs", "amount": "", "at": ""}
        problems: list[str] = []
        done = ""
        if request.method == "POST":
            form = await request.form()
            given |= {name: str(form.get(name, ""))[:200] for name in given}
            if not guard.right_token(self.context.guard.session(request), str(form.get("token", ""))):
                problems = ["The form is old: send it once more."]
            else:
                problems, done = await self._keep(site, given)
                given["amount"] = given["amount"] if problems else ""
        return self._render(
            request, "enter.html", "Enter a reading", 400 if problems else 200, problems=problems, done=done,
            given=given, cylinders=[c.name for c in site.cylinders], ways=WAYS,
            example="52.4 lb" if site.units == "us" else "23.8 kg",
        )  # fmt: skip

    async def _keep(self, site: Site, given: Mapping[str, str]) -> tuple[list[str], str]:
        from monitor.sensors import hand
        from monitor.sensors.when import when

        now = self.context.now()
        if given["how"] not in dict(WAYS):
            return [f"how: got {given['how']}; expected one of {', '.join(dict(WAYS))}"], ""
        try:
            time = when(given["at"] or "now", now, site.timezone, "when")
            found = hand.readings(site, given["cylinder"], {given["how"]: given["amount"]}, time, now)
            await asyncio.wrap_future(self.context.writer.submit(lambda store: store.add_readings(found)))
        except BadInput as error:
            return [str(p) for p in error.problems], ""
        return [], f"Kept: {given['cylinder']}, {dict(WAYS)[given['how']]}, {given['amount']}."

    async def readings(self, request: Request) -> Response:
        """The newest readings and what was set aside."""
        site = self.context.site()
        zone = ZoneInfo(site.timezone)
        newest, aside = await gather.ask(
            self.context.store_path,
            lambda store: (
                store.readings(since=self.context.now() - timedelta(days=30), limit=100),
                store.set_asides(50),
            ),
        )
        head = ["When", "Subject", "Quantity", "Value", "From"]
        rows = [[f"{words.day(r.time, zone)} {words.clock(r.time, zone)}", r.subject, str(r.quantity).replace("_", " "),
                 api.shown_value(r, site), r.source] for r in reversed(newest)]  # fmt: skip
        refused = [
            [f"{words.day(s.received, zone)} {words.clock(s.received, zone)}", s.source, s.raw[:60], s.reason]
            for s in aside
        ]
        parts = [
            {"title": "Newest first", "head": head, "rows": rows, "empty": "Nothing has come in within 30 days."},
            {"title": "Set aside: could not be used", "head": ["When", "From", "What came", "Why"], "rows": refused,
             "empty": "Nothing."},
        ]  # fmt: skip
        return self._render(request, "table.html", "Readings", intro="", parts=parts)

    async def inputs(self, request: Request) -> Response:
        """Every source, sensor and channel with age and last error."""
        facts, site = await self._facts(), self.context.site()
        rows = [[r.name, r.age, r.words] for r in pages.inputs(facts, site)]
        sent = await gather.ask(self.context.store_path, lambda store: store.outbox(50))
        zone = ZoneInfo(site.timezone)
        out = [[words.day_clock(o.notice.at, zone), o.notice.headline, o.channel, o.state, o.error] for o in sent]
        parts = [
            {"title": "Sources, sensors, channels", "head": ["What", "Last good", "Trouble"], "rows": rows,
             "empty": "Nothing has been heard of yet."},
            {"title": "Notices sent", "head": ["When", "Notice", "Channel", "State", "Error"], "rows": out,
             "empty": "None yet."},
        ]  # fmt: skip
        return self._render(request, "table.html", "Inputs", intro="", parts=parts)

    async def login(self, request: Request) -> Response:
        """Ask for the password, slowly and not too often."""
        door = self.context.guard
        address = request.client.host if request.client else "?"
        problems: list[str] = []
        if request.method == "POST":
            if door.blocked(address):
                return self._render(
                    request, "login.html", "Log in", 429, problems=["Too many tries: wait five minutes."]
                )
            form = await request.form()
            right = await asyncio.to_thread(door.check_password, address, str(form.get("password", ""))[:1000])
            if right:
                response = RedirectResponse("/", 303)
                door.begin(response, secure=request.url.scheme == "https")
                return response
            problems = ["That is not the password."]
        return self._render(request, "login.html", "Log in", 401 if problems else 200, problems=problems)


def _next_step(alerts: list[pages.AlertView]) -> str:
    """The first thing to do, from the gravest standing alert's own words."""
    order = ["Extreme", "Severe", "Moderate", "Minor"]
    for alert in sorted(alerts, key=lambda a: order.index(a.severity)):
        lines = alert.body.splitlines()
        if "What to do:" in lines:
            todo = lines[lines.index("What to do:") + 1 :]
            if todo and todo[0].startswith("- "):
                return todo[0][2:]
    return ""


def _whole(text: str | None, otherwise: int, least: int, most: int) -> int:
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


def create(context: Context) -> FastAPI:
    """Return the application."""
    app = FastAPI(title="boiloff", version=__version__, docs_url=None, redoc_url=None, openapi_url="/v1/openapi.json")
    made = Pages(context)

    @app.middleware("http")
    async def door(request: Request, call_next: Callable[[Request], Any]) -> Response:
        return await guard.admit(context.guard, request, call_next)

    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    for path, handler, methods in (
        ("/", made.now, ["GET"]),
        ("/outlook", made.outlook, ["GET"]),
        ("/map", made.map, ["GET"]),
        ("/flame", made.flame, ["GET"]),
        ("/alerts", made.alerts, ["GET"]),
        ("/alerts/acknowledge", made.alert_done, ["POST"]),
        ("/alerts/shelve", made.alert_done, ["POST"]),
        ("/enter", made.enter, ["GET", "POST"]),
        ("/readings", made.readings, ["GET"]),
        ("/inputs", made.inputs, ["GET"]),
        ("/login", made.login, ["GET", "POST"]),
    ):
        app.add_api_route(path, handler, methods=methods, include_in_schema=False, response_model=None)
    app.include_router(api.router(context))
    return app


def utc_now() -> datetime:
    """Return the machine's time."""
    return datetime.now(UTC)
