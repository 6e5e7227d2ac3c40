"""One entry of the record as the pure parts see it: what a person did, and when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry that is in force. `payload` holds plain JSON values in SI units, money in the site's currency."""

    kind: str
    subject: str  # a cylinder's name, or "site"
    time: datetime
    payload: Mapping[str, Any] = field(default_factory=dict)
    id: int | None = None
