"""What is in the air: what each sender says, decoded where the form is open, and the lines for the site file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.sensors import advert, bthome, sig
from monitor.sensors.advert import Advert
from monitor.sensors.sent import Refused

# What a BTHome object most likely is at a cylinder: quantity, whether of a cylinder.
_LIKELY: dict[str, tuple[str, bool]] = {
    "mass": ("gross_weight", True),
    "volume storage": ("liquid_volume", True),
    "distance": ("height_from_top", True),
    "duration": ("echo_time", True),
    "temperature": ("air_temperature", False),
    "gas detected": ("gas_detected", False),
    "battery": ("battery", True),
}
_LIKELY_SERVICE: dict[str, tuple[str, bool]] = {
    sig.WEIGHT_SCALE: ("gross_weight", True),
    sig.ENVIRONMENT: ("air_temperature", False),
    sig.BATTERY: ("battery", True),
}


@dataclass
class Heard:
    """One sender: the newest of what it said, how often and how loud."""

    address: str
    name: str = ""
    rssi: int = -127
    count: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    says: dict[str, str] = field(default_factory=dict)
    objects: dict[str, bthome.Object] = field(default_factory=dict)
    encrypted: bool = False
    services: tuple[str, ...] = ()
    raw: dict[str, str] = field(default_factory=dict)

    @property
    def known(self) -> bool:
        """Whether something of it can be read without a declared layout."""
        return bool(self.objects or self.encrypted or set(self.services) & set(_LIKELY_SERVICE))

    @property
    def every_s(self) -> float | None:
        """Mean time between advertisements (s)."""
        return (self.last_s - self.first_s) / (self.count - 1) if self.count > 1 else None


class Survey:
    """Collects advertisements. `keys` are BTHome keys by address, from the site file."""

    def __init__(self, keys: Mapping[str, bytes] | None = None) -> None:
        self._keys = dict(keys or {})
        self.senders: dict[str, Heard] = {}

    def add(self, said: Advert, now_s: float) -> None:
        """Take one advertisement. Never raises."""
        heard = self.senders.setdefault(said.address, Heard(said.address, first_s=now_s))
        heard.count += 1
        heard.last_s = now_s
        heard.name = said.name or heard.name
        heard.rssi = max(heard.rssi, said.rssi)
        heard.services = tuple(dict.fromkeys((*heard.services, *said.uuids)))
        for company, data in said.manufacturer.items():
            heard.raw[f"company {company:#06x}"] = data.hex(" ")
        for uuid, data in said.service.items():
            if uuid == bthome.UUID:
                self._bthome(heard, data)
            else:
                heard.raw[f"service {advert.short(uuid)}"] = data.hex(" ")

    def _bthome(self, heard: Heard, data: bytes) -> None:
        key = self._keys.get(heard.address)
        if bthome.is_encrypted(data) and key is None:
            heard.encrypted = True
            heard.says["BTHome"] = "encrypted: its key is needed (key_file)"
            return
        try:
            frame = bthome.parse(data, key, heard.address)
        except Refused as refused:
            heard.says["BTHome"] = str(refused)
            return
        heard.says.pop("BTHome", None)
        for found in frame.objects:
            if found.name in {"packet id", "timestamp"}:
                continue
            label = found.name if found.nth == 1 else f"{found.name} {found.nth}"
            heard.objects[label] = found
            heard.says[label] = f"{found.value:.6g} {found.unit}".strip()

    def rows(self, *, everything: bool) -> list[Heard]:
        """Return the senders, those that can be read first, then by how loud they are."""
        chosen = [h for h in self.senders.values() if everything or h.known]
        return sorted(chosen, key=lambda h: (not h.known, -h.rssi, h.address))


def words(heard: Heard) -> str:
    """Return what a sender says, in one line."""
    parts = [f"{label} {value}" for label, value in heard.says.items()]
    parts += [f"{sig.SERVICES[s]} (connect)" for s in heard.services if s in sig.SERVICES]
    parts += [f"{where}: {data}" for where, data in heard.raw.items()]
    return "; ".join(parts)


def lines(heard: Heard, cylinder: str) -> str:
    """Return tables for the site file that read this sender; `cylinder` is the name to put where one is needed."""
    tables = []
    for label, found in heard.objects.items():
        if found.name in _LIKELY:
            quantity, of_cylinder = _LIKELY[found.name]
            extra = [] if label == found.name else [f'object = "{label}"']
            tables.append(_table(heard, label, quantity, cylinder if of_cylinder else "", extra))
    if heard.encrypted:
        extra = ['key_file = "sender.key"             # 32 hexadecimal digits, readable by you alone']
        tables.append(_table(heard, "scale", "gross_weight", cylinder, extra))
    for service in heard.services:
        if service in _LIKELY_SERVICE:
            quantity, of_cylinder = _LIKELY_SERVICE[service]
            name = sig.SERVICES[service].lower()
            tables.append(_table(heard, name, quantity, cylinder if of_cylinder else "", ["connect = true"]))
    if not tables:
        tables = [_layout(heard, where, cylinder) for where in heard.raw]
    return "\n".join(tables)


def _table(heard: Heard, label: str, quantity: str, cylinder: str, extra: list[str]) -> str:
    name = f"{label} {heard.address[-5:]}"
    parts = ["[[sensor]]", f'name = "{name}"', f'address = "{heard.address}"']
    parts += [f'cylinder = "{cylinder}"'] if cylinder else []
    parts += [f'quantity = "{quantity}"', *extra, 'interval = "10 min"']
    return "\n".join(parts) + "\n"


def _layout(heard: Heard, where: str, cylinder: str) -> str:
    kind, _, number = where.partition(" ")
    found = f"company = {number}" if kind == "company" else f'service = "{number}"'
    comment = (
        f"# {where}: {heard.raw[where]}\n"
        "# Where in these bytes the number lies, and in what form, is for its maker's paper to say.\n"
    )
    extra = [found, 'layout = { format = "u16le", offset = 0 }', 'unit = "kg"']
    return comment + _table(heard, "sender", "gross_weight", cylinder, extra)
