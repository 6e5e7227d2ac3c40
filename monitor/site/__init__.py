"""The site file: found, read, checked, and turned into the frozen `Site` that everything else works on.

`load` and `find` are what other parts need; `read` tells more (what the catalogue filled, warnings). Importing this
package loads neither pydantic nor Pint.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.model.errors import BadInput, Problem

if TYPE_CHECKING:
    from monitor.model.site import Site
    from monitor.site.build import Loaded

PLACES: tuple[str, ...] = ("site.toml", "/etc/boiloff/site.toml")


def find(path: Path | str | None = None) -> Path:
    """Return the site file to use: `path`, else $BOILOFF_SITE, else ./site.toml, else /etc/boiloff/site.toml.

    A path that is named is returned even where no such file exists (reading it will say so). Raises BadInput where
    none is named and none of the usual places holds one.
    """
    if named := path or os.environ.get("BOILOFF_SITE"):
        return Path(named).expanduser()
    for place in PLACES:
        if Path(place).is_file():
            return Path(place)
    hint = "`boiloff init` writes one; `--site FILE` or $BOILOFF_SITE names another"
    raise BadInput(Problem("--site", "nothing", f"a site file at {' or '.join(PLACES)}", hint))


def read(path: Path | str) -> Loaded:
    """Return the site with what was filled in and the warnings. Raises BadInput with every problem in the file."""
    from monitor.site import build

    return build.read(Path(path))


def load(path: Path | str) -> Site:
    """Return the site that the file at `path` describes. Raises BadInput with every problem in it."""
    return read(path).site
