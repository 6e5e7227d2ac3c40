"""What bleak does not offer: whether an adapter is there and on, and switching it off and on. BlueZ over D-Bus.

dbus-fast comes with bleak on Linux. Every call is made within somebody's deadline.
"""

from __future__ import annotations

import asyncio
from typing import Any

from dbus_fast import BusType, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

_BLUEZ = "org.bluez"
_ADAPTER = "org.bluez.Adapter1"
_PROPERTIES = "org.freedesktop.DBus.Properties"
_OFF_S = 1.0
_GONE = ("UnknownObject", "UnknownMethod", "UnknownInterface", "InvalidArgs")


class NoAnswer(Exception):
    """The Bluetooth service does not do what was asked; the text says why."""


class Bus:
    """One connection to the system's bus, made when first needed."""

    def __init__(self, adapter: str = "") -> None:
        self._adapter = adapter
        self._bus: MessageBus | None = None
        self._path = ""

    async def trouble(self) -> str:
        """Return what is wrong with the adapter, "" where it is there and on."""
        try:
            path = await self._adapter_path()
            powered = (await self._call(path, _PROPERTIES, "Get", "ss", [_ADAPTER, "Powered"]))[0]
        except NoAnswer as problem:
            self._path = ""
            return str(problem)
        return "" if powered.value else "the Bluetooth adapter is switched off"

    async def power_cycle(self, pause_s: float = _OFF_S) -> None:
        """Switch the adapter off and on. Raises NoAnswer."""
        path = await self._adapter_path()
        for on in (False, True):
            await self._call(path, _PROPERTIES, "Set", "ssv", [_ADAPTER, "Powered", Variant("b", on)])
            await asyncio.sleep(pause_s)

    def close(self) -> None:
        """Let go of the connection."""
        if self._bus is not None:
            self._bus.disconnect()
            self._bus = None

    async def _adapter_path(self) -> str:
        if self._adapter:
            return f"/org/bluez/{self._adapter}"
        if self._path:
            return self._path
        objects = (await self._call("/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects", "", []))[0]
        paths = sorted(path for path, interfaces in objects.items() if _ADAPTER in interfaces)
        if not paths:
            raise NoAnswer("no Bluetooth adapter")
        self._path = paths[0]
        return self._path

    async def _call(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> list[Any]:
        if self._bus is None or not self._bus.connected:
            self.close()
            bus = MessageBus(bus_type=BusType.SYSTEM)
            try:
                self._bus = await bus.connect()
            except Exception as error:  # noqa: BLE001  the bus, its socket and its handshake raise many kinds
                bus.disconnect()
                raise NoAnswer(f"no Bluetooth service: {error}") from None
        reply = await self._bus.call(
            Message(destination=_BLUEZ, path=path, interface=interface, member=member, signature=signature, body=body)
        )
        if reply is None or reply.message_type == MessageType.ERROR:
            name = (reply.error_name or "") if reply is not None else ""
            if name.rsplit(".", 1)[-1] in _GONE:
                raise NoAnswer("the Bluetooth adapter has gone")
            if name.endswith(("ServiceUnknown", "NameHasNoOwner")):
                raise NoAnswer("no Bluetooth service: is bluez installed and running?")
            raise NoAnswer(f"{member}: {name} {' '.join(map(str, reply.body if reply else []))}".strip())
        return list(reply.body)
