"""One served household a module (tests only add to it), and one browser."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.web import house


@pytest.fixture(scope="session", autouse=True)
def patient() -> None:
    """Requests of the tests wait a minute, not httpx's 5 s: a machine at work on other tests may take its time."""
    default = inspect.signature(httpx.Client).parameters["timeout"].default
    for step in ("connect", "read", "write", "pool"):
        setattr(default, step, 60.0)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with thirty invented days."""
    path = tmp_path_factory.mktemp("house") / "store.db"
    house.fill(path, house.site())
    return path


@pytest.fixture(scope="module")
def home(filled: Path) -> Iterator[house.House]:
    """The page over it, on loopback without a password."""
    with house.served(filled, house.site()) as made:
        yield made


@pytest.fixture
def own(tmp_path: Path) -> Iterator[house.House]:
    """A household of the test's own, as each adds to the record."""
    path = tmp_path / "store.db"
    house.fill(path, house.site())
    with house.served(path, house.site()) as made:
        yield made
