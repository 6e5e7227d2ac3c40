"""Reads the kept cases and turns one into what `monitor.physics` takes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor import physics
from monitor.model.site import Appliance, Cylinder, Gas, Site, Supply

Array = NDArray[np.float64]
FILE = Path(__file__).with_name("holds.json")


def load() -> list[dict[str, Any]]:
    """Every kept case with the oracle's answer."""
    kept: list[dict[str, Any]] = json.loads(FILE.read_text())
    return kept


def site(case: dict[str, Any]) -> Site:
    """The site of a case."""
    cylinders = tuple(
        Cylinder(f"C{i}", c["wc"], c["tare"], c["od"], 0.42 * c["wc"], c["wall"], c["shape"], Gas(*c["gas"]), c["side"])
        for i, c in enumerate(case["cylinders"])
    )
    supply = Supply(
        feed="changeover" if case["changeover"] else "together",
        lowest_inlet_pa=case["inlet_pa"],
        basis=case["basis"],
        changeover_pa=case["setting_pa"],
        check_valves=case["check"],
    )
    range_ = Appliance("Range", case["demand"], 3600.0)
    return Site("Drawn (invented)", 45.0, -90.0, "UTC", cylinders, (range_,), supply, air_pressure_pa=case["air_pa"])


def question(case: dict[str, Any]) -> tuple[physics.Plant, Array, physics.Air, Array]:
    """Plant, charges (n,), air series, and the start's temperature: one for all where they share it, else (n,)."""
    plant = physics.Plant.of(site(case))
    charge = np.array([c["share"] for c in case["cylinders"]]) * plant.full_kg
    air = physics.Air(*(np.array(case[k]) for k in ("air", "wind", "sky", "dew")))
    start = np.array(case["start_k"])
    return plant, charge, air, np.array(start[0]) if plant.shares_temperature else start


def first_hold(case: dict[str, Any]) -> tuple[float, str, Array]:
    """Our hold for a start at the first hour: seconds, how it ended, what is left (n,)."""
    plant, charge, air, start = question(case)
    hours = air.shape[-1]
    begin = np.full((hours, *start.shape), np.nan)  # a start that is not known costs nothing
    begin[0] = start
    done = physics.hold(plant, charge, air, begin, case["demand"], case["basis"], case["limit"])
    return float(done.hold_s[0]), physics.ENDS[int(done.ends[0])], done.left_kg[0]
