"""Sites with many cylinders: members in blocks and tables for all cylinders at once change no figure."""

from __future__ import annotations

import numpy as np
import pytest

from monitor import outlook
from monitor.model.outlook import Outlook
from monitor.model.site import Cylinder
from monitor.outlook import draw, making
from monitor.outlook.draw import Feed
from tests.outlook.test_make import AT, OD, TARE, WC, cold, forecast, levels, site


def made() -> Outlook:
    """An outlook of five members, one of them without its last hours."""
    air = -30.0 + 4.0 * np.arange(5)[:, None] + 5.0 * np.sin(np.arange(36) / 24 * 2 * np.pi)
    air[4, 30:] = np.nan
    return outlook.make(site(basis="weather"), forecast(air), levels(6.0, 14.0, burn_kg_d=3.0), AT)


def test_members_in_blocks_tell_what_all_at_once_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = made()
    assert whole.nights
    assert {h.probability_uncovered for h in whole.hours} - {0.0, 1.0, None}
    monkeypatch.setattr(making, "BLOCK", 2 * 2 * 36)  # two members, two, one
    assert made() == whole


def test_the_same_without_forecast_spread(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = outlook.make(site(), cold(), levels(5.0, 9.0), AT)
    monkeypatch.setattr(making, "BLOCK", 1)
    assert outlook.make(site(), cold(), levels(5.0, 9.0), AT) == whole


def test_walls_of_many_cylinders_are_those_of_each_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    cylinders = tuple(Cylinder(f"C{k}", WC * (1 + k % 3), TARE, OD, 0.42 * WC * (1 + k % 3)) for k in range(30))
    feed = Feed.of(site().__class__("Invented", 45.0, 0.0, "UTC", cylinders, ()))
    rng = np.random.default_rng(7)
    charge = rng.uniform(-1.0, 1.3, (200, 30)) * feed.full_kg
    charge[:129] = feed.grid_kg.T  # every edge of a step, and a hair below it
    charge[129:180] = np.nextafter(feed.grid_kg.T[:51], 0.0)
    charge[190] = np.nan
    at_once = feed.wall(charge)
    monkeypatch.setattr(draw, "_FEW", 1000)
    np.testing.assert_allclose(at_once, feed.wall(charge), rtol=1e-12, atol=1e-15)
