"""The documented JSON under /v1, CSV, health and metrics. Names and units are those of the command line: SI."""

from __future__ import annotations

import asyncio
import csv
import io
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Query
from starlette.responses import JSONResponse, Response

from monitor.model.reading import SI_UNIT, Quantity, Reading
from monitor.model.site import Site
from monitor.model.units_out import show
from monitor.web import api_more, gather, history, pages, shapes

if TYPE_CHECKING:
    from monitor.web.view import Context

Responses = dict[int | str, dict[str, Any]]
_KINDS = {
    Quantity.GROSS_WEIGHT: "mass",
    Quantity.PROPANE_LEFT: "mass",
    Quantity.SHARE_OF_FULL: "share",
    Quantity.GAUGE_PERCENT: "share",
    Quantity.LIQUID_HEIGHT: "length",
    Quantity.HEIGHT_FROM_TOP: "length",
    Quantity.CONTAINER_PRESSURE: "pressure",
    Quantity.AIR_TEMPERATURE: "temperature",
    Quantity.WALL_TEMPERATURE: "temperature",
    Quantity.BATTERY: "share",
}


def shown_value(reading: Reading, site: Site) -> str:
    """Return a reading's value in the site's units."""
    if reading.value is None:
        return "not known to the sender"
    kind = _KINDS.get(reading.quantity)
    if kind is None:
        return f"{reading.value:g} {SI_UNIT[reading.quantity]}".replace(" 1", "")
    return show(reading.value, kind, site.units)  # type: ignore[arg-type]


def _reading(reading: Reading) -> dict[str, Any]:
    return {
        "id": reading.id,
        "time": reading.time.isoformat(),
        "received": reading.received.isoformat(),
        "subject": reading.subject,
        "quantity": str(reading.quantity),
        "value": reading.value,
        "unit": SI_UNIT[reading.quantity],
        "source": reading.source,
        "age_known": reading.age_known,
        "corrects": reading.corrects,
    }


def _escape(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def metrics(facts: gather.Facts) -> str:
    """Return the state in the OpenMetrics text format."""
    lines = ["# TYPE boiloff_left_kilograms gauge", "# UNIT boiloff_left_kilograms kilograms"]
    payload = facts.payload or {"hours": [], "levels": [], "uncovered": []}
    lines += [
        f'boiloff_left_kilograms{{cylinder="{_escape(level["cylinder"])}"}} {level["left_kg"]}'
        for level in payload.get("levels", ())
        if level["left_kg"] is not None
    ]
    lines += ["# TYPE boiloff_sustained_watts gauge", "# UNIT boiloff_sustained_watts watts"]
    hour = next(iter(payload["hours"]), None)
    for basis, watts in (hour or {"sustained_w": {}})["sustained_w"].items():
        if watts is not None:
            lines.append(f'boiloff_sustained_watts{{basis="{basis}"}} {watts}')
    lines.append("# TYPE boiloff_uncovered_stretches gauge")
    lines.append(f"boiloff_uncovered_stretches {len(payload['uncovered'])}")
    lines += ["# TYPE boiloff_source_age_seconds gauge", "# UNIT boiloff_source_age_seconds seconds"]
    for source in facts.health.values():
        if source.ok_at is not None:
            age = (facts.now - source.ok_at).total_seconds()
            lines.append(f'boiloff_source_age_seconds{{kind="{source.kind}",name="{_escape(source.name)}"}} {age:.0f}')
    lines.append("# TYPE boiloff_alerts_standing gauge")
    lines.append(f"boiloff_alerts_standing {len(facts.standing())}")
    return "\n".join([*lines, "# EOF", ""])


def _cell(value: Any) -> Any:
    """A text that a spreadsheet would take for a formula gets a quote in front; numbers stay numbers."""
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@" and value else value


def _csv(rows: list[list[Any]]) -> Response:
    text = io.StringIO()
    csv.writer(text).writerows([[_cell(v) for v in row] for row in rows])
    return shapes.Csv(text.getvalue())


def outlook_csv(payload: dict[str, Any]) -> Response:
    """Return the outlook's hours as CSV, SI units in the column names."""
    head = ["time", "air_c", "liquid_c", "chart_w", "floor_w", "weather_w", "headroom_w", "hold_s", "uncovered"]
    rows: list[list[Any]] = [head]
    for h in payload["hours"]:
        bases = [h["sustained_w"][b] for b in ("chart", "floor", "weather")]
        rows.append([h["time"], h["air_c"], h["liquid_c"], *bases, h["headroom_w"], h["hold_s"], h["uncovered"]])
    return _csv(rows)


def past_csv(found: history.History) -> Response:
    """Return the thinned series, SI units in the column names; a cell is empty where nothing was read."""
    names = [f"{c.cylinder} by {c.source} left_kg" for c in found.curves]
    rows: list[list[Any]] = [["time", *names, "air_c"]]
    for k in range(found.span.points):
        values = [c.left_kg[k] for c in found.curves] + [found.air_k[k] - 273.15]
        cells = ["" if v != v else round(float(v), 4) for v in values]  # noqa: PLR0124  NaN
        rows.append([found.span.middle(k).isoformat(timespec="seconds"), *cells])
    return _csv(rows)


def readings_csv(readings: list[Reading]) -> Response:
    """Return readings, SI units beside the values."""
    rows: list[list[Any]] = [["time", "received", "subject", "quantity", "value", "unit", "source", "note"]]
    rows += [
        [r.time.isoformat(), r.received.isoformat(), r.subject, str(r.quantity), "" if r.value is None else r.value,
         SI_UNIT[r.quantity], r.source, r.note]
        for r in readings
    ]  # fmt: skip
    return _csv(rows)


gone: Responses = {503: {"description": "The store cannot be read", "model": shapes.Trouble}}
none_yet: Responses = {404: {"description": "No outlook yet", "model": shapes.Trouble}}


def router(context: Context) -> APIRouter:
    """Return the API's routes."""
    routes = APIRouter()
    _outlook_routes(routes, context)
    _state_routes(routes, context)
    api_more.add(routes, context)
    return routes


def _outlook_routes(routes: APIRouter, context: Context) -> None:
    async def payload() -> dict[str, Any]:
        found = await gather.ask(context.store_path, lambda store: store.latest_outlook())
        if found is None:
            raise HTTPException(404, "There is no outlook yet: no forecast or no reading has come in.")
        return found

    @routes.get("/v1/outlook", response_model=None, responses={200: {"model": shapes.Outlook}, **gone, **none_yet})
    async def outlook() -> dict[str, Any]:
        """The newest outlook; the same names as `boiloff outlook --json`."""
        return await payload()

    @routes.get("/v1/outlook.csv", responses={**gone, **none_yet}, response_class=shapes.Csv)
    async def outlook_table() -> Response:
        """The newest outlook's hours as CSV."""
        return outlook_csv(await payload())

    @routes.get("/v1/outlook/shown", response_model=None, responses={200: {"model": shapes.Shown}, **gone, **none_yet})
    async def outlook_shown() -> dict[str, Any]:
        """Each hour as a line of text in the household's units, for the chart's reader."""
        site = context.site()
        return {"hours": [{"time": h["time"], "text": pages.hour_text(h, site)} for h in (await payload())["hours"]]}

    @routes.get("/v1/past/shown", response_model=None, responses={200: {"model": shapes.Shown}, **gone})
    async def past_shown(days: int = Query(31, ge=1, le=3660)) -> dict[str, Any]:
        """Each step of the picture of the past as a line of text in the household's units."""
        site, now = context.site(), context.now()
        found = await asyncio.to_thread(history.collect, context.store_path, site, now - timedelta(days=days), now)
        return {"hours": [{"text": text} for text in history.texts(found, site, ZoneInfo(site.timezone))]}

    @routes.get("/v1/past.csv", responses=gone, response_class=shapes.Csv)
    async def past_table(days: int = Query(31, ge=1, le=3660)) -> Response:
        """Fuel left (kg) by source and air (degC), thinned to 360 steps of equal length."""
        now = context.now()
        path, start = context.store_path, now - timedelta(days=days)
        return past_csv(await asyncio.to_thread(history.collect, path, context.site(), start, now))

    @routes.get("/v1/readings.csv", responses=gone, response_class=shapes.Csv)
    async def readings_table(days: int = Query(7, ge=1, le=366)) -> Response:
        """Readings of the last `days` as CSV, SI units, the newest 100,000; `boiloff export` gives all."""
        since = context.now() - timedelta(days=days)
        found = await gather.ask(context.store_path, lambda store: store.readings(since=since, limit=100_000))
        return await asyncio.to_thread(readings_csv, found)

    @routes.get("/v1/readings", response_model=None, responses={200: {"model": shapes.Readings}, **gone})
    async def readings(
        days: float = Query(7.0, gt=0, le=366), limit: int = Query(1000, ge=1, le=20_000)
    ) -> dict[str, Any]:
        """Readings of the last `days`, newest `limit`, in SI units."""
        since = context.now() - timedelta(days=days)
        found = await gather.ask(context.store_path, lambda store: store.readings(since=since, limit=limit))
        return {"readings": [_reading(r) for r in found]}


def _state_routes(routes: APIRouter, context: Context) -> None:
    async def facts() -> gather.Facts:
        seen = await gather.facts(context.store_path, context.now(), context.health() if context.health else None)
        return gather.in_file(context.site(), seen)

    @routes.get("/v1/alerts", response_model=None, responses={200: {"model": shapes.Alerts}, **gone})
    async def alerts() -> dict[str, Any]:
        """Standing alerts."""
        seen = await facts()
        return {
            "alerts": [
                {"key": a.key, "state": a.state, "severity": a.severity, "since": a.since.isoformat(),
                 "reason": a.reason, "facts": dict(a.facts)}
                for a in seen.standing()
            ]
        }  # fmt: skip

    @routes.get("/v1/health", response_model=None, responses={200: {"model": shapes.Health}, **gone})
    async def health() -> dict[str, Any]:
        """Every source, sensor, loop and channel."""
        seen = await facts()

        def at(moment: datetime | None) -> str | None:
            return None if moment is None else moment.isoformat()

        return {
            "sources": [
                {"name": s.name, "kind": s.kind, "since": at(s.since), "ok_at": at(s.ok_at),
                 "failed_at": at(s.failed_at), "error": s.error}
                for s in seen.health.values()
            ]
        }  # fmt: skip

    @routes.get("/metrics", responses=gone, response_class=shapes.OpenMetrics)
    async def metric() -> Response:
        """State in the OpenMetrics text format."""
        return shapes.OpenMetrics(metrics(await facts()))

    @routes.get(
        "/healthz",
        response_model=None,
        responses={200: {"model": shapes.Alive}, 503: {"description": "A loop is late", "model": shapes.Alive}},
    )
    async def healthz() -> Response:
        """200 where every loop keeps its deadline, else 503 with the reasons."""
        seen = await facts()
        red = [f"{s.name}: {s.error}" for s in seen.health.values() if s.kind in {"loop", "store"} and s.error]
        return JSONResponse({"ok": not red, "trouble": red}, 503 if red else 200)
