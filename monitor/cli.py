"""The command line. Each command lives in its own module under `monitor.commands` and loads what it needs late."""

from __future__ import annotations

import importlib
import pkgutil
import sys
from typing import Annotated

import typer
from typer.models import CommandInfo, TyperInfo

from monitor import __version__, commands
from monitor.model.errors import BoiloffError

app = typer.Typer(
    name="boiloff",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Will the LP-gas cylinders outside carry the burners through the coming cold, and for how long?",
)


# The help lists the commands by what they are for, in this order.
PANELS = {
    "Every day": ("status", "outlook", "reading", "plan", "alerts"),
    "Record and cost": ("record", "draws", "cost", "year"),
    "What cylinders can do": ("capacity", "explain", "verify"),
    "Choosing and setting up": (
        "arrange",
        "questions",
        "fit-out",
        "train",
        "first-start",
        "init",
        "validate",
        "listen",
    ),
    "Service and data": ("serve", "demo", "password", "backup", "restore", "export", "import", "same-place"),
}  # fmt: skip


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"boiloff {__version__}")
        raise typer.Exit


@app.callback()
def _about(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and exit.")
    ] = False,
) -> None:
    """Read what stands before the command."""


def _load() -> None:
    for module in pkgutil.iter_modules(commands.__path__):
        if not module.name.startswith("_"):
            importlib.import_module(f"{commands.__name__}.{module.name}").register(app)
    panel_of = {name: panel for panel, names in PANELS.items() for name in names}
    order = list(panel_of)
    for command in app.registered_commands:
        command.rich_help_panel = panel_of[_name(command)]
    for group in app.registered_groups:
        group.rich_help_panel = panel_of[_name(group)]
    app.registered_commands.sort(key=lambda command: order.index(_name(command)))


def _name(one: CommandInfo | TyperInfo) -> str:
    if one.name is None and isinstance(one, CommandInfo) and one.callback is not None:
        return one.callback.__name__
    return str(one.name)


def main() -> None:
    """Entry point of the `boiloff` command; turns our errors into a message and an exit status."""
    _load()
    try:
        app()
    except BoiloffError as error:
        sys.stderr.write(f"{error}\n")
        raise SystemExit(error.exit_code) from None


if __name__ == "__main__":
    main()
