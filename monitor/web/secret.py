"""The page's password on the disk: only its argon2id hash, in a file that only its owner can read."""

from __future__ import annotations

import os
from pathlib import Path

from monitor.model.errors import BadInput, Problem
from monitor.secretfile import read_secret

LEAST = 10  # characters


def hash_of(password: str) -> str:
    """Return the argon2id hash: 19 MiB and two passes, the least that OWASP's password storage cheat sheet names.

    More would be better on a large machine; on a 1 GB board each log-in takes that memory.
    """
    from argon2 import PasswordHasher

    return PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1).hash(password)


def write(path: Path, text: str) -> None:
    """Write the hash, for the owner's eyes alone. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w") as file:
        file.write(text + "\n")
    part.replace(path)


def read(path: str) -> str:
    """Return the hash in the file. Raises BadInput where it cannot be read or holds no hash."""
    key, hint = "service.password_file", "Make it with `boiloff password FILE`."
    try:
        text = read_secret(path)
    except (OSError, ValueError) as error:
        raise BadInput(
            Problem(key, path, "a file with an argon2id hash that others cannot read", f"{error}. {hint}")
        ) from error
    if not text.startswith("$argon2id$"):
        raise BadInput(Problem(key, path, "a file with an argon2id hash", hint))
    return text
