"""`boiloff backup` and `boiloff restore`: a verified copy of the database, and the way back from one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from monitor.model.site import Site
    from monitor.store.backup import Copy

SiteOption = Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")]
StoreOption = Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")]


def register(app: typer.Typer) -> None:
    """Add the commands to `app`."""
    app.command()(backup)
    app.command()(restore)


def backup(
    to: Annotated[Path | None, typer.Option("--to", help="The folder for copies, else the site file's.")] = None,
    keep: Annotated[
        int | None, typer.Option("--keep", min=1, max=1000, help="Copies to keep; older ones go, once this is sound.")
    ] = None,
    list_: Annotated[
        bool, typer.Option("--list", help="List the copies, newest first, and look through each.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    site: SiteOption = None,
    store: StoreOption = None,
) -> None:
    """Copy the database while the service runs, look the copy through, and keep the newest few."""
    from datetime import UTC, datetime

    from monitor import store as database
    from monitor.commands._print import print_json
    from monitor.store import backup as copying

    loaded = _site(site, needed=store is None)
    settings = loaded.settings if loaded is not None else {}
    path = database.find(loaded, store)
    folder = to or copying.folder_of(path, str(settings.get("service.backup_dir", "") or ""))
    if list_:
        found = [_looked(copy) for copy in copying.copies(path, folder)]
        if json:
            print_json({"folder": str(folder), "copies": found})
        else:
            _say(found, folder)
        return
    made = copying.backup(path, folder, datetime.now(UTC), keep or int(settings.get("service.backups", 7)))
    if json:
        print_json(_plain(made))
    else:
        typer.echo(f"{made.path}: {made.readings:,} readings, {made.size / 1e6:.1f} MB, looked through and sound")


def restore(
    copy: Annotated[Path, typer.Argument(help="The copy, as `boiloff backup --list` names it.")],
    json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    site: SiteOption = None,
    store: StoreOption = None,
) -> None:
    """Put a copy in the database's place. The one that is there is kept under another name; stop the service first."""
    from datetime import UTC, datetime

    from monitor import store as database
    from monitor.commands._print import print_json
    from monitor.service.lock import Lock
    from monitor.store import backup as copying

    path = database.find(_site(site, needed=store is None), store)
    copying.verify(copy)
    with Lock(path):
        aside = copying.restore(copy, path, datetime.now(UTC))
    if json:
        print_json({"store": str(path), "from": str(copy), "set_aside": str(aside) if aside else None})
        return
    typer.echo(f"{path} is now as in {copy}")
    if aside is not None:
        typer.echo(f"the one before is kept as {aside}; remove it when you no longer need it")


def _site(path: Path | None, *, needed: bool) -> Site | None:
    """Load the site file; where the database is named by hand, a bad or missing one must not stand in the way."""
    from monitor.model.errors import BadInput
    from monitor.site import find, load

    try:
        return load(find(path))
    except BadInput:
        if needed or path is not None:
            raise
        return None


def _plain(copy: Copy) -> dict[str, Any]:
    newest = copy.newest.isoformat() if copy.newest else None
    return {"path": str(copy.path), "bytes": copy.size, "readings": copy.readings, "newest": newest, "sound": True}


def _looked(path: Path) -> dict[str, Any]:
    from monitor.model.errors import BoiloffError
    from monitor.store import backup as copying

    try:
        return _plain(copying.verify(path))
    except BoiloffError as error:
        return {"path": str(path), "bytes": path.stat().st_size, "sound": False, "error": str(error)}


def _say(found: list[dict[str, Any]], folder: Path) -> None:
    if not found:
        typer.echo(f"no copies in {folder}")
    for copy in found:
        if copy["sound"]:
            newest = f", newest fact {copy['newest'][:16]}Z" if copy["newest"] else ""
            typer.echo(f"{copy['path']}: {copy['readings']:,} readings, {copy['bytes'] / 1e6:.1f} MB{newest}, sound")
        else:
            typer.echo(f"{copy['path']}: NOT SOUND, {copy['error']}")
