"""`boiloff year`: one year on one sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(year)


def year(
    year: Annotated[int | None, typer.Argument(help="The year, else the one that runs.")] = None,
    html: Annotated[Path | None, typer.Option("--html", help="Write a page to print to this file.")] = None,
    site: Annotated[Path | None, typer.Option("--site", help="The site file, else the usual places.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The database, else the usual place.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, in kg and K.")] = False,
) -> None:
    """Sum up a year on one page: fuel by month, fills, cost, the coldest night, alerts, checks done and due."""
    from monitor.commands import _sheet, _year
    from monitor.commands._print import print_json
    from monitor.model.errors import SourceFailed

    found = _year.answer(year, site, store)
    if html is not None:
        try:
            html.write_text(_sheet.html(_year.title(found), _year.sections(found)), encoding="utf-8")
        except OSError as error:
            raise SourceFailed(f"--html {html}: cannot be written: {error.strerror}") from error
    if json:
        print_json(_year.plain(found))
    elif html is not None:
        typer.echo(f"{html}: written")
    else:
        typer.echo(_sheet.text(_year.title(found), _year.sections(found)), nl=False)
