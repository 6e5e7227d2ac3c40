"""Values that a sender gives only over a connection: connect, read or wait for a notification, let go.

One connection at a time: a small radio cannot do more beside scanning. Every step has a deadline, and one that hangs
is left behind.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime

from bleak import BleakClient
from bleak.backends.device import BLEDevice

from monitor.model.reading import Quantity
from monitor.model.site import SensorSpec, Site
from monitor.sensors import sig
from monitor.sensors.advert import Way
from monitor.sensors.condition import Condition
from monitor.sensors.formats import layout
from monitor.sensors.scan import within
from monitor.sensors.sent import Refused, Sent
from monitor.site import units

CONNECT_S = 30.0
VALUE_S = 20.0
LET_GO_S = 5.0
_LEAST_S = 10.0  # between connections to one sender
_AGAIN_S = (15.0, 600.0)  # pause after a failure: it grows to the second

OnFetched = Callable[[Way, Sent | None, str, str], None]  # what was said, raw bytes in hexadecimal, why not


class Fetcher:
    """Fetches values of every connected sender of a site, `run` for each address."""

    def __init__(
        self,
        site: Site,
        devices: Mapping[str, BLEDevice],
        on_fetched: OnFetched,
        conditions: Mapping[str, Condition],
        *,
        pace: float = 1.0,
    ) -> None:
        self._site = site
        self._devices = devices
        self._on_fetched = on_fetched
        self._conditions = conditions
        self._pace = pace
        self._one_at_a_time = asyncio.Lock()

    async def run(self, address: str, ways: list[Way]) -> None:
        """Fetch from one sender again and again, until cancelled."""
        failures = 0
        while True:
            error = await self._try(address, ways)
            if not error:
                failures = 0
                await asyncio.sleep(self._every_s(ways))
                continue
            failures = min(failures + 1, 20)  # counted no further: 2**1024 is no float, and a sender may stay away
            for one in ways:
                self._conditions[one.spec.name].fails(error)
            first, most = _AGAIN_S
            await asyncio.sleep(self._pace * min(first * 2.0 ** (failures - 1), most))

    def _every_s(self, ways: list[Way]) -> float:
        return max(min(_every_s(w.spec) for w in ways), _LEAST_S * self._pace)

    async def _try(self, address: str, ways: list[Way]) -> str:
        """Fetch once; return what went wrong, "" where every sensor was read."""
        deadline = time.monotonic() + self._pace * VALUE_S
        while address not in self._devices:  # a sender can be connected to after it was heard
            if time.monotonic() > deadline:
                return "it is not in the air"
            await asyncio.sleep(0.05)
        async with self._one_at_a_time:
            client = BleakClient(self._devices[address], timeout=self._pace * CONNECT_S)
            try:
                await within(self._pace * CONNECT_S, client.connect())
                for one in ways:
                    await within(self._pace * VALUE_S, self._fetch(client, one))
            except asyncio.CancelledError:
                raise
            except Exception as problem:  # noqa: BLE001  bleak, D-Bus and the sender raise many kinds
                what = "connection" if not client.is_connected else "reading"
                return f"{what} failed: {str(problem) or type(problem).__name__}"
            finally:
                with contextlib.suppress(Exception):
                    await within(self._pace * LET_GO_S, client.disconnect())
        return ""

    async def _fetch(self, client: BleakClient, one: Way) -> None:
        uuid = self._uuid(one)
        found = client.services.get_characteristic(uuid)
        if found is None:
            raise Refused(f"it has no characteristic {uuid}")
        if "read" in found.properties:
            data = bytes(await client.read_gatt_char(found))
        else:
            came: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()

            def note(_sender: object, value: bytearray) -> None:
                if not came.done():
                    came.set_result(bytes(value))

            await client.start_notify(found, note)
            data = await came
            with contextlib.suppress(Exception):
                await client.stop_notify(found)
        try:
            sent = self._sent(one, uuid, data)
        except Refused as refused:
            self._on_fetched(one, None, data.hex(), str(refused))
            return
        self._on_fetched(one, sent, data.hex(), "")

    def _uuid(self, one: Way) -> str:
        named = one.spec.options.get("characteristic", sig.USUAL.get(Quantity(one.spec.quantity)))
        return sig.full_uuid(named)

    def _sent(self, one: Way, uuid: str, data: bytes) -> Sent:
        options = one.spec.options
        if "layout" in options or "format" in options:
            return Sent(layout(options).read(data))
        return sig.sent(uuid, data, datetime.now(UTC), self._site.timezone)


def _every_s(spec: SensorSpec) -> float:
    """Return the time (s) between connections: the option `every`, else the sensor's interval."""
    every = spec.options.get("every", spec.interval_s)
    if isinstance(every, (int, float)):
        return float(every)
    try:
        return units.parse(every, "time")
    except units.QuantityError:
        return spec.interval_s
