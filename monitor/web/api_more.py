"""More of the API: what the pages reckon (coverage, plan, what if, an explanation) and what was told and set aside."""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from fastapi import APIRouter, HTTPException, Query

from monitor.model.site import Site
from monitor.outlook.asjson import plan_jsonable
from monitor.service import due
from monitor.service.round import choose_forecast
from monitor.web import api_record, coverage, gather, shapes, suppose, trip

if TYPE_CHECKING:
    from monitor.web.view import Context

Responses = dict[int | str, dict[str, Any]]
gone: Responses = {503: {"description": "The store cannot be read", "model": shapes.Trouble}}


async def standing(context: Context) -> tuple[gather.Facts, Site]:
    """Look at the store; return the site with its valves as last read."""
    facts = await gather.facts(context.store_path, context.now(), context.health() if context.health else None)
    return gather.in_file(context.site(), facts), gather.as_it_stands(context.site(), facts)


def add(routes: APIRouter, context: Context) -> None:
    """Add the routes."""
    _reckoned(routes, context)
    _told(routes, context)
    api_record.add(routes, context)


def _reckoned(routes: APIRouter, context: Context) -> None:
    @routes.get("/v1/coverage", response_model=None, responses={200: {"model": shapes.Coverage}, **gone})
    async def cover(basis: Literal["chart", "floor", "weather"] = "weather") -> dict[str, Any]:
        """Which temperature and charge are carried: 2 without end, 1 for the stated burn, 0 not. Calm air."""
        _, site = await standing(context)
        air_c, share = np.linspace(-40.0, 35.0, 76), np.linspace(0.0, 1.0, 21)
        grid = await asyncio.to_thread(coverage.cover, site, air_c + 273.15, share, basis)
        return {"basis": basis, "air_c": air_c.tolist(), "share_of_full": share.tolist(), "cover": grid.tolist()}

    @routes.get("/v1/plan", response_model=None, responses={
        200: {"model": shapes.Plan}, 404: {"description": "No cylinder was read", "model": shapes.Trouble}, **gone,
    })  # fmt: skip
    async def plan() -> dict[str, Any]:
        """When to go to the station, with which cylinder, and why; `planned_refill` is when the household will go."""
        facts, site = await standing(context)
        levels = [suppose.level_of(entry, facts.now) for entry in (facts.payload or {}).get("levels", ())]
        if not any(level.reading_time is not None for level in levels):
            raise HTTPException(404, "No cylinder has been read yet.")
        found = await asyncio.to_thread(trip.reckon, context.store_path, site, levels, facts.now)
        going = due.dates(site, facts.entries, facts.now).planned_refill
        return {**plan_jsonable(found), "planned_refill": None if going is None else going.isoformat()}

    @routes.get("/v1/suppose", response_model=None, responses={
        200: {"model": shapes.Supposed},
        404: {"description": "No forecast, no reading, or no such cylinder", "model": shapes.Trouble}, **gone,
    })  # fmt: skip
    async def what_if(
        more: int = Query(0, ge=0, le=suppose.MOST_ADDED, description="more cylinders like the last one, full"),
        heater_w: float | None = Query(None, gt=0, le=1e6, description="input of one more appliance"),
        heater_for_s: float | None = Query(
            None, ge=60, le=86_400, description="how long it burns; absent: without end"
        ),
        cold_c: float | None = Query(None, ge=-70, le=55, description="the coldest hour ahead"),
        charge_share: float | None = Query(
            None, ge=0, le=1.05, description="each cylinder filled to; absent: as it is"
        ),
        opened: Annotated[list[str] | None, Query(alias="open", description="open valves; absent: as they are")] = None,
    ) -> dict[str, Any]:
        """Things as they are beside things as supposed, reckoned the same way. Nothing is kept."""
        facts, site = await standing(context)
        names = {c.name for c in site.cylinders}
        if wrong := [name for name in opened or () if name not in names]:
            raise HTTPException(404, f"There is no cylinder {wrong[0]!r}.")
        as_it_is = [c.name for c in site.cylinders if c.valve_open]
        wish = suppose.Wish(
            frozenset(as_it_is if opened is None else opened), more, heater_w, heater_for_s,
            None if cold_c is None else cold_c + 273.15, charge_share,
        )  # fmt: skip
        forecast = await gather.ask(context.store_path, lambda store: choose_forecast(site, store, facts.now))
        if forecast is None or facts.payload is None:
            raise HTTPException(404, "There is no forecast to reckon with.")
        levels = [suppose.level_of(entry, facts.now) for entry in facts.payload["levels"]]
        return await asyncio.to_thread(suppose.compared_json, site, forecast, levels, wish, facts.now)


def _told(routes: APIRouter, context: Context) -> None:
    def at(moment: datetime | None) -> str | None:
        return None if moment is None else moment.isoformat()

    @routes.get("/v1/notices", response_model=None, responses={200: {"model": shapes.Notices}, **gone})
    async def notices(limit: int = Query(50, ge=1, le=1000)) -> dict[str, Any]:
        """Notices by channel with what came of them, newest first."""
        rows = await gather.ask(context.store_path, lambda store: store.outbox(limit))
        return {
            "notices": [
                {"id": r.notice.id, "at": at(r.notice.at), "what": r.notice.what, "headline": r.notice.headline,
                 "body": r.notice.body, "channel": r.channel, "state": r.state, "attempts": r.attempts,
                 "error": r.error}
                for r in rows
            ]
        }  # fmt: skip

    @routes.get("/v1/alerts/steps", response_model=None, responses={200: {"model": shapes.Steps}, **gone})
    async def steps(limit: int = Query(100, ge=1, le=2000)) -> dict[str, Any]:
        """Every step of every alert, newest first."""
        rows = await gather.ask(context.store_path, lambda store: store.transitions(limit=limit))
        return {
            "steps": [
                {"key": t.key, "at": at(t.at), "before": t.before, "after": t.after, "reason": t.reason} for t in rows
            ]
        }

    @routes.get("/v1/set-aside", response_model=None, responses={200: {"model": shapes.SetAsides}, **gone})
    async def set_aside(limit: int = Query(100, ge=1, le=2000)) -> dict[str, Any]:
        """What came in and could not be used, newest first."""
        rows = await gather.ask(context.store_path, lambda store: store.set_asides(limit))
        return {
            "set_aside": [
                {"received": at(s.received), "source": s.source, "subject": s.subject, "quantity": s.quantity,
                 "raw": s.raw, "reason": s.reason}
                for s in rows
            ]
        }  # fmt: skip
