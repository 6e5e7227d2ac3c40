"""What the alert commands do."""

from __future__ import annotations

import getpass
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from monitor.alerts import cautions, kinds, when
from monitor.alerts import operate as hands
from monitor.alerts.say import percent
from monitor.alerts.settings import Limits
from monitor.alerts.wording import words
from monitor.commands._alert_words import STATES, WHAT
from monitor.commands._print import console, print_json
from monitor.model.alert import AlertState, Judgement
from monitor.model.errors import BadInput, Problem
from monitor.model.site import Site
from monitor.model.units_out import duration
from monitor.site import find, load
from monitor.store import Store
from monitor.store import find as find_store
from monitor.store import place as whose

if TYPE_CHECKING:
    from rich.console import Console

_ORDER = tuple(STATES)


@dataclass(frozen=True, slots=True)
class Place:
    """The site and where its store is."""

    site: Site
    store: Path

    @classmethod
    def of(cls, site: Path | None, store: Path | None) -> Place:
        """Load the site and find its store."""
        loaded = load(find(site))
        return cls(loaded, find_store(loaded, store))

    def at(self, time: datetime | None, now: datetime) -> str:
        """Return a time as the household reads it."""
        return "–" if time is None else when.moment(time, self.site.timezone, now)


def _now() -> datetime:
    return datetime.now(UTC)


def choose(states: dict[str, AlertState], text: str) -> AlertState:
    """Return the one alert that `text` means: its key, or the start of it. Raises BadInput where it is none or many."""
    if text in states:
        return states[text]
    close: list[AlertState] = []
    known = {k: s for k, s in states.items() if s.state != "normal"}
    for among in (known, states):
        close = close or [s for k, s in among.items() if k.startswith(text) or k.split("/", 1)[1] == text]
    if len(close) == 1:
        return close[0]
    known = known or states
    listed = ", ".join(sorted(s.key for s in close) or sorted(known)) or "none yet: no alert was ever raised here"
    raise BadInput(Problem("alert", text, "one alert's key", f"Known: {listed}."))


def show_list(place: Place, *, every: bool, as_json: bool) -> None:
    """Print the alerts, those that need someone first."""
    with Store.open(place.store, readonly=True) as store:
        whose.warn(store, place.site)
        states = list(store.alert_states().values())
        outlook = store.latest_outlook()
    states = [s for s in states if every or s.state != "normal"]
    states.sort(key=lambda s: (_ORDER.index(s.state), s.key))
    if as_json:
        print_json([_state_json(s) for s in states])
        return
    out, now = console(), _now()
    if not states:
        out.print("No alert stands. That covers only what boiloff sees: `boiloff status` says what that is.")
        _print_later(out, place, outlook, now)
        return
    for s in states:
        _print_state(out, place, s, now)


def _print_state(out: Console, place: Place, s: AlertState, now: datetime) -> None:
    """Print one alert by its whole key, which the other commands take, with state and reason below it."""
    from rich.padding import Padding
    from rich.text import Text

    until = f" until {place.at(s.shelved_until, now)}" if s.shelved_until else ""
    by = f" by {s.acknowledged_by}" if s.acknowledged_by else ""
    since = place.at(s.raised if s.occurrence else s.since, now)
    severity = f"; {s.severity}" if s.occurrence else ""
    out.print(Text(s.key, style="bold", overflow="fold"))
    out.print(Padding.indent(Text(f"{STATES[s.state]}{by}{until}; since {since}{severity}"), 4))
    out.print(Padding.indent(Text(s.reason), 4))


def _print_later(out: Console, place: Place, outlook: Mapping[str, Any] | None, now: datetime) -> None:
    """Print that the outlook is short further ahead than notices go, and from when on it is told."""
    ahead = [datetime.fromisoformat(s["from"]) for s in (outlook or {}).get("uncovered", ())]
    first = min((t for t in ahead if t > now), default=None)
    if first is None:
        return
    limits = Limits(place.site.settings)
    tell = first - timedelta(seconds=limits["lead"])
    told = f"on {place.at(tell, now)}" if tell > now else "as soon as its delay is over"
    near, far = percent(max(limits["probability"], limits["probability_far"])), percent(limits["probability"])
    out.print(
        f"The outlook is short from {place.at(first, now)}. That is told {told}, {duration(limits['lead'])} before, if "
        f"the odds are then {near} or more ({far} in the last two days).",
        markup=False,
    )


def _state_json(state: AlertState) -> dict[str, Any]:
    return {k: v.isoformat() if isinstance(v, datetime) else v for k, v in asdict(state).items()}


def show_one(place: Place, text: str, limit: int, *, as_json: bool) -> None:
    """Print one alert with its history and what became of its notices."""
    with Store.open(place.store, readonly=True) as store:
        whose.warn(store, place.site)
        state = choose(store.alert_states(), text)
        steps = store.transitions(state.key, limit)
        rows = [r for r in store.outbox(5000) if r.notice.key == state.key][: limit * 4]
    if as_json:
        print_json(
            {
                "state": _state_json(state),
                "history": [{**asdict(t), "at": t.at.isoformat()} for t in steps],
                "notices": [
                    {
                        "id": r.notice.id, "at": r.notice.at.isoformat(), "what": r.notice.what, "channel": r.channel,
                        "headline": r.notice.headline, "state": r.state, "attempts": r.attempts, "error": r.error,
                    }
                    for r in rows
                ],
            }
        )  # fmt: skip
        return
    out, now, kind = console(), _now(), kinds.of(state.kind)
    out.print(f"[bold]{kind.title}[/bold] ({state.key}): {STATES[state.state]} since {place.at(state.since, now)}")
    for name, value in (
        ("Why", state.reason), ("Cause", kind.cause), ("What follows", kind.consequence), ("What to do", kind.todo),
        ("Time to act", kind.time_to_act),
    ):  # fmt: skip
        out.print(f"  {name}: {value}", markup=False)
    out.print("\nHistory, newest first:")
    for t in steps:
        out.print(f"  {place.at(t.at, now)}: {STATES[t.before]} -> {STATES[t.after]}: {t.reason}", markup=False)
    out.print("\nNotices, newest first:")
    for r in rows:
        became = r.state + (f" after {r.attempts} attempts" if r.attempts > 1 else "")
        error = f": {r.error}" if r.error else ""
        what = WHAT.get(r.notice.what, r.notice.what)
        line = f"  {place.at(r.notice.at, now)} {what} by {r.channel}, {became}{error}"
        out.print(line, markup=False)
        out.print(f"    {r.notice.headline}", markup=False)


def show_kinds(*, as_json: bool) -> None:
    """Print the list of kinds with the response to each."""
    if as_json:
        print_json([asdict(k) for k in kinds.KINDS.values()])
        return
    out = console()
    for k in kinds.KINDS.values():
        out.print(f"[bold]{k.name}[/bold]: {k.title}")
        out.print(f"  Cause: {k.cause}\n  What follows: {k.consequence}\n  What to do: {k.todo}", markup=False)
        out.print(f"  Time to act: {k.time_to_act}", markup=False)
        if k.name in kinds.GAS:
            out.print(f"  {cautions.SMELL} {cautions.DETECTOR}", markup=False, style="bold")


def _length(text: str) -> timedelta:
    from monitor.site.units import QuantityError, parse

    try:
        return timedelta(seconds=parse(text, "time"))
    except QuantityError as error:
        raise BadInput(Problem("--for", text, 'a length of time such as "8 h"', str(error))) from None


def operate(
    place: Place, text: str, what: str, by: str, *, for_: str = "", until_over: bool = False, why: str = ""
) -> None:
    """Do one thing to one alert, in one transaction."""
    from monitor.notify.channels import names

    now, say, who = _now(), words(place.site), by or _user()
    until = now + _length(for_) if what == "shelve" else now
    with Store.open(place.store) as store, store.transaction():
        whose.require(store, place.site)
        state = choose(store.alert_states(), text)
        judgement: Judgement
        if what == "acknowledge":
            judgement = hands.acknowledge(state, now, who, say)
        elif what == "shelve":
            judgement = hands.shelve(state, now, until, who, say, one_shot=until_over)
        elif what == "unshelve":
            judgement = hands.unshelve(state, now, who, say)
        elif what == "out_of_service":
            judgement = hands.out_of_service(state, now, who, why, say)
        else:
            judgement = hands.into_service(state, now, who, say)
        store.commit_judgement(judgement, names(place.site))
    (after,) = judgement.states
    extra = f" until {place.at(after.shelved_until, now)}" if after.shelved_until else ""
    console().print(f"{after.key}: {STATES[after.state]}{extra}", markup=False)


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "someone"


def try_channels(site: Path | None, channel: str, deadline_s: float, *, as_json: bool) -> None:
    """Send a test notice by one channel or by all, and print what came of it."""
    from monitor.notify.channels import find as find_channel
    from monitor.notify.trial import try_now

    loaded = load(find(site))
    chosen = [find_channel(loaded, channel).name] if channel else [c.name for c in loaded.channels]
    if not chosen:
        hint = "Add a [[channel]] with a name and a url; until then notices go to the log alone."
        raise BadInput(Problem("channel", "none", "a channel in the site file", hint))
    results = {}
    for name in chosen:
        try:
            results[name] = try_now(loaded, name, _now(), deadline_s)
        except BadInput as error:
            from monitor.notify.outcome import Outcome

            results[name] = Outcome(str(error), permanent=True)
    if as_json:
        print_json([{"channel": n, "delivered": o.ok, "error": o.error, "permanent": o.permanent}
                    for n, o in results.items()])  # fmt: skip
    else:
        for name, outcome in results.items():
            again = " (mend it first)" if outcome.permanent else " (it would be tried again)"
            line = "handed over" if outcome.ok else f"did not get through: {outcome.error}{again}"
            console().print(f"{name}: {line}", markup=False)
    if not all(o.ok for o in results.values()):
        raise typer.Exit(3)
