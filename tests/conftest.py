"""Fixtures that more than one part's tests use. Each test gets parts of its own: tests run in any order and at once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.broker import Mosquitto


@pytest.fixture
def stopped_broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A mosquitto that has not been started."""
    broker = Mosquitto(tmp_path / "mosquitto")
    yield broker
    broker.kill()


@pytest.fixture
def broker(stopped_broker: Mosquitto) -> Mosquitto:
    """A running mosquitto of the test's own."""
    stopped_broker.start()
    return stopped_broker
