"""The supply train on the page: what was found between cylinders and burners, and what one appliance more would do."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, replace

from starlette.requests import Request
from starlette.responses import Response

from monitor.alerts.cautions import LOCAL
from monitor.model.errors import BadInput, Problem
from monitor.model.site import Appliance, Site
from monitor.model.units_out import show
from monitor.physics.supply_train import Finding, State, check
from monitor.web.act import plain
from monitor.web.field import Fields
from monitor.web.view import View

FIELDS = ("name", "input", "burns", "coldest")
GROUPS: tuple[tuple[State, str], ...] = (("look", "Worth a look"), ("unknown", "Not checked"), ("good", "As usual"))


@dataclass(frozen=True, slots=True)
class Asked:
    """A site with what was added, and the cold looked at; `stated` False = nobody said one."""

    site: Site
    coldest_k: float
    stated: bool


def read(given: Mapping[str, str], site: Site) -> Asked:
    """Read the form. Raises BadInput with every problem, in the words of its fields."""
    from monitor.commands._train import HOLD_S

    fields = Fields(given)
    quantity, problems = fields.quantity, fields.problems
    name = given.get("name", "").strip()[:60]
    watts = quantity("input", "Its input", "power", 50.0, 1e6, "an input of a household appliance, above 170 Btu/h")
    hold_s = quantity("burns", "It burns for", "time", 60.0, 86_400.0, "a time from 1 min to 24 h")
    cold = quantity("coldest", "Coldest air", "temperature", 190.0, 310.0, "outside air, from -83 to 37 °C")
    if name in {a.name for a in site.appliances}:
        problems.append(Problem("One appliance more", f'"{name}"', "a name that no appliance has yet"))
    if name and not given.get("input", "").strip():
        problems.append(Problem("Its input", "nothing", 'what its plate says, such as "12000 Btu/h"'))
    if problems:
        raise BadInput(problems)
    more = None if watts is None else Appliance(name or "one more", watts, hold_s or HOLD_S, continuous=hold_s is None)
    return of(site, more, cold)


def of(site: Site, more: Appliance | None, coldest_k: float | None) -> Asked:
    """Return what to check: the site, with one appliance more where there is one, in the cold typed or stated."""
    from monitor.commands._train import COLDEST_K

    if more is not None:
        site = replace(site, appliances=(*site.appliances, more))
    stated = coldest_k if coldest_k is not None else site.settings.get("train.coldest")
    return Asked(site, COLDEST_K if stated is None else float(stated), stated is not None)


async def findings(asked: Asked) -> tuple[Finding, ...]:
    """Check, in a thread."""
    return await asyncio.to_thread(check, asked.site, asked.coldest_k)


class Train:
    """Handler of the page."""

    def __init__(self, view: View) -> None:
        self.view = view

    async def train(self, request: Request) -> Response:
        """Findings: worth a look first, then what was not checked, then what is as usual."""
        from monitor.commands._train import CLOSING

        (_, site), query = await self.view.standing(), request.query_params
        problems: list[str] = []
        found: tuple[Finding, ...] = ()
        asked: Asked | None = None
        try:
            asked = read(query, site)
            found = await findings(asked)
        except BadInput as error:
            problems = plain(error)
        then = asked.site if asked is not None else site
        return self.view.page(
            request, "train.html", "Supply train", 400 if problems else 200, problems=problems, asked=asked,
            groups=[(state, title, [f for f in found if f.state == state]) for state, title in GROUPS],
            given={name: query.get(name, "")[:60] for name in FIELDS}, closing=CLOSING, local=LOCAL,
            demand=show(then.demand_w, "power", site.units), added=then.appliances[len(site.appliances):],
            cold="" if asked is None else show(asked.coldest_k, "temperature", site.units),
            examples=("12000 Btu/h", "-20 °F") if site.units == "us" else ("4 kW", "-25 °C"),
        )  # fmt: skip
