"""Printing that commands share."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console


def console(*, error: bool = False) -> Console:
    """Return a console on standard output, or on standard error; lines are wrapped to the terminal."""
    from rich.console import Console

    return Console(stderr=error, highlight=False, soft_wrap=False)


def print_json(value: Any) -> None:
    """Print a value as JSON; NaN is a fault of ours and is refused."""
    sys.stdout.write(json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False) + "\n")
