"""What was fetched before, so that a service is not asked again too soon or for the same thing.

Kept in the process only: after a restart each service is asked once more, which their rules allow.
"""

from __future__ import annotations

import threading
from typing import Any


class Memory:
    """A small thread-safe map. Keys hold the address asked, so that two places never mix."""

    LARGEST = 64

    def __init__(self) -> None:
        self._kept: dict[str, Any] = {}
        self._lock = threading.Lock()

    def get(self, key: str) -> Any:
        """Return what was put under `key`, None where nothing was."""
        with self._lock:
            return self._kept.get(key)

    def put(self, key: str, value: Any) -> None:
        """Keep `value` under `key`; the oldest goes when there are too many."""
        with self._lock:
            self._kept.pop(key, None)
            self._kept[key] = value
            while len(self._kept) > self.LARGEST:
                self._kept.pop(next(iter(self._kept)))

    def drop(self, key: str) -> None:
        """Forget what is under `key`."""
        with self._lock:
            self._kept.pop(key, None)
