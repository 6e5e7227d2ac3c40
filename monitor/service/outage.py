"""Tells people of what keeps the service from telling anything: a store that cannot be written, rounds that fail.

Warnings go by way of the store. While it is out none is made or sent, so this is said past it, once, again each day,
and when it is over; and gas that a sensor reports is said past it too.
"""

from __future__ import annotations

import contextlib
import logging
import os
import tempfile
import time
from collections.abc import Mapping
from datetime import timedelta
from hashlib import sha256
from pathlib import Path

from monitor.alerts import Known, supply, when, wording
from monitor.model.alert import AlertState
from monitor.model.reading import Reading
from monitor.model.site import Site
from monitor.notify.direct import Direct
from monitor.service.clock import Clock, uptime_s
from monitor.service.core import Core

log = logging.getLogger(__name__)

# Real seconds.
PATIENCE_S = 120.0  # a copy or a card's own housekeeping may hold the store for a while
SELDOM_S = 6 * 3600.0  # between two first words, where it comes and goes
AGAIN_S = 86_400.0
BLIND_S = 900.0  # rounds that cannot be kept for another reason: the loop is begun anew by itself at first
SETTLED_S = 60.0  # it has worked for this long: it is over
GAS_S = 3600.0  # between two words of the same gas
GAS_BLIND_S = 20.0  # rounds that fail: by then some four were tried, and none told of gas
NO_DETECTOR = "boiloff is no gas detector."
WRONG_TIME = "The machine's clock cannot be believed now: take no time in this notice at its word."


class _Spell:
    """A trouble that lasts: when its beginning, its going on and its end are to be told. All times are uptime (s)."""

    def __init__(self) -> None:
        self._bad_s: float | None = None
        self._good_s: float | None = None
        self._told_s: float | None = None
        self._standing = False

    def bad(self, now: float, patience_s: float) -> bool:
        """Note that it is so now; return whether to tell it."""
        self._good_s = None
        self._bad_s = self._bad_s if self._bad_s is not None else now
        if now - self._bad_s < patience_s:
            return False
        return self._told_s is None or now - self._told_s >= (AGAIN_S if self._standing else SELDOM_S)

    def told(self, now: float) -> None:
        """Note that people were told."""
        self._told_s, self._standing = now, True

    def good(self, now: float) -> bool:
        """Note that it is not so now; return whether its end is to be told: until `ended`."""
        self._bad_s = None
        self._good_s = self._good_s if self._good_s is not None else now
        return self._standing and now - self._good_s >= SETTLED_S

    def ended(self) -> None:
        """Note that people were told of its end."""
        self._standing = False

    def unknown(self) -> None:
        """Note that nobody can say whether it is so: patience begins anew."""
        self._bad_s = self._good_s = None


class Outage:
    """Looked at every few seconds; `gas` are the newest words of gas sensors, kept in memory."""

    def __init__(self, core: Core, gas: Mapping[str, Reading]) -> None:
        self._core = core
        self._gas = gas
        self._store, self._blind, self._clock = _Spell(), _Spell(), _Spell()
        self._gas_told_s: dict[str, float] = {}

    def look(self, error: str, waiting: int) -> None:
        """Tell what there is to tell. `error`: why the store cannot be written, "" where it can."""
        core, now = self._core, uptime_s()
        since = core.failing_s
        failing = since is not None and now - since >= GAS_BLIND_S
        self._tell_gas(now, blind=bool(error) or bool(core.doubt) or failing)
        self._tell_clock(now)
        if error:
            self._blind.unknown()  # of course no round is kept: what is wrong is the store
            if self._store.bad(now, PATIENCE_S):
                said = words_out(core.site, core.clock, error, waiting)
                if core.direct.tell(core.site, "store", "raised", said):
                    self._store.told(now)
            return
        if self._store.good(now) and core.direct.tell(
            core.site, "store", "ended", words_back(core.site, core.clock), "Moderate"
        ):
            self._store.ended()
        self._tell_blind(now)

    def _tell_blind(self, now: float) -> None:
        """Tell that nothing can be judged though the store is well: what should say so is not judged either."""
        core = self._core
        if core.failing_s is None:
            if self._blind.good(now) and core.direct.tell(
                core.site, "outlook", "ended", words_back(core.site, core.clock), "Moderate"
            ):
                self._blind.ended()
        elif self._blind.bad(now, BLIND_S):
            entry = core.board.get("outlook")
            said = words_out(core.site, core.clock, f"no outlook can be made ({entry.error if entry else 'not known'})")
            if core.direct.tell(core.site, "outlook", "raised", said):
                self._blind.told(now)

    def _tell_clock(self, now: float) -> None:
        """Tell that nothing is judged because the machine does not know what time it is."""
        core = self._core
        if not core.doubt:
            if self._clock.good(now) and core.direct.tell(
                core.site, "clock", "ended", words_back(core.site, core.clock), "Moderate"
            ):
                self._clock.ended()
        elif self._clock.bad(now, BLIND_S) and core.direct.tell(
            core.site, "clock", "raised", words_clock(core.site, core.doubt)
        ):
            self._clock.told(now)

    def _tell_gas(self, now: float, *, blind: bool) -> None:
        """Tell of gas where no alert can; what a sensor takes back is told again at once when it comes back."""
        core, at = self._core, self._core.clock.now()
        for c in supply.gas_detected(core.site, Known(readings=tuple(self._gas.values())), at):
            last = self._gas_told_s.get(c.subject)
            if c.holds is False:
                self._gas_told_s.pop(c.subject, None)
            elif blind and c.holds and (last is None or now - last >= GAS_S):
                blank = AlertState(c.key, c.kind, c.subject, "unacknowledged", at)
                headline, body = wording.text(core.site, "raised", c, blank, c.reason, at)
                said = headline, f"{body}\n\n{WRONG_TIME}" if core.doubt else body
                if core.direct.tell(core.site, c.key, "raised", said, "Extreme"):
                    self._gas_told_s[c.subject] = now


def words_out(site: Site, clock: Clock, error: str, waiting: int = 0) -> tuple[str, str]:
    """Return headline and body for a service that cannot keep or judge anything."""
    now = clock.now()
    lines = [
        f"boiloff at {site.name} cannot do its work, so its warnings do not go out.", "",
        f"Why: {error}.",
        f"{waiting} readings wait in memory, others at the broker; they are kept as soon as that is possible.", "",
        "Until then no cold, no low fuel, no leak is warned of; only gas that a gas sensor reports is told.", "",
        "What to do:",
        "- See whether the disk is full or the memory short: free some.",
        "- If neither: the card or disk may have failed. Look at the machine's log, and put in another.",
        "- Meanwhile look at the cylinders and at the weather yourself.", "",
        f"{NO_DETECTOR} Said {when.moment(now, site.timezone, now)}, past the list of notices, which is out.",
    ]  # fmt: skip
    return "boiloff cannot work: no warning goes out until it is mended", "\n".join(lines)


def words_clock(site: Site, doubt: str) -> tuple[str, str]:
    """Return headline and body for a machine that does not know what time it is."""
    lines = [
        f"boiloff at {site.name} cannot do its work, so its warnings do not go out.", "",
        f"Why: {doubt}.",
        "Readings over MQTT wait at the broker; forecasts cannot be asked for.", "",
        "Until then no cold, no low fuel, no leak is warned of; only gas that a gas sensor reports is told.", "",
        "What to do:",
        "- See whether the network is there: the machine asks a time server by itself when it is.",
        "- Or set the clock by hand, as root: timedatectl set-time '2031-01-30 18:45' (your date and time).",
        "- If only a fact in the store is from later, boiloff goes on by itself after an hour.",
        "- Meanwhile look at the cylinders and at the weather yourself.", "",
        f"{NO_DETECTOR} {WRONG_TIME}",
    ]  # fmt: skip
    return "boiloff cannot work: the machine's clock cannot be believed", "\n".join(lines)


def words_back(site: Site, clock: Clock) -> tuple[str, str]:
    """Return headline and body for when it is over."""
    now = clock.now()
    headline = "Over: boiloff works and warns again"
    body = (
        f"{headline}.\n\nAt {site.name} readings are kept and judged again; what waited is kept, and what holds now "
        f"is warned of as ever. Said {when.moment(now, site.timezone, now)}. {NO_DETECTOR}"
    )
    return headline, body


# A service that cannot even start ------------------------------------------------------------------------------------


def _mark(store: Path) -> Path:
    """Where it is noted that a failed start was told: in memory (a tmpfs), as the disk may be what is wrong."""
    folder = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0] or tempfile.gettempdir()
    return Path(folder) / f"boiloff-{sha256(str(store.absolute()).encode()).hexdigest()[:16]}.told"


def cannot_start(site: Site, store: Path, clock: Clock, error: str, *, wait_s: float = 20.0) -> None:
    """Tell that the service ends because of its store; once a day however often it is started again."""
    mark = _mark(store)
    with contextlib.suppress(OSError):
        if 0.0 <= time.time() - mark.stat().st_mtime < timedelta(days=1).total_seconds():
            return
    try:
        mark.touch()
    except OSError:  # with nowhere to note it, it would be told every ten seconds
        log.error("that the service cannot start is not told: %s cannot be written", mark.parent)
        return
    direct = Direct(clock, waits_s=())
    direct.tell(site, "store", "raised", words_out(site, clock, error))
    direct.wait(wait_s)


def started(site: Site, store: Path, direct: Direct, clock: Clock) -> None:
    """Tell that it is over, where a start that failed was told."""
    mark = _mark(store)
    if mark.exists():
        with contextlib.suppress(OSError):
            mark.unlink()
            direct.tell(site, "store", "ended", words_back(site, clock), "Moderate")
