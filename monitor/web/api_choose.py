"""The API about choosing and starting: arrangements compared, the supply train's findings, the first-start sheet."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Literal

from fastapi import APIRouter, Query

from monitor.alerts.cautions import LOCAL, SMELL, VALVE
from monitor.model.site import Appliance
from monitor.site import fit_out
from monitor.site.questions import questions
from monitor.web import arrange, first_start, gather, shapes_choose, train
from monitor.web.api_more import gone, standing

if TYPE_CHECKING:
    from monitor.web.view import Context


def add(routes: APIRouter, context: Context, reckoner: arrange.Reckoner) -> None:
    """Add the routes."""
    _arrange(routes, context, reckoner)
    _train(routes, context)
    _first_start(routes, context)


def _arrange(routes: APIRouter, context: Context, reckoner: arrange.Reckoner) -> None:
    @routes.get("/v1/arrange", response_model=None, responses={200: {"model": shapes_choose.Arrangements}})
    async def compared(
        coldest_c: float = Query(ge=-70, le=50, description="design low"),
        use_kg_d: float = Query(ge=0.01, le=100, description="use a day in winter"),
        carry_kg: float | None = Query(None, ge=1, le=500, description="most that can be lifted; absent: no limit"),
        most: int = Query(arrange.USUAL, ge=1, le=arrange.MOST, description="most cylinders side by side"),
        delivery: bool = Query(True, description="whether a supplier will come"),
        mind: Literal["short-nights", "carrying", "trips"] = "short-nights",
    ) -> dict[str, Any]:
        """Arrangements for this household's appliances. One is worked out at a time, which takes a few seconds."""
        from monitor.commands._arrange import as_json

        wish = arrange.Wish(coldest_c + 273.15, use_kg_d, carry_kg, most, delivery, mind)
        return as_json(await reckoner.result(context.site(), wish))


def _train(routes: APIRouter, context: Context) -> None:
    @routes.get("/v1/train", response_model=None, responses={200: {"model": shapes_choose.SupplyTrain}, **gone})
    async def found(
        added_w: float | None = Query(None, ge=50, le=1e6, description="input of one appliance more"),
        added_for_s: float | None = Query(None, ge=60, le=86_400, description="how long it burns; absent: without end"),
        coldest_c: float | None = Query(None, ge=-83, le=36, description="air to be ready for; absent: the site's"),
    ) -> dict[str, Any]:
        """What is worth a fitter's look between the cylinders and the burners. No finding is a verdict."""
        _, site = await standing(context)
        asked = train.of(
            site,
            None if added_w is None else Appliance("one more", added_w, added_for_s or 3600.0,
                                                   continuous=added_for_s is None),
            None if coldest_c is None else coldest_c + 273.15,
        )  # fmt: skip
        order = [state for state, _ in train.GROUPS]
        rows = sorted(await train.findings(asked), key=lambda f: order.index(f.state))
        return {
            "demand_w": asked.site.demand_w, "coldest_c": round(asked.coldest_k - 273.15, 6),
            "coldest_stated": asked.stated, "findings": [asdict(f) for f in rows],
        }  # fmt: skip


def _first_start(routes: APIRouter, context: Context) -> None:
    @routes.get("/v1/first-start", response_model=None, responses={200: {"model": shapes_choose.FirstStart}, **gone})
    async def sheet() -> dict[str, Any]:
        """The sheet for the first start and each reconnection, what to ask, what to get, and what was kept last."""
        site = context.site()
        last = await gather.ask(context.store_path, first_start.last)
        done = [] if last is None else list(last.payload.get("steps", ()))
        return {
            "steps": [asdict(s) for s in fit_out.STEPS],
            "questions": [asdict(q) for q in questions(site)],
            "items": [asdict(i) for i in fit_out.items(site)],
            "marks": [asdict(fit_out.mark(c, site)) for c in site.cylinders],
            "cautions": [LOCAL, SMELL, VALVE],
            "last": None if last is None else {
                "time": last.time.isoformat(), "steps": done,
                "left_out": [name for name in fit_out.NAMES if name not in done],
            },
        }  # fmt: skip
