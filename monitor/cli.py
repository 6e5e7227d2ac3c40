"""The command line. Each command lives in its own module under `monitor.commands` and loads what it needs late."""

from __future__ import annotations

import importlib
import pkgutil
import sys

import typer

from monitor import commands
from monitor.model.errors import BoiloffError

app = typer.Typer(
    name="boiloff",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Will the LP-gas cylinders outside carry the burners through the coming cold, and for how long?",
)


def _load() -> None:
    for module in pkgutil.iter_modules(commands.__path__):
        if not module.name.startswith("_"):
            importlib.import_module(f"{commands.__name__}.{module.name}").register(app)


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
