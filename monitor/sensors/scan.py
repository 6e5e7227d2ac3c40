"""The radio: one scan kept alive through everything that goes wrong, on bleak. Runs in an event loop of its own.

Passive where the system allows it (it spares the senders' batteries), else active. Whether it works is judged by a
timer. Every call into the system has a deadline; one that does not end is left behind, not waited for.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable, Coroutine
from typing import Any, Literal, TypeVar

from bleak import BleakScanner
from bleak.args.bluez import OrPattern
from bleak.assigned_numbers import AdvertisementDataType as Part
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakBluetoothNotAvailableError

from monitor.sensors.advert import Advert
from monitor.sensors.bluez import Bus
from monitor.sensors.condition import Condition
from monitor.sensors.ladder import Ladder, Step

log = logging.getLogger(__name__)
T = TypeVar("T")

Mode = Literal["auto", "passive", "active"]
OnAdvert = Callable[[Advert], None]

CALL_S = 15.0  # a call to the Bluetooth service that takes longer has failed
_TICK_S = 0.25
_LOOK_S = 5.0  # between looks at the adapter itself
# Trouble that no rung of the ladder mends: the adapter must come back by itself, or by a person.
_NO_ADAPTER = ("no bluetooth", "not found", "no powered", "has gone", "switched off")

# Passive scanning needs patterns: flags of a discoverable or plain LE sender, and BTHome's service data.
PATTERNS = [
    OrPattern(0, Part.FLAGS, b"\x06"),
    OrPattern(0, Part.FLAGS, b"\x1a"),
    OrPattern(0, Part.FLAGS, b"\x04"),
    OrPattern(0, Part.FLAGS, b"\x05"),
    OrPattern(0, Part.SERVICE_DATA_UUID16, b"\xd2\xfc"),
]


class Anew(Exception):
    """The event loop and its connection to the Bluetooth service must be made anew."""


_left_behind: set[asyncio.Task[Any]] = set()


async def within(seconds: float, work: Coroutine[Any, Any, T]) -> T:
    """Return what `work` returns; raise TimeoutError after `seconds`, whatever `work` does about being cancelled.

    `asyncio.wait_for` would wait for the cancelled work, which may itself wait for an answer that never comes.
    """
    task = asyncio.ensure_future(work)
    try:
        done, _ = await asyncio.wait({task}, timeout=seconds)
    except asyncio.CancelledError:
        task.cancel()
        raise
    if done:
        return task.result()
    task.cancel()
    _left_behind.add(task)
    task.add_done_callback(_forget)
    raise TimeoutError(f"no answer within {seconds:.0f} s")


def _forget(task: asyncio.Task[Any]) -> None:
    _left_behind.discard(task)
    if not task.cancelled():
        task.exception()  # so that it is not reported as never retrieved


class Radio:
    """Keeps a scan alive. `run` ends only by being cancelled, or by raising Anew."""

    def __init__(
        self,
        on_advert: OnAdvert,
        condition: Condition,
        *,
        quiet_s: float,
        adapter: str = "",
        mode: Mode = "auto",
        pace: float = 1.0,
        extra_patterns: tuple[OrPattern, ...] = (),
        ladder: Ladder | None = None,
    ) -> None:
        """`pace` shortens every pause and deadline (tests); 1 is real life."""
        self._on_advert = on_advert
        self._condition = condition
        self._adapter = adapter
        self._mode = mode
        self._pace = pace
        self._patterns = [*PATTERNS, *extra_patterns]
        self.ladder = ladder or Ladder(quiet_s)
        self._active = mode == "active"
        self._scanner: BleakScanner | None = None
        self.devices: dict[str, BLEDevice] = {}
        self.heard = 0
        self._bus = Bus(adapter)

    async def run(self) -> None:
        """Scan until cancelled."""
        try:
            while True:
                error = await self._start()
                if not error:
                    error = await self._watch()
                await self._stop()
                if error:
                    await self._climb(error)
        finally:
            await self._stop()
            self._bus.close()

    # ---- scanning

    async def _start(self) -> str:
        """Begin a scan; return what went wrong, "" where it runs."""
        error = ""
        for active in (False, True) if self._mode == "auto" and not self._active else (self._active,):
            try:
                await within(self._pace * CALL_S, self._begin(active=active))
            except asyncio.CancelledError:
                raise
            except Exception as problem:  # noqa: BLE001  bleak, D-Bus and the system raise many kinds
                error = _words(problem)
                self._scanner = None
                if any(words in error.lower() for words in _NO_ADAPTER):
                    break
                continue
            self._active = active
            self.ladder.started(time.monotonic())
            return ""
        return error

    async def _begin(self, *, active: bool) -> None:
        bluez: dict[str, Any] = {} if active else {"or_patterns": self._patterns}
        if active:
            bluez["filters"] = {"DuplicateData": True}
        if self._adapter:
            bluez["adapter"] = self._adapter
        scanner = BleakScanner(
            self._detected,
            scanning_mode="active" if active else "passive",
            bluez=bluez,  # type: ignore[arg-type]
        )
        await scanner.start()
        self._scanner = scanner

    async def _stop(self) -> None:
        scanner, self._scanner = self._scanner, None
        if scanner is not None:
            with contextlib.suppress(Exception):
                await within(self._pace * CALL_S, scanner.stop())

    async def _watch(self) -> str:
        """Look at the scan now and then; return what is wrong with it, once something is."""
        looked_s = time.monotonic()
        while True:
            await asyncio.sleep(_TICK_S * min(self._pace * 4, 1.0))
            now_s = time.monotonic()
            if self.ladder.silent(now_s):
                return f"nothing heard for {now_s - self.ladder.heard_s:.0f} s"
            if now_s - looked_s >= _LOOK_S * self._pace:
                looked_s = now_s
                try:
                    trouble = await within(self._pace * CALL_S, self._bus.trouble())
                except TimeoutError as problem:
                    trouble = _words(problem)
                if trouble:
                    return trouble

    def _detected(self, device: BLEDevice, data: AdvertisementData) -> None:
        now_s = time.monotonic()
        self.heard += 1
        self.ladder.heard(now_s)
        self._condition.works()
        address = device.address.upper()
        self.devices[address] = device
        if len(self.devices) > 1000:  # addresses that change every few minutes must not fill the memory
            self.devices.pop(next(iter(self.devices)))
        advert = Advert(
            address,
            data.rssi,
            data.local_name or "",
            data.manufacturer_data,
            {uuid.lower(): value for uuid, value in data.service_data.items()},
            tuple(uuid.lower() for uuid in data.service_uuids),
        )
        try:
            self._on_advert(advert)
        except Exception:
            log.exception("advertisement of %s", address)

    # ---- the ladder

    async def _climb(self, error: str) -> None:
        if any(words in error.lower() for words in _NO_ADAPTER):
            self._condition.fails(error)
            await asyncio.sleep(self._pace * self.ladder.look_again())
            return
        step, pause_s = self.ladder.climb()
        said = f"{error}; tried everything, trying on slowly" if self.ladder.given_up else f"{error}; next: {step}"
        self._condition.fails(said)
        log.warning("Bluetooth: %s", said)
        await asyncio.sleep(self._pace * pause_s)
        if step is Step.ANEW:
            raise Anew
        if step is Step.RESET:
            try:
                await within(self._pace * CALL_S, self._bus.power_cycle(self._pace))
            except Exception as problem:  # noqa: BLE001  whatever it was, the ladder goes on
                log.warning("Bluetooth: the adapter cannot be reset: %s", _words(problem))
        elif self._mode == "auto" and self.ladder.climbed > 1:
            self._active = not self._active  # the other way of scanning may be the one that works


def _words(problem: Exception) -> str:
    """Return what went wrong in words that a person can use."""
    if isinstance(problem, TimeoutError):
        return f"the Bluetooth service gives {problem or 'no answer'}"
    if isinstance(problem, (FileNotFoundError, ConnectionError)):
        return "no Bluetooth service: is bluez installed and running?"
    if isinstance(problem, BleakBluetoothNotAvailableError):
        return str(problem.args[0]).rstrip(".")
    return str(problem) or type(problem).__name__
