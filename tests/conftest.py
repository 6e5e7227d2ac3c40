"""Fixtures that more than one part's tests use. Each test gets parts of its own: tests run in any order and at once."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests.support.broker import Mosquitto

# No deadline: a shared machine may stand still in the midst of an example, and the first unit that Pint is asked for
# takes a fifth of a second. The same examples in each run, as with every other seed here: new ones are tried by the
# long forms (tests/support/fuzzing.py) and, for all property tests, with BOILOFF_EXPLORE=1.
settings.register_profile(
    "boiloff", deadline=None, suppress_health_check=[HealthCheck.too_slow],
    derandomize=not os.environ.get("BOILOFF_EXPLORE"),
)  # fmt: skip
settings.load_profile("boiloff")


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
