"""What the tests of faults share: each says what was lost, how long it took to recover, and what the user is told."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

Note = Callable[..., None]


@pytest.fixture
def fault(record_property: Callable[[str, object], None]) -> Note:
    """Note one row of the table of faults that `tests/bench/faults.py` prints."""

    def note(name: str, *, lost: str, recovered_s: float | None, told: str) -> None:
        assert told, f"{name}: the user is told nothing"
        row = {"fault": name, "lost": lost, "recovered_s": recovered_s, "told": told}
        record_property("fault", json.dumps(row))

    return note
