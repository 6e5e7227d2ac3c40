"""The record and what the gas costs, as JSON; the names are those of `boiloff record list` and `boiloff cost`."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Query

from monitor.store import Store
from monitor.web import gather, shapes

if TYPE_CHECKING:
    from monitor.web.view import Context

Responses = dict[int | str, dict[str, Any]]
gone: Responses = {503: {"description": "The store cannot be read", "model": shapes.Trouble}}


def add(routes: APIRouter, context: Context) -> None:
    """Add the routes."""

    @routes.get("/v1/record", response_model=None, responses={200: {"model": shapes.Recorded}, **gone})
    async def record(
        limit: int = Query(300, ge=1, le=10_000),
        undone: bool = Query(default=False, description="also what was taken back, and the undoing"),
    ) -> dict[str, Any]:
        """What was done and when, newest first."""
        from monitor.commands._record import jsonable

        def read(store: Store) -> list[dict[str, Any]]:
            in_force = {e.id for e in store.events()}
            found = store.events(include_undone=undone)[-limit:]
            return [jsonable(e) | {"in_force": e.id in in_force} for e in reversed(found)]

        return {"entries": await gather.ask(context.store_path, read)}

    @routes.get("/v1/cost", response_model=None, responses={200: {"model": shapes.Costs}, **gone})
    async def cost() -> dict[str, Any]:
        """What the gas costs by month and year, a unit of it, and offers beside the cylinders; kg, site's money."""
        from monitor.commands import _cost

        site, now = context.site(), context.now()

        found = await asyncio.to_thread(context.costs.money, site, context.store_path, now)
        return _cost.plain(found)
