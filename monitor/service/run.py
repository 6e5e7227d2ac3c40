"""How the service is started from a command line: log, signals, and the event loop."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import sys
from pathlib import Path

from monitor import site as site_file
from monitor.model.errors import BoiloffError
from monitor.service import outage
from monitor.service.clock import RealClock
from monitor.service.core import Hooks
from monitor.service.daemon import Daemon
from monitor.service.lock import holder
from monitor.store import find

_REST_S = 30.0  # real seconds for the old run's writer to let go of the store
# What journald reads from the start of a line (sd-daemon(3)).
_PRIORITY = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}


class _Journal(logging.Formatter):
    """Lines for journald: it adds the time itself and takes the priority from the front of each line."""

    def format(self, record: logging.LogRecord) -> str:
        priority = _PRIORITY.get(record.levelno, 6)
        return "\n".join(f"<{priority}>{line}" for line in super().format(record).splitlines())


def set_up_log(level: str) -> None:
    """Log to standard error: for journald where it listens, else with the time of day."""
    handler = logging.StreamHandler(sys.stderr)
    if os.environ.get("JOURNAL_STREAM"):
        handler.setFormatter(_Journal("%(message)s"))
    else:
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)-7s %(message)s", "%Y-%m-%d %H:%M:%S"))
    root = logging.getLogger()
    root.addHandler(handler)
    root.setLevel(logging.WARNING)
    logging.getLogger("monitor").setLevel(level.upper())


def serve(site: Path | None, store: Path | None) -> None:
    """Run the service until a signal ends it; a run that ends to be set right is begun anew here.

    Raises BadInput, SourceFailed; a store that cannot be opened is told first, past it.
    """
    path = site_file.find(site).resolve()
    loaded = site_file.load(path)
    set_up_log(str(loaded.settings.get("service.log_level", "info")))
    found = find(loaded, store)
    while True:
        try:
            daemon = Daemon(path, found, hooks=Hooks(page=True))
            asyncio.run(_until_signal(daemon))
        except (BoiloffError, TimeoutError) as error:  # of a run only before it watches: its start cannot be noted
            if holder(found) is None:  # or another run watches, and this one only is one too many
                why = " / ".join(str(error).splitlines()) or "the store does not answer"
                outage.cannot_start(loaded, found, RealClock(), why)
            raise
        if not daemon.anew:
            return
        daemon.core.writer.close(_REST_S)  # what it cannot write was not acknowledged, and comes again


async def _until_signal(daemon: Daemon) -> None:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, daemon.stop)
    loop.add_signal_handler(signal.SIGHUP, daemon.reload)
    await daemon.run()
