"""A secret from its file. A file that others on the computer may read or write is refused: the secret would be none.

Under systemd a secret may come as a credential instead (`LoadCredential=NAME:FILE` in the unit): where
$CREDENTIALS_DIRECTORY holds a file of the same name as the one in the site file, that is the one read, so the file
itself may belong to root alone, and the same site file serves by hand and as a service.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

LIMIT = 4096  # bytes; no secret that we read is longer
_OTHERS = stat.S_IRWXO


def place(path: str | Path) -> Path:
    """Return where the secret named by `path` lies: the service's credential of that file name, else the file."""
    file = Path(path).expanduser()
    folder = os.environ.get("CREDENTIALS_DIRECTORY", "")
    if folder and (credential := Path(folder) / file.name).is_file():
        return credential
    return file


def private(path: str | Path) -> Path:
    """Return the place of the secret; raise PermissionError where others may read or write it, OSError where absent."""
    file = place(path)
    _refuse_open(file, file.stat().st_mode)
    return file


def read_secret(path: str | Path) -> str:
    """Return the secret's text without blanks around it; only its owner (and group) may read the file.

    Raises PermissionError where everybody may, another OSError where it cannot be read, ValueError where it is empty,
    no text, or more than a line of 4,096 bytes.
    """
    file = place(path)
    with file.open("rb") as stream:
        _refuse_open(file, os.fstat(stream.fileno()).st_mode)  # of the open file: it cannot be swapped in between
        data = stream.read(LIMIT + 1)
    if len(data) > LIMIT:
        raise ValueError(f"{file} is longer than {LIMIT} bytes")
    try:
        text = data.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise ValueError(f"{file} is not text") from None
    if not text:
        raise ValueError(f"{file} is empty")
    if "\n" in text:
        raise ValueError(f"{file} has several lines, a secret has one")
    return text


def _refuse_open(file: Path, mode: int) -> None:
    if mode & _OTHERS:
        raise PermissionError(f"{file} is open to everybody on this computer: chmod o-rwx {file}")
