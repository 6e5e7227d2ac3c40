"""`boiloff password`: make the file with the page's password hash, for use beyond loopback."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(password)


def password(
    file: Annotated[Path, typer.Argument(help="Where the hash goes; the site file's service.password_file names it.")],
    given: Annotated[
        str, typer.Option("--password", prompt="Password of the page", hide_input=True, confirmation_prompt=True,
                          help="Asked for where it is left out; a command line can be read by others.")
    ],
) -> None:  # fmt: skip
    """Set the page's password: asks for it and writes its argon2id hash to FILE, readable by you alone."""
    from monitor.model.errors import BadInput, Problem, SourceFailed
    from monitor.web import secret

    if len(given) < secret.LEAST:
        hint = "Four or five words in a row are easy to keep."
        raise BadInput(Problem("password", f"{len(given)} characters", f"{secret.LEAST} characters or more", hint))
    try:
        secret.write(file, secret.hash_of(given))
    except OSError as error:
        raise SourceFailed(f"password {file}: cannot be written: {error.strerror}") from error
    typer.echo(f'Kept in {file}. In the site file:\n\n[service]\npassword_file = "{file.absolute()}"')
