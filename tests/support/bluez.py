"""An org.bluez of our own on a private dbus-daemon: adapters, advertisements, GATT, and every way to misbehave."""

from __future__ import annotations

import asyncio
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

ADAPTER, DEVICE = "org.bluez.Adapter1", "org.bluez.Device1"
MONITOR = "org.bluez.AdvertisementMonitorManager1"
SERVICE, CHARACTERISTIC = "org.bluez.GattService1", "org.bluez.GattCharacteristic1"
PROPERTIES, MANAGER = "org.freedesktop.DBus.Properties", "org.freedesktop.DBus.ObjectManager"

_CONF = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>system</type><listen>unix:path={path}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow user="*"/><allow own="*"/><allow send_type="method_call"/>
<allow send_type="signal"/><allow send_type="method_return"/><allow send_type="error"/>
<allow receive_type="method_call"/><allow receive_type="signal"/><allow receive_type="method_return"/>
<allow receive_type="error"/></policy></busconfig>
"""


@dataclass
class Peripheral:
    """A sender that can be connected to: characteristics by UUID, with flags and the values that it gives in turn."""

    services: dict[str, dict[str, tuple[list[str], list[bytes]]]] = field(default_factory=dict)


class Bluez:
    """The fake service. `calls` counts what it was asked; `behave` maps a method to "hang", "in-progress" or "fail"."""

    def __init__(self) -> None:
        if shutil.which("dbus-daemon") is None:
            pytest.skip("dbus-daemon is not installed: apt-get install -y dbus-daemon")
        self.folder = Path(tempfile.mkdtemp(prefix="bz"))
        self.address = f"unix:path={self.folder}/bus"
        (self.folder / "bus.conf").write_text(_CONF.format(path=self.folder / "bus"))
        self._daemon = subprocess.Popen(
            ["dbus-daemon", f"--config-file={self.folder}/bus.conf", "--nofork", "--nopidfile", "--nosyslog"],
            stderr=subprocess.DEVNULL,
        )
        self.objects: dict[str, dict[str, dict[str, Variant]]] = {}
        self.peripherals: dict[str, Peripheral] = {}
        self.calls: dict[str, int] = {}
        self.behave: dict[str, str] = {}
        self.scanning: set[str] = set()
        self.deaf = False
        self._loop = asyncio.new_event_loop()
        self._bus: MessageBus | None = None
        self._thread = threading.Thread(target=self._loop.run_forever, name="fake bluez", daemon=True)
        self._thread.start()
        self.run(self._connect())
        self.add_adapter()

    # ---- what tests do

    def run(self, work: Coroutine[Any, Any, Any]) -> Any:
        """Run something in the fake's own loop and return what it returns."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(30)

    def add_adapter(self, name: str = "hci0", *, powered: bool = True) -> None:
        """Plug an adapter in."""
        path = f"/org/bluez/{name}"
        self.run(
            self._add(
                path,
                {
                    ADAPTER: {
                        "Address": Variant("s", "00:00:5E:00:53:01"),
                        "Name": Variant("s", "fake"),
                        "Powered": Variant("b", powered),
                        "Discovering": Variant("b", False),
                        "Roles": Variant("as", ["central"]),
                    },
                    MONITOR: {"SupportedMonitorTypes": Variant("as", ["or_patterns"])},
                },
            )
        )

    def remove_adapter(self, name: str = "hci0") -> None:
        """Pull the adapter out: its devices go with it."""
        path = f"/org/bluez/{name}"
        self.scanning.discard(path)
        self.run(self._remove([p for p in self.objects if p == path or p.startswith(path + "/")]))

    def advertise(
        self,
        address: str,
        *,
        service: Mapping[str, bytes] | None = None,
        manufacturer: Mapping[int, bytes] | None = None,
        rssi: int = -60,
        name: str = "",
        adapter: str = "hci0",
    ) -> None:
        """Let a device be heard, if the adapter scans."""
        self.run(self._advertise(f"/org/bluez/{adapter}", address, service or {}, manufacturer or {}, rssi, name))

    def close(self) -> None:
        """End the service and its bus."""
        self.run(self._disconnect())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(30)
        self._loop.close()
        self._daemon.terminate()
        self._daemon.wait(30)
        shutil.rmtree(self.folder, ignore_errors=True)

    # ---- objects

    async def _connect(self) -> None:
        for tries in range(500):  # the daemon needs a moment until it listens
            bus = MessageBus(bus_address=self.address)
            try:
                self._bus = await bus.connect()
                break
            except OSError:
                bus.disconnect()
                if tries == 499 or self._daemon.poll() is not None:
                    raise
                await asyncio.sleep(0.02)
        assert self._bus is not None
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name("org.bluez")

    async def _disconnect(self) -> None:
        if self._bus is not None:
            self._bus.disconnect()
            await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]

    def _emit(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        assert self._bus is not None
        self._bus.send(Message.new_signal(path, interface, member, signature, body))

    async def _add(self, path: str, interfaces: dict[str, dict[str, Variant]]) -> None:
        self.objects[path] = interfaces
        self._emit("/", MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    async def _remove(self, paths: list[str]) -> None:
        for path in sorted(paths, reverse=True):
            interfaces = self.objects.pop(path)
            self._emit("/", MANAGER, "InterfacesRemoved", "oas", [path, list(interfaces)])

    def _change(self, path: str, interface: str, changed: dict[str, Variant]) -> None:
        self.objects[path][interface].update(changed)
        self._emit(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, changed, []])

    async def _advertise(
        self,
        adapter: str,
        address: str,
        service: Mapping[str, bytes],
        company: Mapping[int, bytes],
        rssi: int,
        name: str,
    ) -> None:
        if adapter not in self.scanning or adapter not in self.objects or self.deaf:
            return
        path = f"{adapter}/dev_{address.replace(':', '_')}"
        heard: dict[str, Variant] = {"RSSI": Variant("n", rssi)}
        if service:
            heard["ServiceData"] = Variant("a{sv}", {u: Variant("ay", bytes(d)) for u, d in service.items()})
        if company:
            heard["ManufacturerData"] = Variant("a{qv}", {c: Variant("ay", bytes(d)) for c, d in company.items()})
        if name:
            heard["Name"] = Variant("s", name)
        if path in self.objects:
            self._change(path, DEVICE, heard)
            return
        fixed = {
            "Address": Variant("s", address), "AddressType": Variant("s", "public"),
            "Alias": Variant("s", name or address.replace(":", "-")), "Adapter": Variant("o", adapter),
            "Connected": Variant("b", False), "Paired": Variant("b", False), "ServicesResolved": Variant("b", False),
            "UUIDs": Variant("as", []), "Trusted": Variant("b", False), "Blocked": Variant("b", False),
            "LegacyPairing": Variant("b", False),
        }  # fmt: skip
        await self._add(path, {DEVICE: fixed | heard})

    # ---- calls

    def _handle(self, message: Message) -> Message | bool | None:
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        member = message.member or ""
        self.calls[member] = self.calls.get(member, 0) + 1
        misbehaves = self.behave.get(member)
        if misbehaves == "hang":
            return True
        if misbehaves == "in-progress":
            return Message.new_error(message, "org.bluez.Error.InProgress", "Operation already in progress")
        if misbehaves == "fail":
            return Message.new_error(message, "org.bluez.Error.Failed", "made to fail")
        if misbehaves == "unknown":
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownMethod", "no such method")
        if message.interface == MANAGER:
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self.objects])
        path = message.path or ""
        if path not in self.objects:
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", f"no {path}")
        handlers: dict[str, Callable[[Message, str], Message]] = {
            ADAPTER: self._on_adapter, MONITOR: self._on_adapter, PROPERTIES: self._on_properties,
            DEVICE: self._on_device, CHARACTERISTIC: self._on_characteristic,
        }  # fmt: skip
        return handlers[message.interface or ""](message, path)

    def _on_adapter(self, message: Message, path: str) -> Message:
        if message.member in {"StartDiscovery", "RegisterMonitor"}:
            if not self.objects[path][ADAPTER]["Powered"].value:
                return Message.new_error(message, "org.bluez.Error.NotReady", "Resource Not Ready")
            self.scanning.add(path)
        elif message.member in {"StopDiscovery", "UnregisterMonitor"}:
            self.scanning.discard(path)
        return Message.new_method_return(message)

    def _on_properties(self, message: Message, path: str) -> Message:
        if message.member == "Get":
            interface, name = message.body
            return Message.new_method_return(message, "v", [self.objects[path][interface][name]])
        interface, name, value = message.body
        if name == "Powered" and not value.value:
            self.scanning.discard(path)
        if name == "Powered" and value.value and self.behave.get("deaf") == "until reset":
            self.deaf = False
            del self.behave["deaf"]
        self._change(path, interface, {name: value})
        return Message.new_method_return(message)

    def _on_device(self, message: Message, path: str) -> Message:
        if message.member == "Disconnect":
            self._change(path, DEVICE, {"Connected": Variant("b", False), "ServicesResolved": Variant("b", False)})
            return Message.new_method_return(message)
        address = self.objects[path][DEVICE]["Address"].value
        peripheral = self.peripherals.get(address)
        if peripheral is None:
            return Message.new_error(message, "org.bluez.Error.Failed", "le-connection-abort-by-peer")
        self._change(path, DEVICE, {"Connected": Variant("b", True)})
        self._loop.create_task(self._resolve(path, peripheral))
        return Message.new_method_return(message)

    async def _resolve(self, path: str, peripheral: Peripheral) -> None:
        handle = 1
        for uuid, characteristics in peripheral.services.items():
            service = f"{path}/service{handle:04x}"
            await self._add(
                service,
                {SERVICE: {"UUID": Variant("s", uuid), "Device": Variant("o", path), "Primary": Variant("b", True)}},
            )
            for number, (flags, _values) in characteristics.items():
                handle += 1
                await self._add(
                    f"{service}/char{handle:04x}",
                    {
                        CHARACTERISTIC: {
                            "UUID": Variant("s", number), "Service": Variant("o", service),
                            "Flags": Variant("as", flags), "Notifying": Variant("b", False),
                            "Value": Variant("ay", b""),
                        }
                    },
                )  # fmt: skip
            handle += 1
        self._change(path, DEVICE, {"ServicesResolved": Variant("b", True)})

    def _values(self, path: str) -> list[bytes]:
        uuid = self.objects[path][CHARACTERISTIC]["UUID"].value
        device = self.objects[path.split("/service", maxsplit=1)[0]][DEVICE]["Address"].value
        for characteristics in self.peripherals[device].services.values():
            if uuid in characteristics:
                return characteristics[uuid][1]
        return []

    def _on_characteristic(self, message: Message, path: str) -> Message:
        values = self._values(path)
        value = values.pop(0) if len(values) > 1 else values[0]
        if message.member == "ReadValue":
            return Message.new_method_return(message, "ay", [value])
        if message.member == "StartNotify":
            self._loop.call_later(0.01, self._change, path, CHARACTERISTIC, {"Value": Variant("ay", value)})
        return Message.new_method_return(message)
