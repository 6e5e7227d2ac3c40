"""The physics against the clock, and beside SciPy's LSODA on the same cases in the same run.

    OPENBLAS_NUM_THREADS=1 python -m tests.bench.physics [sample]

51 members x 240 hours x 4 unlike cylinders at 20, 50, 90 and 35 % of full, 65,000 Btu/h, 24 h limit: rest lag, hold
time, capacities and levels needed on three bases. LSODA integrates a sample of the same holds (a) on scalar property
functions of our own, (b) on CoolProp's low-level state, with the loosest rtol whose holds are within 0.1 %.
"""

from __future__ import annotations

import bisect
import math
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from monitor import physics  # noqa: E402
from monitor.model.site import BASES  # noqa: E402
from monitor.physics import coefficients as co  # noqa: E402
from monitor.physics import shared, shell  # noqa: E402
from monitor.physics.plant import outside  # noqa: E402
from tests.physics.sites import BTU_H, cylinder, site  # noqa: E402

MEMBERS, HOURS, DEMAND_W, LIMIT_S = 51, 240, 65_000 * BTU_H, 86_400.0
SHARES = np.array([0.20, 0.50, 0.90, 0.35])
SITE = site(*(cylinder(s, f"C{s}") for s in ("20", "30", "40", "100")))


def weather(members: int, hours: int, mean_k: float = 268.0) -> physics.Air:
    """An invented cold week: a daily swing, a drift, members that spread."""
    rng = np.random.default_rng(51)
    base = mean_k + 6.0 * np.sin(np.arange(hours) * np.pi / 12) + np.cumsum(rng.normal(0, 0.25, hours))
    air = base + np.cumsum(rng.normal(0, 0.2, (members, hours)), axis=1)
    wind = np.abs(rng.normal(3, 2, (members, hours)))
    return physics.Air(air, wind, rng.uniform(0, 1, (members, hours)), air - 3.0)


def everything(plant: physics.Plant, charge: Any, air: physics.Air) -> physics.Hold:
    """What one outlook asks of the physics."""
    rest = physics.rest_k(plant, charge, air)
    held = physics.hold(plant, charge, air, rest, DEMAND_W, limit_s=LIMIT_S)
    for basis in BASES:
        physics.sustained_w(plant, charge, air, basis)
        physics.level_needed(plant, air, DEMAND_W, basis)
    physics.film_w_m2k(plant, air, "weather")
    return held


def best(function: Callable[[], Any], times: int) -> tuple[float, float]:
    """Least wall and processor time (s) of several runs."""
    wall, cpu = math.inf, math.inf
    for _ in range(times):
        a, b = time.perf_counter(), time.process_time()
        function()
        wall, cpu = min(wall, time.perf_counter() - a), min(cpu, time.process_time() - b)
    return wall, cpu


# --- the same holds, one at a time ----------------------------------------------------------------------------------


def own_liquid(t: float) -> tuple[float, float, float]:
    """Density, heat capacity and latent heat by our correlations on plain floats."""
    p = co.PROPANE
    x = 1.0 - t / p.critical_k
    x2 = x * x
    x3 = x2 * x
    d, h, v = p.density, p.heat, p.latent
    rho = d[0] + d[1] * x**0.35 + d[2] * x + d[3] * x2 + d[4] * x3
    heat = h[0] / x + h[1] + h[2] * x + h[3] * x2 + h[4] * x3
    latent = v[0] * x**0.35 + v[1] * math.sqrt(x) + v[2] * x + v[3] * x2 + v[4] * x3 + v[5] * x2 * x3
    return rho, heat, latent


def coolprop_liquid() -> Callable[[float], tuple[float, float, float]]:
    """The same from CoolProp's low-level state."""
    import CoolProp.CoolProp as CP

    state = CP.AbstractState("HEOS", "Propane")

    def liquid(t: float) -> tuple[float, float, float]:
        state.update(CP.QT_INPUTS, 0.0, t)
        latent = state.saturated_vapor_keyed_output(CP.iHmass) - state.hmass()
        return state.rhomass(), state.cpmass(), latent

    return liquid


class Scalar:
    """LSODA on one hold after another; `evaluations` counts right-hand sides."""

    def __init__(self, plant: physics.Plant, air: physics.Air, liquid: Any, rtol: float) -> None:
        seen = outside(plant, air, plant.basis)
        self.film, self.seen = seen.film_w_m2k.tolist(), seen.outside_k.tolist()
        self.plant, self.liquid, self.rtol, self.evaluations = plant, liquid, rtol, 0
        grid = np.linspace(0.0, 1.0, 1025) ** 2
        self.volumes = [(grid * s.volume_m3).tolist() for s in plant.shells]
        self.areas = [shell.effective_at_volume(s, grid * s.volume_m3).tolist() for s in plant.shells]
        self.steel = plant.steel_j_k.tolist()
        self.floor = plant.floor_k(plant.basis)

    def area(self, i: int, volume: float) -> float:
        v, a = self.volumes[i], self.areas[i]
        k = min(max(bisect.bisect_right(v, volume) - 1, 0), len(v) - 2)
        return float(a[k] + (volume - v[k]) / (v[k + 1] - v[k]) * (a[k + 1] - a[k]))

    def hold(self, member: int, hour: int, start_k: float, charge: list[float]) -> float:
        from scipy.integrate import solve_ivp

        draw, n = DEMAND_W / physics.HEATING_VALUE_J_KG, len(charge)
        y, now = [start_k, *charge], 0.0
        live = list(range(n))
        if start_k <= self.floor:
            return 0.0
        while now < LIMIT_S - 1e-6:
            at = min(hour + int((now + 1e-6) // 3600.0), len(self.seen[0][member]) - 1)
            u = [self.film[i][member][at] for i in live]
            out = [self.seen[i][member][at] for i in live]
            edge = min((math.floor((now + 1e-6) / 3600.0) + 1) * 3600.0, LIMIT_S)

            def slope(_t: float, z: Any, u: Any = u, out: Any = out, live: Any = tuple(live)) -> list[float]:
                self.evaluations += 1
                t = float(z[0])
                rho, heat, latent = self.liquid(t)
                q, c = [], []
                for k, i in enumerate(live):
                    m = max(float(z[1 + k]), 0.0)
                    q.append(u[k] * self.area(i, m / rho) * (out[k] - t))
                    c.append(m * heat + self.steel[i])
                dt = (sum(q) - draw * latent) / sum(c)
                return [dt, *(-(a - b * dt) / latent for a, b in zip(q, c, strict=True))]

            def cold(_t: float, z: Any) -> float:
                return float(z[0]) - self.floor

            def dry(_t: float, z: Any) -> float:
                return float(min(z[1:])) - shell.DRY_KG

            cold.terminal = dry.terminal = True  # type: ignore[attr-defined]
            done = solve_ivp(
                slope, (now, edge), [y[0], *(y[1 + i] for i in live)], method="LSODA", rtol=self.rtol,
                atol=self.rtol * 1e-2, events=[cold, dry],
            )  # fmt: skip
            now = float(done.t[-1])
            y[0] = float(done.y[0, -1])
            for k, i in enumerate(live):
                y[1 + i] = float(done.y[1 + k, -1])
            if done.t_events[0].size:
                return now
            if done.t_events[1].size:
                live.remove(min(live, key=lambda i: y[1 + i]))
                if not live:
                    return now
        return LIMIT_S


def side_by_side(plant: physics.Plant, air: physics.Air, count: int, ours_s: float) -> None:
    """LSODA on a sample at the loosest rtol that gives 0.1 %, and how many times faster ours is."""
    charge = SHARES * plant.full_kg
    rest = physics.rest_k(plant, charge, air)
    ours = physics.hold(plant, charge, air, rest, DEMAND_W, limit_s=LIMIT_S).hold_s
    rng = np.random.default_rng(7)
    sample = [
        (int(m), int(h)) for m, h in zip(rng.integers(0, MEMBERS, count), rng.integers(0, HOURS, count), strict=True)
    ]

    def run(liquid: Any, rtol: float) -> tuple[np.ndarray, float, int]:
        one = Scalar(plant, air, liquid, rtol)
        begun = time.process_time()
        held = np.array([one.hold(m, h, float(rest[m, h]), charge.tolist()) for m, h in sample])
        return held, time.process_time() - begun, one.evaluations

    def error(held: np.ndarray, truth: np.ndarray) -> float:
        return float((np.abs(held - truth) / np.maximum(truth, 60.0)).max())

    truth, _, _ = run(coolprop_liquid(), 1e-9)
    mine = np.array([float(ours[m, h]) for m, h in sample])
    per_hold = ours_s / (MEMBERS * HOURS)
    print(f"\nhold time alone, a hold, {count} of the same holds (truth: LSODA rtol 1e-9 on CoolProp)")
    print(f"{'method':44}{'rtol':>8}{'worst error':>13}{'evaluations':>13}{'ms a hold':>11}{'times ours':>12}")
    print(f"{'ours, all 12,240 at once':44}{'':>8}{error(mine, truth):13.2e}{'':>13}{1e3 * per_hold:11.4f}{1.0:12.1f}")
    for name, liquid in (
        ("SciPy LSODA, our scalar functions", own_liquid),
        ("SciPy LSODA, CoolProp", coolprop_liquid()),
    ):
        for rtol in (1e-3, 1e-4, 1e-5, 1e-6, 1e-7):
            held, seconds, evaluations = run(liquid, rtol)
            if error(held, truth) <= 1e-3 or rtol == 1e-7:
                each = seconds / count
                row = f"{name:44}{rtol:8.0e}{error(held, truth):13.2e}{evaluations / count:13.0f}{1e3 * each:11.3f}"
                print(f"{row}{each / per_hold:12.0f}")
                break


def import_ms() -> float:
    """Least time of five fresh interpreters to import the physics after numpy."""
    code = "import numpy, time; a = time.perf_counter(); import monitor.physics; print(time.perf_counter() - a)"
    runs = [subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True) for _ in range(5)]
    return 1e3 * min(float(r.stdout) for r in runs)


def main() -> None:
    """Print the tables."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    plant = physics.Plant.of(SITE)
    charge = SHARES * plant.full_kg
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    large = weather(MEMBERS, HOURS)
    week = physics.Air(*(np.asarray(p)[0, :168] for p in (large.air_k, large.wind_m_s, large.sky, large.dewpoint_k)))
    rest = physics.rest_k(plant, charge, large)
    rows: list[tuple[str, Callable[[], Any], str]] = [
        ("51 x 240 x 4, everything", lambda: everything(plant, charge, large), "300 (stretch 150)"),
        ("  rest lag", lambda: physics.rest_k(plant, charge, large), ""),
        ("  12,240 hold times", lambda: physics.hold(plant, charge, large, rest, DEMAND_W), ""),
        ("  capacities, three bases", lambda: [physics.sustained_w(plant, charge, large, b) for b in BASES], ""),
        ("  levels needed, three bases", lambda: [physics.level_needed(plant, large, DEMAND_W, b) for b in BASES], ""),
        ("7 days, one forecast, everything", lambda: everything(plant, charge, week), "25"),
    ]
    print(f"{'case':36}{'wall ms':>10}{'CPU ms':>10}  target ms")
    times = {}
    for name, function, target in rows:
        times[name] = best(function, 7)
        print(f"{name:36}{1e3 * times[name][0]:10.1f}{1e3 * times[name][1]:10.1f}  {target}")
    peak = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024.0
    print(f"{'import beyond numpy':36}{import_ms():10.1f}{'':10}  120")
    print(f"{'peak memory above import, MB':36}{peak:10.1f}{'':10}  150")
    held = everything(plant, charge, large)
    print("hold ends:", {e: int((held.ends == k).sum()) for k, e in enumerate(physics.ENDS)})
    print(f"step tolerance {shared.TOLERANCE_K} K")
    side_by_side(plant, large, count, times["  12,240 hold times"][1])


if __name__ == "__main__":
    main()
