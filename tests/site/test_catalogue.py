"""The catalogue against the tables it was made from, and against the rules of the trade."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from monitor.site import catalogue
from monitor.site.catalogue import FILLING_DENSITY, SIZES, by_nominal, by_water_capacity

REFERENCE = Path(__file__).resolve().parents[1] / "reference"
LB = 0.45359237


def _rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _span(text: str) -> tuple[float, float]:
    low, _, high = text.partition("-")
    return float(low), float(high or low)


@pytest.mark.parametrize("row", _rows("cylinders_us.csv"), ids=lambda r: r["name_lb"])
def test_us_sizes_are_those_of_the_table(row: dict[str, str]) -> None:
    """Stamped and catalogue figures; the table's own status says which come from memory."""
    size = by_nominal(float(row["name_lb"]) * LB)
    assert size is not None
    assert size.outside_diameter is not None
    assert size.height is not None
    assert size.tare is not None
    assert size.water_capacity.high == float(row["wc_lb"])
    assert (size.outside_diameter.low, size.outside_diameter.high) == _span(row["od_in"])
    assert (size.height.low, size.height.high) == _span(row["height_in"])
    assert (size.tare.low, size.tare.high) == _span(row["tare_lb"])
    status = "derived" if "0.42" in row["wc_status"] else row["wc_status"].split(" ", 1)[0]
    assert size.water_capacity.status == status
    if row["dim_status"] == "found dims, recalled tare":
        assert (size.outside_diameter.status, size.tare.status) == ("found", "recalled")
    else:
        assert size.outside_diameter.status == size.tare.status == row["dim_status"]


@pytest.mark.parametrize("row", _rows("cylinders_eu.csv"), ids=lambda r: f"{r['net_kg']}-{r['volume_L']}")
def test_european_sizes_are_those_of_the_table(row: dict[str, str]) -> None:
    net = float(row["net_kg"].split(" ", 1)[0])
    found = [
        s
        for s in SIZES
        if s.nominal.unit == "kg" and s.nominal.high == net and s.water_capacity.high == float(row["volume_L"])
    ]
    assert len(found) == 1
    assert found[0].gas == ("butane" if "butane" in row["net_kg"] else "propane")


def test_nothing_else_is_in_the_catalogue() -> None:
    assert len(SIZES) == len(_rows("cylinders_us.csv")) + len(_rows("cylinders_eu.csv"))


def test_filling_density_is_that_of_commercial_propane() -> None:
    """WAC 296-307 Table U-4: 42 % for specific gravity 0.504-0.510 at 60 degF."""
    (row,) = [r for r in _rows("filling_density.csv") if r["sg60F_lo"] == "0.504"]
    assert float(row["pct_of_water_capacity_aboveground_le1200gal"]) / 100 == FILLING_DENSITY


@pytest.mark.parametrize(
    "size", [s for s in SIZES if s.nominal.unit == "lb" and s.nominal.high > 5], ids=lambda s: s.name
)
def test_water_capacity_holds_the_nominal_weight(size: catalogue.Size) -> None:
    """Nominal weight over water capacity is the filling density, within 1 % (the 5-lb one is found at 12 lb)."""
    assert size.nominal.si / size.water_capacity.si == pytest.approx(FILLING_DENSITY, rel=0.011)


@pytest.mark.parametrize("size", [s for s in SIZES if s.outside_diameter], ids=lambda s: s.name)
def test_dimensions_fit_the_water_capacity(size: catalogue.Size) -> None:
    """Two 2:1 heads and a straight shell that hold the water are no taller than the cylinder with foot and collar."""
    import math

    assert size.outside_diameter is not None
    assert size.height is not None
    inside = size.outside_diameter.si - 0.006
    volume = size.water_capacity.si / catalogue.WATER_KG_M3
    straight = (volume - math.pi * inside**3 / 12) / (math.pi * inside**2 / 4)
    shell = straight + inside / 2 + 0.006
    assert straight > 0
    assert shell <= size.height.si * 1.05


def test_weights_of_full_cylinders() -> None:
    """Common practice, no source: a 40-lb cylinder is about 70 lb full and 30 lb empty, a 100-lb one 170 lb full."""
    for nominal, full, empty in ((40, 70, 30), (100, 170, 70)):
        size = by_nominal(nominal * LB)
        assert size is not None
        assert size.tare is not None
        assert size.tare.si / LB == pytest.approx(empty, rel=0.05)
        assert (size.tare.si + size.nominal.si) / LB == pytest.approx(full, rel=0.05)


def test_lookups() -> None:
    assert by_nominal(13 * LB) is None
    assert by_nominal(40.3 * LB) is by_nominal(40 * LB)
    assert by_water_capacity(40 * LB) is None
    found = by_water_capacity(95 * LB)
    assert found is not None
    assert found.name == "40 lb"
    assert len(set(catalogue.names())) == len(catalogue.names())
