"""A service to be killed: everything is imported once, then each run is a fork that serves until SIGKILL.

Usage: killed.py SITE STORE START_ISO SPEED. For each line on standard input one run begins; its process id is printed.
The clock goes on from run to run, sped up, as that of a real machine would.
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
from datetime import datetime
from pathlib import Path

import apprise  # noqa: F401  loaded when first needed otherwise: not what is tried here

from monitor.service.clock import FastClock, uptime_s
from monitor.service.daemon import Daemon


def serve(site: Path, store: Path, clock: FastClock) -> None:
    """Run the service; returns only when it is told to end."""
    import signal

    async def run() -> None:
        daemon = Daemon(site, store, clock)
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, daemon.stop)
        await daemon.run()

    asyncio.run(run())


def main() -> None:
    """Fork a run for each line read."""
    site, store = Path(sys.argv[1]), Path(sys.argv[2])
    clock = FastClock(datetime.fromisoformat(sys.argv[3]), float(sys.argv[4]))
    began = uptime_s()
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            try:
                serve(site, store, clock)
            finally:
                sys.stderr.flush()
                os._exit(0)
        sys.stdout.write(f"{child} {began}\n")
        sys.stdout.flush()
        os.waitpid(child, 0)
        sys.stdout.write("dead\n")
        sys.stdout.flush()
    time.sleep(0)


if __name__ == "__main__":
    main()
