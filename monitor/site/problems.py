"""From what pydantic found to our problems: the key as a path, the value, the expected form, a hint, the line."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from monitor.model.errors import Problem
from monitor.site.quantity import QuantityError
from monitor.site.tomlfile import Path_, line_of
from monitor.site.values import closest

if TYPE_CHECKING:
    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

# Never shown, whatever is wrong with them.
_SECRET = ("password", "token", "secret", "api_key", "bindkey", "encryption_key")

# Keys that people look for under another name.
_ELSEWHERE = {
    "wc": "water_capacity",
    "tw": "tare",
    "tare_weight": "tare",
    "diameter": "outside_diameter",
    "od": "outside_diameter",
    "btu": "input",
    "power": "input",
    "lat": "latitude",
    "lon": "longitude",
    "lng": "longitude",
    "tz": "timezone",
    "time_zone": "timezone",
    "altitude": "elevation",
    "hours": "when",
    "capacity": "water_capacity",
    "full_weight": "full",
    "rating": "regulator",
    "user": "username",
    "type": "kind",
    "source": "kind",
}


def key_text(path: Path_) -> str:
    """Return a path as people read it: `cylinder[2].tare`, counted from 1."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "the file"


def value_text(value: Any, path: Path_) -> str:
    """Return a value as it stands in the file, cut to a line; a secret is never shown."""
    name = next((str(part) for part in reversed(path) if isinstance(part, str)), "")
    if _is_secret(name) or name in {"url", "heartbeat_url"}:  # both may hold a token
        return "a secret, not shown"
    if isinstance(value, dict):
        return "a table"
    try:
        text = json.dumps(value, ensure_ascii=False, default=str)
    except ValueError:
        text = repr(value)
    return text if len(text) <= 80 else f"{text[:77]}..."


def _is_secret(name: str) -> bool:
    return any(word in name for word in _SECRET) and not name.endswith("_file")


class Collector:
    """Gathers problems, each with its line; `found` is the position of each key."""

    def __init__(self, found: dict[Path_, int], raw: dict[str, Any] | None = None) -> None:
        self._lines = found
        self._raw = raw or {}
        self.problems: list[Problem] = []
        self.paths: set[Path_] = set()

    def add(self, path: Path_, value: Any, expected: str, hint: str = "") -> None:
        """Note one problem with the key at `path`; a second one with the same key would only confuse."""
        if path in self.paths:
            return
        self.paths.add(path)
        shown = "nothing" if value is None else value_text(value, path)
        self.problems.append(Problem(key_text(path), shown, expected, hint, line_of(path, self._lines)))

    def given(self, path: Path_, otherwise: Any) -> Any:
        """Return what the file says at `path`, `otherwise` where it says nothing."""
        found: Any = self._raw
        try:
            for part in path:
                found = found[part]
        except (KeyError, IndexError, TypeError):
            return otherwise
        return found

    def add_error(self, path: Path_, value: Any, error: QuantityError) -> None:
        """Note a value that one of our readers refused."""
        hint = f"{error.why}; {error.hint}" if error.hint else error.why
        self.add(path, value, error.expected, hint)

    def warning(self, path: Path_, value: str, expected: str, hint: str) -> Problem:
        """Return a warning in the form of a problem; `value` is shown as it is."""
        return Problem(key_text(path), value, expected, hint, line_of(path, self._lines))

    def has(self, *path: str | int) -> bool:
        """Whether a problem is already known with this path or anything below it."""
        return any(known[: len(path)] == path for known in self.paths)

    def ordered(self) -> list[Problem]:
        """Return the problems in the order of the file."""
        return sorted(self.problems, key=lambda p: p.line or 0)


def _meant(name: str, known: Iterable[str]) -> str:
    """Return the known key that an unknown one most likely stands for, "" where none is close."""
    names = sorted(known)
    other = _ELSEWHERE.get(name.lower(), "")
    return other if other in names else closest(name, names)


def unknown_hint(name: str, known: Iterable[str], table: str) -> str:
    """Return the hint for a key that is not known: a close one, a place for a secret, or the list of all."""
    names = sorted(known)
    if meant := _meant(name, names) if not _is_secret(name) else "":
        return f'did you mean "{meant}"?'
    if _is_secret(name):
        return f'a secret stands in a file of its own: {name}_file = "…", readable by the service alone'
    return f"keys of {table}: {', '.join(names)}"


def from_pydantic(error: ValidationError, prefix: Path_, known: Iterable[str], into: Collector) -> None:
    """Turn every error that pydantic found in the table at `prefix` into a problem; `known` are the table's keys."""
    details = error.errors(include_url=False)
    keys = list(known)
    # A key spelt wrongly would else be told twice: as one that is not known, and as one that is missing.
    misspelt = {_meant(str(d["loc"][-1]), keys) for d in details if d["type"] == "extra_forbidden"}
    for detail in details:
        if detail["type"] != "missing" or detail["loc"][-1] not in misspelt:
            _one(detail, prefix, keys, into)


def _one(detail: ErrorDetails, prefix: Path_, known: list[str], into: Collector) -> None:
    path: Path_ = (*prefix, *detail["loc"])
    value, kind = detail["input"], detail["type"]
    cause = detail.get("ctx", {}).get("error")
    if isinstance(cause, QuantityError):
        into.add_error(path, value, cause)
    elif kind == "extra_forbidden":
        into.add(path, value, "a known key", unknown_hint(str(path[-1]), known, f"[{prefix[0]}]"))
    elif kind == "missing":
        into.add(path, None, f"the key {path[-1]}", MISSING.get(str(path[-1]), ""))
    elif kind == "dict_type":
        into.add(path, value, f"a table [{prefix[0]}.{path[-1]}]", "")
    elif kind in {"tuple_type", "list_type"}:
        into.add(path, value, "a list", f'write {path[-1]} = ["…"]')
    else:
        into.add(path, value, detail["msg"][:1].lower() + detail["msg"][1:])


MISSING = {
    "timezone": 'such as "America/Denver"; `timedatectl` shows that of this computer',
    "latitude": "degrees north; the forecast is for this place",
    "longitude": "degrees east, so west is negative",
    "input": 'the plate of the appliance states it, such as "65000 Btu/h" or "19 kW"',
    "cylinder": "one [[cylinder]] for each cylinder that can feed the house",
    "appliance": "one [[appliance]] for each thing that burns gas",
    "site": "[site] holds the name, the place and the time zone",
    "quantity": "what the sensor measures",
}
