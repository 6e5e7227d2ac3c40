"""How `boiloff status` looks to a person."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from rich.markup import escape
from rich.table import Table

from monitor.alerts import kinds
from monitor.commands._alert_words import STATES, WHAT
from monitor.commands._reading import NAMES, shown
from monitor.model.reading import Quantity
from monitor.model.site import Site
from monitor.model.units_out import duration, show
from monitor.service.status import Input, Status

if TYPE_CHECKING:
    from rich.console import Console

_STATE_STYLE = {"ok": "green", "old": "yellow", "silent": "red", "never heard": "red", "failing": "red"}


def print_status(out: Console, site: Site, status: Status) -> None:
    """Print the whole status, what is wrong first."""
    zone = ZoneInfo(site.timezone)
    out.print(f"[bold]{escape(status.site)}[/]  {_when(status.at, zone)}")
    out.print(_service(status, zone))
    out.print(_answer(status, site, zone))
    out.print(_forecast(status, zone))
    out.print(_upkeep(status, zone))
    _print_wrong(out, status, zone)
    _print_inputs(out, site, status)
    _print_alerts(out, status, zone)
    _print_notices(out, status, zone)


def _when(time: datetime, zone: ZoneInfo) -> str:
    return f"{time.astimezone(zone):%a %Y-%m-%d %H:%M %Z}"


def _short(text: str | datetime, zone: ZoneInfo) -> str:
    time = datetime.fromisoformat(text) if isinstance(text, str) else text
    return f"{time.astimezone(zone):%a %d %b %H:%M}"


def _age(status: Status, text: str | datetime) -> str:
    time = datetime.fromisoformat(text) if isinstance(text, str) else text
    seconds = (status.at - time).total_seconds()
    return f"{duration(seconds)} ago" if seconds >= 0 else f"in {duration(-seconds)}"


def _service(status: Status, zone: ZoneInfo) -> str:
    if status.running_pid is None:
        return "Service:   [red]not running[/]"
    since = f" since {_short(status.started, zone)}" if status.started is not None else ""
    return f"Service:   [green]running[/]{since}, process {status.running_pid}"


def _answer(status: Status, site: Site, zone: ZoneInfo) -> str:
    outlook = status.outlook
    if outlook is None:
        return "Outlook:   none yet"
    made = f"made {_age(status, outlook['at'])}, basis {outlook['basis']}"
    hours = outlook.get("hours") or []
    if not hours:
        return f"Outlook:   [yellow]no hours ahead can be judged[/]; {made}"
    uncovered = outlook["uncovered"]
    if uncovered:
        first = uncovered[0]
        count = len(uncovered) - 1
        more = "" if count < 1 else f", and {count} more stretch{'es' if count > 1 else ''}"
        words = f"[red]uncovered from {_short(first['from'], zone)} to {_short(first['to'], zone)}{more}[/]"
    elif any(h.get("uncovered") is None for h in hours):
        words = "[yellow]not every hour can be judged[/]"
    else:
        words = f"[green]covered through {_short(hours[-1]['time'], zone)}[/]"
    return f"Outlook:   {words}; {made}{_fuel(outlook, site, zone)}"


def _fuel(outlook: Mapping[str, Any], site: Site, zone: ZoneInfo) -> str:
    known = [x for x in outlook["levels"] if x["left_kg"] is not None]
    left = ", ".join(
        f"{escape(x['cylinder'])} {show(x['left_kg'], 'mass', site.units)} ({x['share_of_full']:.0%})" for x in known
    )
    half = (outlook.get("run_out") or {}).get("p50")
    ends = f"; even odds that it ends before {_short(half, zone)}" if half else ""
    return f"\nFuel left: {left}{ends}" if left else ""


def _forecast(status: Status, zone: ZoneInfo) -> str:
    pull = ""
    if status.next_pull is not None:
        soon = "due now" if status.next_pull <= status.at else _age(status, status.next_pull)
        pull = f"; next pull {soon}, {_short(status.next_pull, zone)}"
    if status.forecast is None:
        return f"Forecast:  none yet{pull}"
    f = status.forecast
    return (
        f"Forecast:  {escape(f['source'])}, issued {_age(status, f['issued'])}, "
        f"reaches to {_short(f['ends'], zone)}{pull}"
    )


def _upkeep(status: Status, zone: ZoneInfo) -> str:
    """The last copy and the last look through the database, in plain words."""
    copy, looked = status.health.get("copy"), status.health.get("database")
    if copy is None or copy.ok_at is None:
        words = "last copy: none yet"
    else:
        days = (status.at.astimezone(zone).date() - copy.ok_at.astimezone(zone).date()).days
        day = {0: "today", 1: "yesterday"}.get(days, f"{copy.ok_at.astimezone(zone):%a %d %b}")
        size = f", {copy.value / 1e6:.1f} MB" if copy.value is not None and not copy.error else ""
        words = f"last copy: {day} {copy.ok_at.astimezone(zone):%H:%M}, sound{size}"
        if status.at - copy.ok_at > timedelta(days=3):
            words = f"[yellow]{words}[/]"
    if copy is not None and copy.error:
        words += "; [red]the newest try failed[/]"
    if looked is not None and looked.ok_at is not None and not looked.error:
        words += f"; looked through {_short(looked.ok_at, zone)}, sound"
    return f"Database:  {words}"


def _print_wrong(out: Console, status: Status, zone: ZoneInfo) -> None:
    if not status.troubles:
        out.print("Wrong:     nothing with the inputs")
        return
    table = _table("Wrong", "what", "since")
    for trouble in status.troubles:
        since = f"{_short(trouble.since, zone)} ({duration((status.at - trouble.since).total_seconds())})" if (
            trouble.since is not None
        ) else "–"  # fmt: skip
        table.add_row(f"[red]{escape(trouble.what)}[/]", escape(trouble.words), since)
    out.print(table)


def _table(*headers: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold", title_justify="left")
    for header in headers:
        table.add_column(header, overflow="fold")
    return table


def _print_inputs(out: Console, site: Site, status: Status) -> None:
    if not status.inputs:
        return
    out.print()
    table = _table("Input", "of", "reading", "age", "expected", "state")
    for item in status.inputs:
        every = f"every {duration(item.interval_s)}" if item.interval_s is not None else "–"
        age = duration(item.age_s) if item.age_s is not None else "–"
        state = f"[{_STATE_STYLE[item.state]}]{item.state}[/]"
        table.add_row(escape(item.name), escape(_of(item)), _value(item, site), age, every, state)
    out.print(table)


def _of(item: Input) -> str:
    return f"{item.subject}, {NAMES.get(Quantity(item.quantity), item.quantity)}"


def _value(item: Input, site: Site) -> str:
    return escape(shown(item.reading, site)) if item.reading is not None else "–"


def _print_alerts(out: Console, status: Status, zone: ZoneInfo) -> None:
    out.print()
    if not status.alerts:
        out.print("Alerts:    none stand")
        return
    table = _table("Alert", "state", "since", "severity", "what")
    for alert in status.alerts:
        words = alert["headline"] or alert["reason"]
        name, state = escape(_named(alert["key"])), STATES[alert["state"]]
        table.add_row(name, state, _short(alert["since"], zone), alert["severity"], escape(words))
    out.print(table)


def _named(key: str) -> str:
    """Return what an alert is called: its title, and whose it is where that is not the site's."""
    kind, _, subject = key.partition("/")
    title = kinds.of(kind).title
    return title if subject == "site" else f"{title}: {subject}"


def _print_notices(out: Console, status: Status, zone: ZoneInfo) -> None:
    out.print()
    if not status.notices:
        out.print("Notices:   none yet")
        return
    table = _table("Notice", "what", "told", "by")
    for notice in status.notices:
        ways = "; ".join(_delivery(d, zone) for d in notice["deliveries"])
        what = WHAT.get(notice["what"], notice["what"])
        table.add_row(_short(notice["at"], zone), what, escape(notice["headline"]), escape(ways))
    out.print(table)


def _delivery(delivery: Mapping[str, Any], zone: ZoneInfo) -> str:
    words = f"{delivery['channel']} {delivery['state']}"
    if delivery["state"] == "waiting" and delivery["attempts"]:
        words += f" after {delivery['attempts']} tries, next {_short(delivery['next_at'], zone)}"
    if delivery["error"] and delivery["state"] != "delivered":
        words += f": {delivery['error']}"
    return words
