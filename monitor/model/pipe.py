"""Sizes of pipe and tubing, by the name printed on them. Facts alone: `monitor.physics.pipe` says what they carry."""

from __future__ import annotations

from collections.abc import Mapping

# Inside diameters in inches. Steel: ASME B36.10 Schedule 40. Copper: ASTM B88 type K, the smaller bore of K and L.
SCHEDULE_40_IN = {"1/2": 0.622, "3/4": 0.824, "1": 1.049, "1-1/4": 1.380, "1-1/2": 1.610, "2": 2.067}
COPPER_KL_IN = {"1/4": 0.305, "3/8": 0.402, "1/2": 0.527, "5/8": 0.652, "3/4": 0.745}

# EHD number: (thousands of Btu/h at 1 ft, exponent of the length), fitted to the table from 5 to 60 ft.
CORRUGATED = {
    "13": (173.5, -0.5449), "15": (233.5, -0.5296), "18": (401.7, -0.4957), "19": (478.6, -0.5055),
    "23": (767.0, -0.4794), "25": (939.2, -0.4915), "30": (1703.1, -0.5144), "31": (1971.0, -0.5130),
    "37": (3472.2, -0.5541), "39": (3524.4, -0.4758), "46": (6373.5, -0.5055), "48": (7225.5, -0.4930),
    "60": (12701.6, -0.4896), "62": (14605.5, -0.4980),
}  # fmt: skip
SIZES: Mapping[str, tuple[str, ...]] = {
    "schedule 40": tuple(SCHEDULE_40_IN),
    "copper": tuple(COPPER_KL_IN),
    "corrugated": tuple(CORRUGATED),
}


def known_size(material: str, size: str) -> None:
    """Raise ValueError, saying which there are, where the material has no such size."""
    if material not in SIZES:
        raise ValueError(f"one of {', '.join(SIZES)}")
    if size not in SIZES[material]:
        raise ValueError(f"one of {', '.join(SIZES[material])} for {material}")
