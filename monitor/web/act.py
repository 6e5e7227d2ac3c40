"""Handlers of the forms: a reading, an alert acknowledged or shelved, a channel tried, the log-in."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import timedelta

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from monitor.alerts import cautions
from monitor.model.errors import BadInput
from monitor.model.site import Site
from monitor.notify.outcome import Outcome
from monitor.outlook import record
from monitor.store import Store
from monitor.web import guard
from monitor.web.view import Refused, View, whole

WAYS = (
    ("weighs", "weight on a scale, cylinder and gas"),
    ("left", "propane left"),
    ("gauge", "gauge on the cylinder (% of volume)"),
    ("share", "share of a full cylinder"),
    ("line", "warm-water line (rough: half, 40 %)"),
    ("filled", "it was just filled"),
)
FILLED = {"share": "100 %"}  # what "just filled" means as a reading


_FIELDS = {"cylinder": "Cylinder", "--valve": "Valve", "when": "When"}  # other keys are those of the one amount


def plain(error: BadInput) -> list[str]:
    """Put problems in the words of a form's fields: what was typed, what was expected, how to mend it."""
    out = []
    for p in error.problems:
        field = _FIELDS.get(p.key, "Amount" if p.key.startswith("--") else p.key)
        out.append(f"{field}: {p.value} cannot be used. Expected: {p.expected}." + (f" {p.hint}" if p.hint else ""))
    return out


def _example(site: Site) -> str:
    return "52.4 lb" if site.units == "us" else "23.8 kg"


class Act:
    """Handlers that change something."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.context = view.context

    async def alert_done(self, request: Request) -> Response:
        """Acknowledge an alert, shelve it, take it out of service, or put it back, as the path says."""
        from monitor.alerts import operate
        from monitor.alerts.wording import words as wording

        form = await self.view.form(request)
        what, site, now = request.url.path.rpartition("/")[2], self.context.site(), self.context.now()
        until = now + timedelta(hours=whole(form.get("hours"), 12, 1, 24 * 14))

        def act(store: Store) -> None:
            state = store.alert_states().get(form.get("key", ""))
            if state is None:
                raise Refused("There is no such alert.")
            say = wording(site)
            if what == "shelve":
                done = operate.shelve(state, now, until, "the page", say)
            elif what == "unshelve":
                done = operate.unshelve(state, now, "the page", say)
            elif what == "out-of-service":
                done = operate.out_of_service(state, now, "the page", form.get("why", "")[:200].strip(), say)
            elif what == "into-service":
                done = operate.into_service(state, now, "the page", say)
            else:
                done = operate.acknowledge(state, now, "the page", say)
            store.commit_judgement(done, ["log", *(c.name for c in site.channels if c.name != "log")])

        await self.view.write(act)
        return RedirectResponse("/alerts", 303)

    async def enter(self, request: Request) -> Response:
        """Enter a reading: the form, or what came of it."""
        site = self.context.site()
        named = request.query_params.get("cylinder", "")
        names = [c.name for c in site.cylinders]
        given = {"cylinder": named if named in names else names[0], "how": "weighs", "amount": "", "at": ""}
        problems: list[str] = []
        done = ""
        if request.method == "POST":
            try:
                form = await self.view.form(request)
                given |= {name: form.get(name, "")[:200] for name in given}
                done = await self._keep(site, given)
                given["amount"] = ""
            except Refused as error:
                problems = [str(error)]
            except BadInput as error:
                problems = plain(error)
        return self.view.page(
            request, "enter.html", "Enter a reading", 400 if problems else 200, problems=problems, done=done,
            given=given, cylinders=names, ways=WAYS, example=_example(site),
            carry=cautions.CARRY,
        )  # fmt: skip

    async def _keep(self, site: Site, given: Mapping[str, str]) -> str:
        from monitor.sensors import hand
        from monitor.sensors.when import when

        now, how = self.context.now(), given["how"]
        if how not in dict(WAYS):
            raise Refused("Choose what you read from the list.")
        if how != "filled" and not given["amount"].strip():
            raise Refused(f"The amount is empty: give a value with its unit, such as {_example(site)}.")
        said = FILLED if how == "filled" else {how: given["amount"]}
        note = "just filled" if how == "filled" else ""
        time = when(given["at"] or "now", now, site.timezone, "when")
        told = await self.view.ask(lambda store: store.entries(record.MARKING))
        there = record.marked(site, told, time)  # a weight is of the cylinder that stood there then
        found = hand.readings(there, given["cylinder"], said, time, now, note=note)
        await self.view.write(lambda store: store.add_readings(found))
        return f"Kept: {given['cylinder']}, {dict(WAYS)[how]}{'' if how == 'filled' else ', ' + given['amount']}."

    async def valve(self, request: Request) -> Response:
        """Say that a valve was opened or closed; the cautions stand where the hand goes."""
        site = self.context.site()
        problems: list[str] = []
        done = ""
        if request.method == "POST":
            try:
                form = await self.view.form(request)
                done = await self._turn(site, form)
            except Refused as error:
                problems = [str(error)]
            except BadInput as error:
                problems = plain(error)
        return self.view.page(
            request, "valve.html", "A valve was turned", 400 if problems else 200, problems=problems, done=done,
            cylinders=[(c.name, c.valve_open) for c in site.cylinders],
            cautions=(cautions.VALVE, cautions.SMELL, cautions.LOCAL),
        )  # fmt: skip

    async def _turn(self, site: Site, form: Mapping[str, str]) -> str:
        from monitor.sensors import hand

        now, name, state = self.context.now(), form.get("cylinder", ""), form.get("state", "")
        found = hand.readings(site, name, {"valve": state}, now, now)
        await self.view.write(lambda store: store.add_readings(found))
        known = next((c for c in site.cylinders if c.name == name), None)
        text = f"Kept: the valve of {name} is {state}."
        if known is not None and known.valve_open != (state == "open"):
            here = "open" if known.valve_open else "closed"
            text += f" The site file has it {here}, but the outlook goes by what you told it last."
        return text

    async def test_channel(self, request: Request) -> Response:
        """Send a test notice by one channel and say what the other side answered."""
        from monitor.notify import trial

        form = await self.view.form(request)
        site, now, name = self.context.site(), self.context.now(), form.get("channel", "")
        if not self.context.guard.may_test():
            raise Refused("A test was sent a moment ago: wait ten seconds.")
        outcome = await asyncio.to_thread(trial.try_now, site, name, now, 20.0)
        return self.view.page(request, "not_done.html", "Test notice", why=f"{name}: {_outcome(outcome)}")

    async def login(self, request: Request) -> Response:
        """Ask for the password, slowly and not too often."""
        door = self.context.guard
        address = guard.address_of(door, request)
        problems: list[str] = []
        if request.method == "POST":
            if door.blocked(address):
                wait = ["Too many tries: wait five minutes."]
                return self.view.page(request, "login.html", "Log in", 429, problems=wait)
            form = await request.form(max_files=0, max_fields=10)
            right = await asyncio.to_thread(door.check_password, address, str(form.get("password", ""))[:1000])
            if right:
                response = RedirectResponse("/", 303)
                door.begin(response, secure=request.url.scheme == "https")
                return response
            problems = ["That is not the password."]
        return self.view.page(request, "login.html", "Log in", 401 if problems else 200, problems=problems)

    async def logout(self, request: Request) -> Response:
        """End the session."""
        await self.view.form(request)
        response = RedirectResponse("/login" if self.context.guard.password_hash else "/", 303)
        self.context.guard.end(request, response)
        return response


def _outcome(outcome: Outcome) -> str:
    if outcome.ok:
        return "the other side took the test notice. Look whether it arrived."
    again = "It will not work until something is mended." if outcome.permanent else "It may work later."
    return f"not delivered: {outcome.error}. {again}"
