"""Gas reported, or a leak that nobody has found tight since, comes before everything else that a command says."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.markup import escape

from monitor import store as database
from monitor.alerts import cautions, kinds
from monitor.model.site import Site

_STANDS = frozenset({"unacknowledged", "acknowledged", "shelved"})


def say_first(to: Console, site: Site, store: Path | None) -> None:
    """Print what stands of gas, with what to do, or nothing. `store`: the database, None for the usual place."""
    path = database.find(site, store)
    if not path.exists():
        return
    with database.Store.open(path, readonly=True) as opened:
        states = opened.alert_states().values()
    stands = [s for s in states if s.kind in kinds.GAS and s.state in _STANDS]
    for state in sorted(stands, key=lambda s: kinds.GAS.index(s.kind)):
        kind, since = kinds.of(state.kind), state.raised or state.since
        when = f"{since.astimezone(ZoneInfo(site.timezone)):%a %d %b %H:%M}"
        reason = escape(state.reason.rstrip("."))
        to.print(f"[bold red]FIRST: {kind.title}[/] (since {when}): {reason}.")
        to.print(f"  What to do: {kind.todo}.")
    if stands:
        to.print(f"  {cautions.SMELL} {cautions.DETECTOR}\n")
