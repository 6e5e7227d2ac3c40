"""What `boiloff listen` does: a scan for a while, then a table and lines to paste."""

from __future__ import annotations

import asyncio
import contextlib
import time
from pathlib import Path

from monitor import site as site_file
from monitor.commands import _print
from monitor.commands._print import console
from monitor.model.errors import BadInput, SourceFailed
from monitor.model.health import SourceHealth
from monitor.model.site import Site
from monitor.sensors import advert, survey
from monitor.sensors.condition import Condition
from monitor.sensors.sent import Refused
from monitor.sensors.survey import Survey
from monitor.service.clock import RealClock

__all__ = ["collect", "console", "keys", "print_found", "print_json", "site_of"]


def site_of(path: Path | None) -> Site | None:
    """Return the site file where one was named or is found, None where there is none yet."""
    try:
        return site_file.load(site_file.find(path))
    except BadInput:
        if path is not None:
            raise
        return None


def keys(site: Site | None) -> dict[str, bytes]:
    """Return the BTHome keys of the site's sensors by address."""
    found = {}
    for spec in site.sensors if site is not None else ():
        if spec.way == "ble":
            with contextlib.suppress(Refused):
                key = advert.key_of(spec)
                if key is not None:
                    found[spec.address.upper()] = key
    return found


async def collect(into: Survey, seconds: float, *, adapter: str, active: bool) -> None:
    """Scan for a while. Raises SourceFailed where the radio could not be used at all."""
    from monitor.sensors.scan import Radio

    last: list[SourceHealth] = []
    condition = Condition("bluetooth", "radio", RealClock(), last.append)
    radio = Radio(
        lambda said: into.add(said, time.monotonic()),
        condition,
        quiet_s=3600.0,
        adapter=adapter,
        mode="active" if active else "auto",
    )
    task = asyncio.ensure_future(radio.run())
    await asyncio.wait({task}, timeout=seconds)
    task.cancel()
    await asyncio.wait({task}, timeout=2.0)
    if not into.senders and last and last[-1].error:
        raise SourceFailed(f"Bluetooth cannot be used: {last[-1].error}")


def print_json(found: Survey, *, everything: bool) -> None:
    """Print what was heard as JSON."""
    _print.print_json(
        [
            {
                "address": h.address,
                "name": h.name,
                "rssi_dbm": h.rssi,
                "count": h.count,
                "every_s": h.every_s,
                "says": h.says,
                "services": [advert.short(s) for s in h.services],
                "raw": h.raw,
            }
            for h in found.rows(everything=everything)
        ]
    )


def print_found(found: Survey, site: Site | None, *, everything: bool) -> None:
    """Print a table of senders, and the lines for the site file of those that are not in it yet."""
    from rich.table import Table
    from rich.text import Text

    out = console()
    rows = found.rows(everything=everything)
    others = len(found.senders) - len(rows)
    if not rows:
        hint = f" {others} others were heard: --all shows them." if others else " Is the sender awake and near?"
        out.print(f"No sender that can be read as it is.{hint}")
        return
    mine = {s.address.upper() for s in site.sensors if s.way == "ble"} if site is not None else set()
    table = Table(box=None, pad_edge=False, header_style="bold")
    for head in ("Address", "Name", "dBm", "Heard", "Says"):
        table.add_column(head, overflow="fold")
    for h in rows:
        name = h.name + (" (in the site file)" if h.address in mine else "")
        table.add_row(*(Text(t) for t in (h.address, name, str(h.rssi), str(h.count), survey.words(h))))
    out.print(table)
    if others:
        out.print(f"{others} more senders that cannot be read as they are: --all shows them.")
    fresh = [h for h in rows if h.address not in mine]
    if fresh:
        cylinder = site.cylinders[0].name if site is not None and site.cylinders else "A"
        out.print("\nFor the site file; change cylinder and interval as they are:\n", style="bold")
        for h in fresh:
            out.print(Text(survey.lines(h, cylinder)), soft_wrap=True)
