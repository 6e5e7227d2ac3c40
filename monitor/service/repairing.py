"""Sets the service right by ending the run and beginning another in the same process, whose start mends the database.

Not without end: after a few times within a day it goes on as it is and says that a person has to look.
"""

from __future__ import annotations

import contextlib
import logging
from datetime import datetime, timedelta
from pathlib import Path

from monitor.service.core import Core

log = logging.getLogger(__name__)

DATABASE = "database"  # its name on the board
MOST = 3  # times within a day
_DAY = timedelta(days=1)


def damaged_mark(store: Path) -> Path:
    """Return the file that, beside a database, says that it was found damaged: the next start looks it all through."""
    return store.with_name(store.name + ".found-damaged")


def _times_file(store: Path) -> Path:
    return store.with_name(store.name + ".begun-anew")


def set_right(core: Core, words: str) -> None:
    """Have the database, of which `words` say what is wrong, mended by a new run; tell it where that is not to be."""
    if core.again or core.given_up:
        return
    text = " ".join(words.split())[:200]
    core.board.fails(DATABASE, "store", f"damaged ({text}): it is being mended")
    with contextlib.suppress(OSError):
        damaged_mark(core.store_path).touch()
    begin_anew(core, f"the database was found damaged ({text})")
    if core.given_up:
        core.board.fails(
            DATABASE, "store",
            f"damaged ({text}), and mending it did not help: {core.given_up}; start the service again on another card",
        )  # fmt: skip


def begin_anew(core: Core, why: str) -> None:
    """End the run so that another is begun, where that was not done too often within a day; say so else, once."""
    if core.again or core.given_up or core.stop.is_set():  # whoever ended it wants no other run
        return
    trouble = _count(core.store_path, core.clock.now())
    if not trouble:
        log.error("%s: the run ends, and a new one begins", why)
        core.again = why
        core.stop.set()
        return
    core.given_up = trouble
    log.error("%s, and it is not begun anew: %s", why, trouble)
    body = (
        f"boiloff at {core.site.name}: {why}. It is not begun anew by itself: {trouble}.\n\n"
        "What to do:\n- Start the service again. If it comes back, the card or disk is failing: put in another and "
        "bring back a copy.\n- Meanwhile look at the cylinders and the weather yourself: warnings may not go out.\n\n"
        "boiloff is no gas detector."
    )
    core.direct.tell(core.site, "anew", "raised", ("boiloff needs a look: its database cannot be set right", body))


def _count(store: Path, now: datetime) -> str:
    """Count one more; return why there must be none, "" where there may be."""
    path = _times_file(store)
    try:
        lines = path.read_text().split() if path.exists() else []
    except (OSError, UnicodeDecodeError):
        lines = []
    lately = []
    for line in lines:
        with contextlib.suppress(ValueError, TypeError):
            if abs(now - datetime.fromisoformat(line)) < _DAY:
                lately.append(line)
    if len(lately) >= MOST:
        return f"that was done {len(lately)} times within a day"
    try:
        path.write_text("\n".join([*lately, now.isoformat()]) + "\n")
    except OSError as error:  # what cannot be counted would have no end
        return f"{path.name} cannot be written ({error.strerror})"
    return ""
