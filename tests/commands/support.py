"""A household's site file, and a command run on a folder that holds site file and store."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

# Two 40-lb cylinders and a range; `format(units=…)` it. Invented.
SITE = """
[site]
name = "Test yard [invented]"
latitude = 45.0
longitude = -90.0
timezone = "America/Chicago"
units = "{units}"
[[cylinder]]
name = "A"
size = "40 lb"
[[cylinder]]
name = "B"
size = "40 lb"
[[appliance]]
name = "Range"
input = "65000 Btu/h"
hold = "60 min"
"""


def on_store(
    command: str, folder: Path, *args: str, site: str = "site.toml", store: str = "b.db", columns: int = 80
) -> subprocess.CompletedProcess[str]:
    """Run `boiloff COMMAND` on the folder's site file and store, in a terminal of so many columns."""
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli", command, "--site", str(folder / site), "--store", str(folder / store),
         *args],
        capture_output=True, text=True, timeout=60, check=False, env={"COLUMNS": str(columns), "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
