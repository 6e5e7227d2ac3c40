"""Readings over Bluetooth LE: advertisements of any described sender, and connections where a value must be fetched.

A thread of our own runs an event loop for the radio, so that a Bluetooth service that hangs holds up nobody; a second
thread watches that loop and says so where it stands still.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
import time
from collections.abc import Iterable
from datetime import datetime

from bleak.args.bluez import OrPattern
from bleak.assigned_numbers import AdvertisementDataType as Part

from monitor.model.reading import Reading, SetAside
from monitor.model.site import SensorSpec, Site
from monitor.sensors import advert, bthome, decode
from monitor.sensors.advert import Advert, Way
from monitor.sensors.condition import Clock, Condition, OnHealth
from monitor.sensors.fetch import Fetcher
from monitor.sensors.gate import Gate, OnReading, OnSetAside
from monitor.sensors.scan import Anew, Mode, Radio
from monitor.sensors.sent import Refused, Sent

log = logging.getLogger(__name__)

_LEAST_QUIET_S = 120.0
_QUIET_INTERVALS = 3.0
_HANGS_S = 60.0  # the event loop has not turned for so long: something in it blocks
_MOST_LOOPS = 3
_SAME_S = 60.0  # the same bytes again within this time (or a quarter of the interval) say nothing new


class BleSource:
    """The Bluetooth sensors of a site."""

    def __init__(
        self,
        site: Site,
        on_reading: OnReading,
        on_set_aside: OnSetAside,
        on_health: OnHealth,
        clock: Clock,
        *,
        adapter: str = "",
        mode: Mode = "auto",
        pace: float = 1.0,
        quiet_s: float | None = None,
    ) -> None:
        self.site = site
        self.clock = clock
        self._pace = pace
        self._adapter, self._mode = adapter, mode
        self._condition = Condition("bluetooth", "radio", clock, on_health)
        sensors = [s for s in site.sensors if s.way == "ble"]
        self._of = {s.name: Condition(s.name, "sensor", clock, on_health, s.interval_s) for s in sensors}
        self._gate = Gate(clock, on_reading, on_set_aside, self._of)
        self._lock = threading.Lock()
        self._ways: dict[str, list[Way]] = {}
        self._devices: dict[str, bthome.Device] = {}
        self._same: dict[str, tuple[object, float]] = {}
        for spec in sensors:
            self._add(spec)
        heard = [w.spec.interval_s for ways in self._ways.values() for w in ways]
        self.quiet_s = quiet_s or max(_LEAST_QUIET_S, _QUIET_INTERVALS * min(heard, default=0.0))
        self._beat_s = time.monotonic()
        self._stopping = threading.Event()
        self._loops: list[threading.Thread] = []
        self._watch: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._radio: Radio | None = None
        self._round = 0

    def _add(self, spec: SensorSpec) -> None:
        """Take one sensor, or say what is wrong with its description."""
        try:
            one = advert.way(spec)
            address = spec.address.upper()
            key = advert.key_of(spec)
        except Refused as refused:
            self._of[spec.name].fails(f"its description cannot be used: {refused}", permanent=True)
            return
        self._ways.setdefault(address, []).append(one)
        if key is not None or address not in self._devices:
            self._devices[address] = bthome.Device(address, key)

    # ---- life

    def start(self) -> None:
        """Begin; returns at once and raises nothing."""
        if not self._ways:
            return
        self._beat_s = time.monotonic()
        self._loops = [threading.Thread(target=self._run, args=(0,), name="sensors-ble", daemon=True)]
        self._watch = threading.Thread(target=self._guard, name="sensors-ble-watch", daemon=True)
        for thread in (*self._loops, self._watch):
            thread.start()

    def stop(self) -> None:
        """End within a second, whatever the Bluetooth service does."""
        self._stopping.set()
        loop = self._loop
        if loop is not None:
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(lambda: None)
        for thread in self._loops[-1:]:
            thread.join(0.5)
        if self._lock.acquire(timeout=0.2):
            try:
                self._gate.look(all_of_them=True)
            finally:
                self._lock.release()

    @property
    def heard(self) -> int:
        """Number of advertisements heard since the radio was last set up."""
        return self._radio.heard if self._radio is not None else 0

    def _run(self, number: int) -> None:
        """Run sessions, each with an event loop and a connection to the Bluetooth service of its own."""
        while not self._stopping.is_set() and number == self._round:
            loop = asyncio.new_event_loop()
            self._loop = loop
            try:
                loop.run_until_complete(self._session(number))
            except Exception as error:  # the radio must come back
                log.exception("Bluetooth")
                self._condition.fails(f"{type(error).__name__}: {error}")
                self._stopping.wait(5.0 * self._pace)
            finally:
                _close(loop)

    async def _session(self, number: int) -> None:
        """One session: radio, connections and a heartbeat side by side until one ends or we are stopped."""
        radio = Radio(
            self._heard,
            self._condition,
            quiet_s=self.quiet_s,
            adapter=self._adapter,
            mode=self._mode,
            pace=self._pace,
            extra_patterns=tuple(_patterns(w for ways in self._ways.values() for w in ways)),
            ladder=self._radio.ladder if self._radio is not None else None,
        )
        self._radio = radio
        fetching = {a: [w for w in ways if w.connect] for a, ways in self._ways.items()}
        fetcher = Fetcher(self.site, radio.devices, self._fetched, self._of, pace=self._pace)
        work = [asyncio.ensure_future(radio.run())]
        work += [asyncio.ensure_future(fetcher.run(a, ways)) for a, ways in fetching.items() if ways]
        try:
            while not self._stopping.is_set() and number == self._round:
                self._beat_s = time.monotonic()
                with self._lock:
                    self._gate.look()
                done, _ = await asyncio.wait(work, timeout=0.1, return_when=asyncio.FIRST_COMPLETED)
                for task in done:
                    with contextlib.suppress(Anew):
                        task.result()
                if done:
                    return
        finally:
            for task in work:
                task.cancel()
            await asyncio.wait(work, timeout=0.3)

    def _guard(self) -> None:
        """Say so where the event loop stands still, and begin a new one beside it: a few times, then only say so."""
        while not self._stopping.wait(1.0 * self._pace):
            if time.monotonic() - self._beat_s <= _HANGS_S * self._pace:
                continue
            self._condition.fails("the Bluetooth service holds us up")
            self._beat_s = time.monotonic()
            hanging = [t for t in self._loops if t.is_alive()]
            if len(hanging) < _MOST_LOOPS:
                self._round += 1
                thread = threading.Thread(target=self._run, args=(self._round,), name="sensors-ble", daemon=True)
                self._loops = [*hanging, thread]
                thread.start()

    # ---- what was heard

    def _heard(self, heard: Advert) -> None:
        ways = self._ways.get(heard.address)
        if not ways:
            return
        now_s = time.monotonic()
        mark = (tuple(heard.service.items()), tuple(heard.manufacturer.items()))
        known, since_s = self._same.get(heard.address, (None, 0.0))
        patience_s = min([_SAME_S, *(w.spec.interval_s / 4.0 for w in ways)])
        if known == mark and now_s - since_s < patience_s:
            return
        self._same[heard.address] = (mark, now_s)
        frame = self._frame(heard, ways, now_s)
        for one in ways:
            if one.connect:
                continue
            try:
                if one.objects:
                    sent = advert.from_frame(one, frame) if frame is not None else None
                else:
                    sent = advert.from_advert(one, heard)
            except Refused as refused:
                self._refused(one.spec, heard.raw, str(refused))
                continue
            if sent is not None:
                self._take(one.spec, sent, heard.raw)

    def _frame(self, heard: Advert, ways: list[Way], now_s: float) -> bthome.Frame | None:
        """Return the BTHome packet of an advertisement, None where it has none or is a double."""
        data = heard.service.get(bthome.UUID)
        wanted = [w for w in ways if w.objects]
        if data is None or not wanted:
            return None
        device = self._devices[heard.address]
        try:
            return device.take(data, now_s)
        except Refused as refused:
            more = "; check the key" if device.failures >= 2 and bthome.is_encrypted(data) else ""
            for one in wanted:
                self._refused(one.spec, data.hex(), f"{refused}{more}")
            return None

    def _fetched(self, one: Way, sent: Sent | None, raw: str, reason: str) -> None:
        if sent is None:
            self._refused(one.spec, raw, reason)
        else:
            self._take(one.spec, sent, raw)

    def _take(self, spec: SensorSpec, sent: Sent, raw: str) -> None:
        def read(received: datetime) -> list[Reading | SetAside]:
            return [decode.to_reading(spec, self.site, sent, received, raw)]

        with self._lock:
            self._gate.offer(spec, read, timed=sent.time is not None)

    def _refused(self, spec: SensorSpec, raw: str, reason: str) -> None:
        def aside(received: datetime) -> list[Reading | SetAside]:
            return [decode.set_aside(spec, received, raw, reason)]

        with self._lock:
            self._gate.offer(spec, aside)


def _patterns(ways: Iterable[Way]) -> set[OrPattern]:
    """Return the patterns that let a passive scan hear what the layouts describe."""
    found = set()
    for one in ways:
        if one.company is not None:
            found.add(OrPattern(0, Part.MANUFACTURER_SPECIFIC_DATA, one.company.to_bytes(2, "little")))
        elif one.service:
            if one.service.endswith("-0000-1000-8000-00805f9b34fb") and one.service.startswith("0000"):
                found.add(OrPattern(0, Part.SERVICE_DATA_UUID16, bytes.fromhex(one.service[4:8])[::-1]))
            else:
                found.add(OrPattern(0, Part.SERVICE_DATA_UUID128, bytes.fromhex(one.service.replace("-", ""))[::-1]))
    return found


def _close(loop: asyncio.AbstractEventLoop) -> None:
    """Close a loop; a task that will not end is left behind."""
    tasks = asyncio.all_tasks(loop)
    for task in tasks:
        task.cancel()
    with contextlib.suppress(Exception):
        if tasks:
            loop.run_until_complete(asyncio.wait(tasks, timeout=0.2))
    with contextlib.suppress(Exception):
        loop.close()
