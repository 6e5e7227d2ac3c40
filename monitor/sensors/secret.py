"""A secret from its file. A file that others may read is refused: the secret would be none."""

from __future__ import annotations

from pathlib import Path

_LIMIT = 4096


def read_secret(path: str | Path) -> str:
    """Return the first line of a file that only its owner (and group) may read.

    Raises PermissionError where everybody may read it, OSError where it cannot be read, ValueError where it is empty.
    """
    file = Path(path).expanduser()
    mode = file.stat().st_mode
    if mode & 0o007:
        raise PermissionError(f"{file} can be read by everybody: chmod 640 {file}")
    with file.open(encoding="utf-8") as stream:
        line = stream.readline(_LIMIT).strip()
    if not line:
        raise ValueError(f"{file} is empty")
    return line
