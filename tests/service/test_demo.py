"""The demo: what it promises to show, that it is invented, and that it leaves nothing behind."""

from __future__ import annotations

import asyncio
import io
import itertools
import os
import re
import socket
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from rich.console import Console

from monitor.service import demo, household
from monitor.service.files import example
from monitor.site import load


def test_it_shows_what_it_promises(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def refuse(*_: object) -> None:
        raise AssertionError("the demo needs no network")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    out = io.StringIO()
    seen = asyncio.run(demo.play(Console(file=out, width=100), seconds=24.0))
    text = out.getvalue()
    assert seen.readings > 300
    assert seen.rounds > 20
    assert seen.turned, text  # from covered to uncovered
    assert "cold-shortfall" in seen.raised, text
    assert "low-fuel" in seen.raised, text
    assert "low-fuel" in seen.ended, text
    assert text.index("raised: Fuel") < text.index("comes back from the station") < text.index("ended: Over: fuel low")
    assert "Never warm a cylinder with a flame" in text
    assert "no gas detector" in text
    assert list(tmp_path.iterdir()) == []


def test_the_household_is_marked_as_invented() -> None:
    assert "(invented)" in load(example("demo.toml")).name


def test_as_a_person_starts_it_in_a_pipe(tmp_path: Path) -> None:
    environment = {**os.environ, "TMPDIR": str(tmp_path), "COLUMNS": "100"}
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "demo", "--quick"],
        capture_output=True, text=True, timeout=120, check=False, env=environment,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "\x1b" not in done.stdout  # no colours where nobody sees them
    assert re.search(r"raised: .*full burners hold", done.stdout)
    assert list(tmp_path.iterdir()) == []


def test_the_truth_falls_with_use_and_rises_with_a_refill() -> None:
    world, full = household.household(), 18.1
    total = [sum(world.left_kg(n, household.START + timedelta(hours=h)) for n in "AB") for h in range(100)]
    assert all(b <= a for a, b in itertools.pairwise(total))
    assert world.left_kg("A", household.START + timedelta(hours=109)) == pytest.approx(full, abs=0.2)
    assert world.left_kg("B", household.START + timedelta(hours=109)) < 4.0
    assert min(household.air_k(household.START + timedelta(hours=h)) for h in range(120)) == pytest.approx(247, abs=3)


def test_the_forecast_sees_the_cold_coming_only_after_some_hours() -> None:
    early = household.forecast_c(household.START + timedelta(hours=1)).mean(axis=0)
    late = household.forecast_c(household.START + timedelta(hours=13)).mean(axis=0)
    assert early.min() > -6.0
    assert late.min() < -20.0
