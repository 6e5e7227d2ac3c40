"""`boiloff alerts`: what stands and why, its history, acknowledging, shelving, testing a channel, trying a rule."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

SitePath = Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")]
StorePath = Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
By = Annotated[str, typer.Option(help="Who does it; kept with the alert.")]
Key = Annotated[str, typer.Argument(help="The alert: cold-shortfall/site, or as much of it as is plain.")]

commands = typer.Typer(no_args_is_help=False, help="Alerts: what stands, why, and what to do about it.")


def register(app: typer.Typer) -> None:
    """Add the commands to `app`."""
    app.add_typer(commands, name="alerts")


@commands.callback(invoke_without_command=True)
def default(context: typer.Context) -> None:
    """Alerts: what stands, why, and what to do about it. Without a word more: the list."""
    if context.invoked_subcommand is None:
        list_(every=False, json=False, site=None, store=None)


@commands.command("list")
def list_(
    every: Annotated[bool, typer.Option("--all", help="Those that do not stand as well.")] = False,
    json: Json = False,
    site: SitePath = None,
    store: StorePath = None,
) -> None:
    """List the alerts that stand, with the reason for each."""
    from monitor.commands import _alerts

    _alerts.show_list(_alerts.Place.of(site, store), every=every, as_json=json)


@commands.command()
def show(
    key: Key,
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="Steps of its history.")] = 20,
    json: Json = False,
    site: SitePath = None,
    store: StorePath = None,
) -> None:
    """Show one alert: how it stands, each step with its reason, each notice and what became of it."""
    from monitor.commands import _alerts

    _alerts.show_one(_alerts.Place.of(site, store), key, limit, as_json=json)


@commands.command()
def kinds(json: Json = False) -> None:
    """List every kind of alert: cause, consequence, what to do, time to act."""
    from monitor.commands import _alerts

    _alerts.show_kinds(as_json=json)


@commands.command()
def acknowledge(key: Key, by: By = "", site: SitePath = None, store: StorePath = None) -> None:
    """Say that you have seen it: it is not repeated until it gets worse."""
    from monitor.commands import _alerts

    _alerts.operate(_alerts.Place.of(site, store), key, "acknowledge", by)


@commands.command()
def shelve(
    key: Key,
    for_: Annotated[str, typer.Option("--for", help='How long: "8 h", "3 days"; at most 14 days.')] = "8 h",
    until_over: Annotated[bool, typer.Option("--until-over", help="Off the shelf as soon as it is over.")] = False,
    by: By = "",
    site: SitePath = None,
    store: StorePath = None,
) -> None:
    """Hear no more of it for a while, unless it gets markedly worse. Its end is still told.

    Gas that a sensor reports, and a leak that was found, are never shelved.
    """
    from monitor.commands import _alerts

    _alerts.operate(_alerts.Place.of(site, store), key, "shelve", by, for_=for_, until_over=until_over)


@commands.command()
def unshelve(key: Key, by: By = "", site: SitePath = None, store: StorePath = None) -> None:
    """Take it off the shelf."""
    from monitor.commands import _alerts

    _alerts.operate(_alerts.Place.of(site, store), key, "unshelve", by)


@commands.command("out-of-service")
def out_of_service(
    key: Key,
    why: Annotated[str, typer.Option(help="Why; kept with the alert.")] = "",
    by: By = "",
    site: SitePath = None,
    store: StorePath = None,
) -> None:
    """Stop this alert until it is put back into service.

    Gas that a sensor reports, and a leak that was found, are never out of service.
    """
    from monitor.commands import _alerts

    _alerts.operate(_alerts.Place.of(site, store), key, "out_of_service", by, why=why)


@commands.command("into-service")
def into_service(key: Key, by: By = "", site: SitePath = None, store: StorePath = None) -> None:
    """Put an alert back into service."""
    from monitor.commands import _alerts

    _alerts.operate(_alerts.Place.of(site, store), key, "into_service", by)


@commands.command("test")
def send_test(
    channel: Annotated[str, typer.Option(help="The channel's name in the site file; without it, every one.")] = "",
    deadline: Annotated[float, typer.Option(min=1, max=600, help="Seconds to wait for an answer.")] = 60.0,
    json: Json = False,
    site: SitePath = None,
) -> None:
    """Send a test notice now, and say what the other side answered. Exit status 3 where one did not get through."""
    from monitor.commands import _alerts

    _alerts.try_channels(site, channel, deadline, as_json=json)


@commands.command()
def replay(
    since: Annotated[str, typer.Option(help="From when: a date such as 2025-11-01.")] = "",
    until: Annotated[str, typer.Option(help="Until when; without it, until now.")] = "",
    change: Annotated[
        list[str] | None, typer.Option("--set", help='A setting to try: "low_fuel=25 %, 15 %", "probability=30 %".')
    ] = None,
    kind: Annotated[list[str] | None, typer.Option(help="Only this kind of alert; may be given again.")] = None,
    json: Json = False,
    site: SitePath = None,
    store: StorePath = None,
) -> None:
    """Try the rules on the past: what would have been told with these settings, on the outlooks as they were made."""
    from monitor.commands import _replay

    _replay.run(site, store, since, until, tuple(change or ()), tuple(kind or ()), as_json=json)
