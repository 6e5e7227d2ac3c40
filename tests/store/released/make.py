"""Write the kept form of the present schema: run once, at a release, as `python -m tests.store.released.make`.

A kept file is never made again: it stands for the databases that people have.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from monitor.store import Store, schema
from tests.store.support import fill

HERE = Path(__file__).parent


def text_of(path: Path) -> str:
    """A database as SQL, header fields included."""
    with closing(sqlite3.connect(path)) as db:
        lines = list(db.iterdump())
        for name in ("application_id", "user_version"):
            lines.append(f"PRAGMA {name} = {db.execute(f'PRAGMA {name}').fetchone()[0]};")
    return "\n".join(lines) + "\n"


def load(text: str, path: Path) -> None:
    """Make the database that the SQL stands for."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript(text)


def main() -> int:
    """Write schema-<number>.sql unless it is there."""
    kept = HERE / f"schema-{schema.VERSION}.sql"
    if kept.exists():
        sys.stderr.write(f"{kept.name} is there; a released schema stays as it is\n")
        return 1
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "boiloff.db"
        with Store.open(path) as store:
            fill(store, minutes=40)
        kept.write_text(text_of(path))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
