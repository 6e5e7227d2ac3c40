"""Keys that only some rows of a table have: each way in, weather source or channel knows its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from monitor.site.problems import Collector, unknown_hint
from monitor.site.quantity import QuantityError
from monitor.site.schema import Table
from monitor.site.settings import Setting
from monitor.site.tomlfile import Path_
from monitor.site.values import setting


def read(at: Path_, table: Table, known: Sequence[Setting], folder: Path, into: Collector) -> dict[str, Any]:
    """Return the options of the table at `at`: those beside its own keys, and those in its `options` table.

    Beside its own keys only known ones are taken; in `options` others pass as they are. A file is looked for in
    `folder`. What is wrong is noted in `into`.
    """
    specs = {spec.key: spec for spec in known}
    found: dict[str, Any] = {}
    for name, value in (table.model_extra or {}).items():
        if name not in specs:
            keys = [*type(table).model_fields, *specs]
            into.add((*at, name), value, "a known key", unknown_hint(name, keys, f"[[{at[0]}]]"))
        else:
            _take((*at, name), value, specs[name], folder, found, into)
    inner: Mapping[str, Any] = getattr(table, "options", {})
    for name, value in inner.items():
        if name in specs:
            _take((*at, "options", name), value, specs[name], folder, found, into)
        else:
            found[name] = value
    return found


def _take(path: Path_, value: Any, spec: Setting, folder: Path, found: dict[str, Any], into: Collector) -> None:
    try:
        read_value = setting(spec, value)
    except QuantityError as error:
        into.add_error(path, value, error)
        return
    found[spec.key] = beside(folder, read_value) if spec.kind == "file" else read_value


def beside(folder: Path, name: str | None) -> Any:
    """Return a file's path as seen from the site file's folder; nothing stays nothing."""
    return str(folder / Path(name).expanduser()) if name else name
