"""Readings on their way from a source to the store, and whether one of them calls for a new outlook at once."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.model.reading import LEVEL_QUANTITIES, Quantity, Reading, SetAside
from monitor.model.site import Site
from monitor.service.remake import Remake

if TYPE_CHECKING:
    from monitor.store import Store
    from monitor.store.writer import Writer

# A change of level that no meal makes between two readings: a refill, a swap, a hose let go (share of full).
_MATTERS_SHARE = 0.05
# What a twentieth of a common cylinder is in the quantities that are not a share or a mass.
_MATTERS = {
    Quantity.LIQUID_HEIGHT: 0.03,
    Quantity.HEIGHT_FROM_TOP: 0.03,
    Quantity.ECHO_TIME: 7e-5,
    Quantity.LIQUID_VOLUME: 1.8e-3,
}
_SWITCHES = {Quantity.VALVE, Quantity.CHANGEOVER, Quantity.GAS_DETECTED}

Done = Callable[[], None]


class Intake:
    """Takes readings from any thread."""

    def __init__(
        self, site: Site, writer: Writer, remake: Remake, on_reading: Callable[[Reading], None] = lambda _: None
    ) -> None:
        self.site = site
        self._writer = writer
        self._remake = remake
        self._on_reading = on_reading
        self._lock = threading.Lock()
        self._last: dict[tuple[str, Quantity, str], float | None] = {}
        self.count = 0
        self.dated = True  # False: nothing is kept, as its time would be wrong
        self.gas: dict[str, Reading] = {}  # the newest word of each gas sensor, for when the store cannot be written

    def undated(self) -> Intake:
        """Return one for while the clock cannot be believed: it keeps nothing, and only remembers gas, for both."""
        twin = Intake(self.site, self._writer, self._remake)
        twin.dated, twin.gas = False, self.gas
        return twin

    def reading(self, reading: Reading, done: Done | None = None) -> None:
        """Hand a reading to the writer; `done` is called when it is durable."""
        matters = self._matters(reading)
        self.count += 1
        if reading.quantity is Quantity.GAS_DETECTED and reading.value is not None:  # "not known" takes nothing back
            self.gas[reading.source] = reading
        if not self.dated:
            if done is not None:
                done()
            return

        def durable() -> None:
            if done is not None:
                done()
            self._remake.poke(f"{reading.quantity} of {reading.subject}", matters=matters)

        self._writer.submit_reading(reading, durable, at_once=matters)
        self._on_reading(reading)

    def set_aside(self, item: SetAside, done: Done | None = None) -> None:
        """Keep what could not be used, with the reason."""
        if not self.dated:
            if done is not None:
                done()
            return

        def keep(store: Store) -> None:
            store.add_set_aside(item)

        future = self._writer.submit(keep)
        if done is not None:
            future.add_done_callback(lambda f: done() if f.exception() is None else None)

    def _matters(self, reading: Reading) -> bool:
        key = (reading.subject, reading.quantity, reading.source)  # two sources of one thing do not cover each other
        with self._lock:
            known, before = key in self._last, self._last.get(key)
            self._last[key] = reading.value
        if reading.value is None:
            return False
        if reading.quantity == Quantity.GAS_DETECTED and reading.value > 0.5:
            return True
        if reading.quantity in _SWITCHES:
            return before != reading.value
        if reading.quantity not in LEVEL_QUANTITIES:
            return False
        if not known or before is None:
            return True
        return abs(reading.value - before) >= self._step(reading)

    def _step(self, reading: Reading) -> float:
        if reading.quantity in _MATTERS:
            return _MATTERS[reading.quantity]
        if reading.quantity in {Quantity.GROSS_WEIGHT, Quantity.PROPANE_LEFT}:
            full = [c.full_kg for c in self.site.cylinders if c.name == reading.subject]
            return _MATTERS_SHARE * full[0] if full else 0.0
        return _MATTERS_SHARE
