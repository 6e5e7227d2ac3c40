"""The page and its API, on the service's own event loop. Handlers are async; the store is read in threads."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from functools import partial
from typing import Any

from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from monitor import __version__
from monitor.model.errors import BoiloffError
from monitor.web import api, api_choose, guard
from monitor.web.act import Act
from monitor.web.arrange import Arrange, Reckoner
from monitor.web.first_start import FirstStart
from monitor.web.keep import FORMS
from monitor.web.look import Look
from monitor.web.past import Past
from monitor.web.reasons import Reasons
from monitor.web.record import Record
from monitor.web.suppose import Suppose
from monitor.web.train import Train
from monitor.web.trip import Trip
from monitor.web.view import HERE, Context, Refused, View

Handler = Callable[[Request], Awaitable[Response]]


class Kept(StaticFiles):
    """Static files, kept by the browser for a year: their addresses carry a stamp of their content."""

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        """Add how long the file may be kept."""
        response = super().file_response(*args, **kwargs)
        response.headers["cache-control"] = "public, max-age=31536000, immutable"
        return response


def _routes(view: View, reckoner: Reckoner) -> list[tuple[str, Handler, list[str]]]:
    look, act, past = Look(view), Act(view), Past(view)
    suppose, reasons, record = Suppose(view), Reasons(view), Record(view)
    choose = Arrange(view, reckoner)
    return [
        ("/", look.now, ["GET"]),
        ("/outlook", look.outlook, ["GET"]),
        ("/map", look.map, ["GET"]),
        ("/flame", look.flame, ["GET"]),
        ("/alerts", look.alerts, ["GET"]),
        ("/alerts/acknowledge", act.alert_done, ["POST"]),
        ("/alerts/shelve", act.alert_done, ["POST"]),
        ("/alerts/unshelve", act.alert_done, ["POST"]),
        ("/alerts/out-of-service", act.alert_done, ["POST"]),
        ("/alerts/into-service", act.alert_done, ["POST"]),
        ("/enter", act.enter, ["GET", "POST"]),
        ("/valve", act.valve, ["GET", "POST"]),
        ("/record", record.record, ["GET"]),
        *((f"/record/{kind}", record.enter, ["GET", "POST"]) for kind in FORMS),
        ("/record/undo", record.undo, ["POST"]),
        ("/cost", record.cost, ["GET"]),
        ("/readings", look.readings, ["GET"]),
        ("/inputs", look.inputs, ["GET"]),
        ("/inputs/test", act.test_channel, ["POST"]),
        ("/trip", Trip(view).trip, ["GET"]),
        ("/past", past.past, ["GET"]),
        ("/forecasts", past.forecasts, ["GET"]),
        ("/suppose", suppose.suppose, ["GET"]),
        ("/arrange", choose.arrange, ["GET"]),
        ("/arrange/site", choose.site_file, ["GET"]),
        ("/train", Train(view).train, ["GET"]),
        ("/first-start", FirstStart(view).first_start, ["GET", "POST"]),
        ("/explain", reasons.explain, ["GET"]),
        ("/site", reasons.site, ["GET"]),
        ("/login", act.login, ["GET", "POST"]),
        ("/logout", act.logout, ["POST"]),
        ("/manifest.webmanifest", manifest, ["GET"]),
    ]


async def manifest(_: Request) -> Response:
    """Let a phone put the page on its home screen."""
    return JSONResponse(
        {
            "name": "boiloff",
            "short_name": "boiloff",
            "start_url": "/",
            "scope": "/",
            "display": "standalone",
            "background_color": "#fbfaf6",
            "theme_color": "#fbfaf6",
            "icons": [
                {"src": "/static/mark.svg", "sizes": "any", "type": "image/svg+xml", "purpose": "any"},
                {"src": "/static/mark-512.png", "sizes": "512x512", "type": "image/png", "purpose": "any maskable"},
                {"src": "/static/mark-192.png", "sizes": "192x192", "type": "image/png", "purpose": "any"},
            ],
        },
        media_type="application/manifest+json",
        headers={"cache-control": "max-age=3600"},
    )


async def _trouble(view: View, request: Request, error: Exception) -> Response:
    """Answer for an error that a person may see: JSON under the API, a page elsewhere."""
    if isinstance(error, HTTPException):
        status, text = error.status_code, str(error.detail)
    elif isinstance(error, Refused):
        status, text = 400, str(error)
    else:
        status, text = (503 if getattr(error, "exit_code", 1) == 3 else 400), str(error)
    if request.url.path.startswith(("/v1/", "/metrics", "/healthz", "/static/")):
        headers = dict(getattr(error, "headers", None) or {})
        return JSONResponse({"detail": text}, status, headers)
    if status == 404 and text == "Not Found":
        return view.page(request, "not_done.html", "No such page", 404, why=f"Nothing is at {request.url.path[:80]}.")
    response = view.not_done(request, text, status)
    response.headers.update(getattr(error, "headers", None) or {})
    return response


def create(context: Context) -> ASGIApp:
    """Return the application."""
    app = FastAPI(
        title="boiloff",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        openapi_url="/v1/openapi.json",
        summary="Readings, outlook, alerts and health of one household's LP-gas cylinders. SI units.",
    )
    view, reckoner = View(context), Reckoner()
    for kind in (HTTPException, Refused, BoiloffError):
        app.add_exception_handler(kind, partial(_trouble, view))
    app.mount("/static", Kept(directory=HERE / "static"), name="static")
    for path, handler, methods in _routes(view, reckoner):
        app.add_route(path, handler, methods=methods, include_in_schema=False)
    routes = api.router(context)
    api_choose.add(routes, context, reckoner)
    app.include_router(routes)
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)
    app.add_middleware(guard.Door, guard=context.guard)
    return app


def utc_now() -> datetime:
    """Return the machine's time."""
    return datetime.now(UTC)
