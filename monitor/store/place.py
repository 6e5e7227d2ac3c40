"""Which site a database is of: its name and its place, kept in the database, so that two houses' facts never mix."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

from monitor.model.errors import BadInput, Problem
from monitor.model.site import Site

if TYPE_CHECKING:
    from monitor.store import Store

KEY = "place"  # under which the store keeps it
_DECIMALS = 2  # of a degree: about a kilometre. Coordinates may be made finer without being another place.


def of(site: Site) -> dict[str, Any]:
    """Return the mark of a site: name, and coordinates in degrees rounded to about a kilometre."""
    return {
        "name": site.name,
        "latitude": round(site.latitude, _DECIMALS),
        "longitude": round(site.longitude, _DECIMALS),
    }


def kept(store: Store) -> dict[str, Any] | None:
    """Return the mark of the database, None where it bears none (or one that cannot be read)."""
    try:
        mark = json.loads(store.get(KEY) or "null")
    except ValueError:
        return None
    return mark if isinstance(mark, dict) and set(mark) == {"name", "latitude", "longitude"} else None


def difference(store: Store, site: Site) -> str:
    """Return in words of which other site the database is, "" where it is of this one or of none yet."""
    mark = kept(store)
    if mark is None or mark == of(site):
        return ""
    return f"{store.path} is of {_words(mark)}, and the site file is of {_words(of(site))}"


def require(store: Store, site: Site) -> None:
    """Raise BadInput naming both where the database is of another site. Call before anything is written."""
    if words := difference(store, site):
        raise BadInput(
            Problem(
                "--site", words, "the site that the database is of",
                "Give each site a database of its own (--store, or service.database in the site file). Where it is "
                "the same site, renamed or moved, say so once: boiloff same-place",
            )
        )  # fmt: skip


def tie(store: Store, site: Site) -> None:
    """Mark a database that bears no mark yet; raise BadInput where it is of another site."""
    require(store, site)
    if kept(store) is None:
        accept(store, site)


def accept(store: Store, site: Site) -> None:
    """Mark the database as of this site, whatever it was marked as before."""
    store.put(KEY, json.dumps(of(site)))


def warn(store: Store, site: Site) -> None:
    """Say on standard error where a database that is only read is of another site."""
    if words := difference(store, site):
        sys.stderr.write(f"Careful: {words}. What follows mixes the two.\n")


def _words(mark: dict[str, Any]) -> str:
    return f'"{mark["name"]}" at {mark["latitude"]}, {mark["longitude"]}'
