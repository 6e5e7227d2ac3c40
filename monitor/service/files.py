"""Where the files are that come with the program: beside the package when installed, in config/ in a checkout."""

from __future__ import annotations

from pathlib import Path

import monitor


def example(name: str) -> Path:
    """Return the path of an example file that comes with the program; raise FileNotFoundError where there is none."""
    package = Path(monitor.__file__).parent
    for folder in (package / "config", package.parent / "config"):
        if (folder / name).is_file():
            return folder / name
    raise FileNotFoundError(f"no example file {name}")
