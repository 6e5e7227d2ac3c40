"""The demo: what it promises to show, that it is invented, and that it leaves nothing behind."""

from __future__ import annotations

import itertools
import os
import re
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from monitor.service import household
from monitor.service.files import example
from monitor.site import load

NO_NETWORK = """
import socket, sys

def refuse(*_):
    raise AssertionError("the demo needs no network")

socket.socket.connect = socket.socket.connect_ex = socket.getaddrinfo = refuse
from monitor import cli
sys.argv = ["boiloff", "demo", "--quick"]
cli.main()
"""


@pytest.mark.timing  # its clock runs too fast for a machine that is busy with other tests
def test_it_shows_what_it_promises_in_a_pipe_without_network(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", NO_NETWORK], capture_output=True, text=True, timeout=120, check=False,
        # whoever runs the tests may itself be watched by a service manager: that socket is no network
        env={k: v for k, v in os.environ.items() if k != "NOTIFY_SOCKET"} | {"TMPDIR": str(tmp_path), "COLUMNS": "100"},
    )  # fmt: skip
    text = done.stdout
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "\x1b" not in text  # no colours where nobody sees them
    assert re.search(r"covered through .*uncovered ", text, re.DOTALL)  # the outlook turns
    assert re.search(r"raised: .*full burners hold", text)
    low = re.search(r"raised: Fuel \d+ %", text)
    assert low is not None, text
    assert low.start() < text.find("comes back from the station") < text.find("ended: Over: fuel low"), text
    assert "Never warm a cylinder with a flame" in text
    assert "no gas detector" in text
    assert int(re.findall(r"([\d,]+) readings", text)[-1].replace(",", "")) > 300
    assert list(tmp_path.iterdir()) == []


def test_the_household_is_marked_as_invented() -> None:
    assert "(invented)" in load(example("demo.toml")).name


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
