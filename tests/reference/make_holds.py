"""Random cases of hold time and of pressure through a meal, solved by `oracle`, kept in `holds.json`.

    python -m tests.reference.make_holds            solve them all again (minutes) and write the file

Cases are drawn from a fixed seed: mixed cylinders, upright and lying, propane and blends, open manifold, check valves,
changeover; air hour by hour; three bases; sites up to 2,500 m.
"""

from __future__ import annotations

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from tests.reference import oracle

TARGET = Path(__file__).with_name("holds.json")
LB, INCH, BTU_H = 0.453_592_37, 0.0254, 0.293_071_07
HOLDS, MEALS, SEED = 330, 70, 20_171_231
SIZES = ((47.6, 12.3, 17.5), (71.4, 12.5, 25.0), (95.2, 12.5, 29.0), (143.0, 14.6, 45.0), (238.0, 14.5, 69.0))
LYING = (1000.0, 30.0, 270.0)
GASES = ([0.9, 0.1, 0, 0], [0.7, 0.2, 0.1, 0], [0.5, 0.5, 0, 0], [0.94, 0.01, 0.0, 0.05], [0.6, 0, 0.4, 0])


def _cylinders(rng: np.random.Generator, kind: str, basis: str) -> list[dict[str, Any]]:
    count = int(rng.integers(2, 5)) if kind != "together" else int(rng.integers(1, 5))
    out = []
    for i in range(count):
        lying = kind == "together" and basis != "weather" and rng.random() < 0.1
        wc, od, tare = LYING if lying else SIZES[int(rng.integers(len(SIZES)))]
        blend = kind.startswith("blend") and (i == 0 or rng.random() < 0.6)
        gas = [float(v) for v in GASES[int(rng.integers(len(GASES)))]] if blend else [1.0, 0.0, 0.0, 0.0]
        out.append(
            {
                "wc": wc * LB, "od": od * INCH, "tare": tare * LB, "wall": 0.003,
                "shape": "horizontal" if lying else "vertical", "gas": gas,
                "side": "reserve" if kind.startswith("change") and i >= count // 2 else "service",
                "share": round(float(rng.uniform(0.03, 1.05)), 4),
            }
        )  # fmt: skip
    return out


def draw(rng: np.random.Generator, kind: str, hours: int = 24) -> dict[str, Any]:
    """One case of a kind: together, check, blend, blend-check, changeover, changeover-check."""
    basis = ("chart", "floor", "weather")[int(rng.choice(3, p=[0.2, 0.3, 0.5]))]
    air_pa = 101_325.0 * (1 - 2.25577e-5 * float(rng.choice([0, 300, 1200, 2500]))) ** 5.25588
    inlet = float(rng.choice([5.0, 10.0, 15.0])) * 6894.757
    air = rng.uniform(250, 292) + rng.uniform(0, 7) * np.sin((np.arange(hours) + rng.uniform(0, 24)) * np.pi / 12)
    air = air + np.cumsum(rng.normal(0, 0.3, hours))
    cylinders = _cylinders(rng, kind, basis)
    start = float(air[0] + rng.uniform(-3, 3))
    apart = "check" in kind or kind.startswith("blend")
    return {
        "kind": kind, "basis": basis, "air_pa": air_pa, "inlet_pa": inlet,
        "setting_pa": inlet + float(rng.choice([0.0, 0.0, 20e3, 50e3])),
        "changeover": kind.startswith("change"), "check": kind.endswith("check"),
        "cylinders": cylinders,
        "air": [round(float(t), 3) for t in air],
        "wind": [round(float(v), 2) for v in np.abs(rng.normal(2, 2, hours))],
        "sky": [round(float(v), 2) for v in rng.uniform(0, 1, hours)],
        "dew": [round(float(t - d), 2) for t, d in zip(air, rng.uniform(0.5, 10, hours), strict=True)],
        "start_k": [round(start + (float(rng.uniform(-2, 2)) if apart else 0.0), 3) for _ in cylinders],
        "demand": round(float(rng.choice([20e3, 40e3, 65e3, 65e3, 120e3]) * BTU_H * rng.uniform(0.8, 1.2)), 1),
        "limit": 86_400.0,
    }  # fmt: skip


def cases() -> list[dict[str, Any]]:
    """Every case, holds first."""
    rng = np.random.default_rng(SEED)
    kinds = ["together"] * 5 + ["check"] * 2 + ["blend"] * 3 + ["blend-check"] * 1 + ["changeover"] * 3
    kinds += ["changeover-check"]
    out = [draw(rng, kinds[i % len(kinds)]) for i in range(HOLDS)]
    plain = ["together", "together", "check", "blend", "blend-check"]
    for i in range(MEALS):
        case = draw(rng, plain[i % len(plain)], 12)
        begin, long = float(rng.integers(0, 6)) * 1800.0, float(rng.integers(1, 8)) * 900.0
        second = begin + long + float(rng.integers(1, 10)) * 900.0
        case["burns"] = [
            [begin, begin + long, case["demand"]],
            [
                second,
                second + float(rng.integers(1, 8)) * 900.0,
                round(case["demand"] * float(rng.uniform(0.3, 1.0)), 1),
            ],
        ]
        out.append(case)
    return out


def solve(case: dict[str, Any]) -> dict[str, Any]:
    """The case with the oracle's answer."""
    done = oracle.meal(case) if "burns" in case else oracle.hold(case)
    rounded = {k: ([round(x, 6) for x in v] if isinstance(v, list) else v) for k, v in done.items()}
    return case | {"answer": rounded}


def main() -> None:
    """Solve all and write the file, line by line as they come."""
    with ProcessPoolExecutor(max_workers=1 if "--one" in sys.argv else 2) as pool, TARGET.open("w") as file:
        for i, done in enumerate(pool.map(solve, cases())):
            file.write(("[\n" if i == 0 else ",\n") + json.dumps(done, separators=(",", ":")))
            file.flush()
        file.write("\n]\n")


if __name__ == "__main__":
    main()
